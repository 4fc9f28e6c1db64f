"""`firstcause papers`: estimate, work order and invoice of a case, and what a jurisdiction asks of them."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING

import click

from firstcause.cli.case import CASEBOOK, opened_casebook
from firstcause.cli.output import as_json, line
from firstcause.cli.own_knowledge import own_folder

if TYPE_CHECKING:
    from firstcause.casebook.case import Case
    from firstcause.casebook.shop_settings import ShopSettings
    from firstcause.handover.paper_facts import PaperFacts
    from firstcause.handover.paper_rules import RuleSet
    from firstcause.knowledge.base import Knowledge


@click.command()
@click.argument("case_id")
@CASEBOOK
@click.option("--rules", "rules_name", default="", help="Whose rules: the list's id, or 'list' to see them.")
@click.option("--into", type=click.Path(file_okay=False, path_type=Path), help="Write the papers into this folder.")
@click.option("--paper", type=click.Choice(["a4", "us-letter"]), default="a4", show_default=True)
@click.option("--draft", is_flag=True, help="Print an estimate to go on from, as an [[event]] of a case file.")
@click.option("--json", "json_out", is_flag=True, help="What the rules ask, for programs.")
def papers(
    case_id: str, store_path: Path, rules_name: str, into: Path | None, paper: str, draft: bool, json_out: bool
) -> None:
    """Say what the papers of a case lack, and write estimate, work order and invoice.

    The shop's name, address and numbers come from its settings (the page of `serve`).
    """
    from firstcause.casebook.shop_settings import ShopSettings, read_settings, settings_path
    from firstcause.casebook.weighing import knowledge_of
    from firstcause.errors import RequestError
    from firstcause.handover.paper_checks import NOT_LEGAL_ADVICE, look_at
    from firstcause.handover.paper_facts import paper_facts
    from firstcause.handover.paper_pages import STATE_WORDS
    from firstcause.handover.paper_rules import rule_sets, rules_named

    if rules_name == "list":
        for rules in rule_sets().values():
            line(f"{rules.id}: {rules.name}; {rules.law}. {rules.warning}", 0)
        return
    shop = read_settings(settings_path(store_path)) or ShopSettings()
    with opened_casebook(store_path) as store:
        case = store.case(case_id)
        knowledge = knowledge_of(case, own_folder())
        if draft:
            _print_draft(case, knowledge, shop)
            return
        facts = paper_facts(case, case_id, store.people(case_id), shop, knowledge)
    if not (rules_name or shop.paper_rules):
        raise RequestError(
            f"Say whose rules the papers are looked at by: --rules {' | '.join(rule_sets())}, or set it once for the "
            "shop. Nothing was written."
        )
    rules = rules_named(rules_name or shop.paper_rules)
    looked = look_at(facts, rules)
    if json_out:
        as_json({"rules": rules.id, "clauses": [
            {"id": each.clause.id, "paper": each.clause.paper, "cite": each.clause.cite, "mark": each.clause.mark,
             "state": each.state, "to_do": list(each.to_do)} for each in looked
        ]})  # fmt: skip
    else:
        line(f"{rules.name}. {rules.law}.", 0)
        for each in looked:
            line(f"{STATE_WORDS[each.state]}: {each.clause.says} ({each.clause.cite})")
            for to_do in each.to_do:
                line(f"- {to_do}", 4)
        line(f"{rules.warning} {NOT_LEGAL_ADVICE}", 0)
    if into is not None:
        for path in _write(facts, rules, into, paper):
            line(str(path), 0)


def _print_draft(case: Case, knowledge: Knowledge, shop: ShopSettings) -> None:
    from firstcause.casebook.toml_text import toml_lines
    from firstcause.casebook.weighing import weigh_case
    from firstcause.handover.paper_drafts import draft_estimate

    terms = shop.shop({tool for test in knowledge.tests.values() for tool in test.tools})
    body = draft_estimate(weigh_case(case, knowledge, shop=terms), shop)
    click.echo('[[event]]\nkind = "estimated"')
    for text in toml_lines(body.model_dump(mode="json", exclude_defaults=True, exclude_none=True)):
        click.echo(text)


def _write(facts: PaperFacts, rules: RuleSet, into: Path, paper: str) -> list[Path]:
    from firstcause.handover.html import paper_html
    from firstcause.handover.paper_pages import money_pages
    from firstcause.handover.pdf import paper_pdf

    pages = money_pages(facts, rules, datetime.now(UTC))
    into.mkdir(parents=True, exist_ok=True)
    written = []
    for name, page in pages.items():
        for ending, content in (
            ("html", paper_html(page).encode()),
            ("pdf", paper_pdf(page, "us-letter" if paper == "us-letter" else "a4")),
        ):
            path = into / f"{facts.case_id}-{name}.{ending}"
            path.write_bytes(content)
            written.append(path)
    return written
