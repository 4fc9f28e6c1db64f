"""Estimate, order and invoice of a case on the page: what is written, what is still asked for, and the forms."""

from __future__ import annotations

from contextlib import suppress
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from firstcause.casebook.events import Estimated, Invoiced, Line
from firstcause.errors import FirstcauseError, RequestError
from firstcause.handover.html import paper_html
from firstcause.handover.page import Page
from firstcause.handover.paper_checks import NOT_LEGAL_ADVICE, look_at
from firstcause.handover.paper_drafts import draft_estimate
from firstcause.handover.paper_facts import PaperFacts, paper_facts, sums_of
from firstcause.handover.paper_pages import money_pages
from firstcause.handover.paper_rules import RuleSet, rule_sets, rules_named
from firstcause.handover.pdf import paper_pdf
from firstcause.web.desk import Desk
from firstcause.web.pages import TheDesk, TheRender, view_of
from firstcause.web.papers import PAPER_CSP

router = APIRouter(include_in_schema=False)
MORE_LINES = 6
BLANK = Line(what="", of="labour", amount=0.0)
TheRules = Annotated[str, Query(max_length=40)]


@router.get("/cases/{case_id}/money")
def money(
    request: Request, case_id: str, desk: TheDesk, render: TheRender, rules: TheRules = "",
    form: Annotated[str, Query(max_length=10)] = "",
) -> Response:  # fmt: skip
    """The papers of the job and what they lack; with `form` the form for an estimate or an invoice."""
    view, _ = view_of(desk, case_id)
    facts, chosen = _facts(desk, case_id), _rules(desk, rules)
    looked = () if chosen is None else look_at(facts, chosen)
    begun = _begun(desk, case_id, facts, form)
    values = {
        "view": view, "tab": "handover", "facts": facts, "rules": chosen, "rule_sets": tuple(rule_sets().values()),
        "looked": looked, "missing": [each for each in looked if each.state == "missing"],
        "not_legal_advice": NOT_LEGAL_ADVICE, "sums_of": sums_of, "form": form, "begun": begun, "blank": BLANK,
        "more_lines": MORE_LINES, "given_rules": "" if chosen is None else chosen.id,
    }  # fmt: skip
    return render.page(request, "money.html", values)


@router.get("/cases/{case_id}/money/{name}.{ending}")
def money_paper(case_id: str, name: str, ending: str, desk: TheDesk, rules: TheRules = "") -> Response:
    """One paper as a document that stands alone: HTML to look at and print, PDF to keep."""
    page = _page(desk, case_id, name, rules)
    if ending == "html":
        return Response(paper_html(page), media_type="text/html", headers={"Content-Security-Policy": PAPER_CSP})
    if ending != "pdf":
        raise RequestError("A paper is to be had as html or pdf. Nothing was changed.")
    headers = {"Content-Disposition": f'attachment; filename="{case_id}-{name}.pdf"'}
    return Response(paper_pdf(page), media_type="application/pdf", headers=headers)


def _page(desk: Desk, case_id: str, name: str, rules: str) -> Page:
    pages = money_pages(_facts(desk, case_id), _rules(desk, rules), desk.clock())
    if name not in pages:
        raise RequestError("There is no such paper in this case. Nothing was changed. Go back to the hand-over.")
    return pages[name]


def _facts(desk: Desk, case_id: str) -> PaperFacts:
    case = desk.store.case(case_id)
    return paper_facts(case, case_id, desk.store.people(case_id), desk.settings, desk.pack(case.opened.pack))


def _rules(desk: Desk, asked: str) -> RuleSet | None:
    """The list asked for, else the shop's, else none."""
    name = asked or desk.settings.paper_rules
    return rules_named(name) if name else None


def _begun(desk: Desk, case_id: str, facts: PaperFacts, form: str) -> Estimated | Invoiced | None:
    """What a form begins with: the last estimate, else a draft from the likeliest repair, else empty."""
    last = facts.estimates[-1].body if facts.estimates else None
    if form == "estimate":
        if last is not None:
            return last
        with suppress(FirstcauseError):  # no repair is open, or the story cannot be weighed: an empty form
            return draft_estimate(desk.weighed(case_id), desk.settings)
        return Estimated(job="", lines=(), currency=desk.currency)
    if form == "invoice":
        number = f"{desk.clock():%Y}-{case_id.rpartition('-')[2]}-{len(facts.invoices) + 1}"
        if last is None:
            return Invoiced(number=number, lines=(), currency=desk.currency)
        return Invoiced(number=number, lines=last.lines, currency=last.currency, tax_percent=last.tax_percent)
    return None
