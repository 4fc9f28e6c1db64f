"""`firstcause weigh CASE.toml`: plays a written case and prints suspects, next steps, ledger and objections."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from firstcause.cli.arguing import print_mind, print_suspects, print_why_not
from firstcause.cli.next_step import asked_dict, beside_the_list, print_thinking, print_what_if, read_tools
from firstcause.cli.output import WIDTH, as_json, bar, heading, line, table
from firstcause.cli.own_knowledge import own_folder
from firstcause.reasoning.saying import in_words

if TYPE_CHECKING:
    from firstcause.casebook.weighing import WeighedCase

STEPS_SHOWN = 6
VERDICTS = {
    "stop": "NO. It stays where it is.",
    "move-only": "NO. It may be moved a short way only.",
    "with-care": "Gently, to the shop.",
    "not-told": "Nothing told so far speaks against it; ask for the lamp and for any smell of fuel.",
}


def _finite(ctx: click.Context, param: click.Parameter, value: float | None) -> float | None:
    if value is not None and not math.isfinite(value):
        raise click.BadParameter(f"{value} is no amount.", ctx, param)
    return value


@click.command()
@click.argument("case_file", type=click.Path(exists=True, dir_okay=False, path_type=Path))
@click.option("--json", "json_out", is_flag=True, help="Everything, for programs; stable keys.")
@click.option(
    "--rate", type=click.FloatRange(min=0, min_open=True), callback=_finite, default=None,
    help="The shop's labour rate an hour, in its own currency (default: knowledge base).",
)  # fmt: skip
@click.option("--all", "all_steps", is_flag=True, help="Print every step that could be done.")
@click.option(
    "--why-not", "why_not", default=None, metavar="FAULT@PLACE",
    help="What speaks against it and what would have to be found: intake-valve-burnt@3, coil-dead@coil-3.",
)  # fmt: skip
@click.option(
    "--tools", "tools_file", type=click.Path(exists=True, dir_okay=False, path_type=Path), default=None,
    help="A text file with the tools the shop owns, one a line, as `firstcause weigh` names them.",
)  # fmt: skip
@click.option(
    "--what-if", "wanted", metavar="STEP", default=None,
    help="What another step costs over the best, e.g. 'leak-down at cylinder 2' or 'swap coil 3-1'.",
)  # fmt: skip
@click.option(
    "--think", "think_s", type=click.FloatRange(min=0, max=3600), callback=_finite, default=None, metavar="SECONDS",
    help="Think so long about the best steps: what each outcome would lead to, swept once more.",
)  # fmt: skip
@click.option("--pack", default=None, help="Weigh it with this pack of knowledge, whatever the case names.")
def weigh(
    case_file: Path, json_out: bool, rate: float | None, all_steps: bool, why_not: str | None, tools_file: Path | None,
    wanted: str | None, think_s: float | None, pack: str | None,
) -> None:  # fmt: skip
    """Weigh a case written by hand (see docs/case-format.md)."""
    from firstcause.casebook.case import replay
    from firstcause.casebook.shop import Shop
    from firstcause.casebook.weighing import knowledge_of, weigh_case
    from firstcause.casebook.written import read_case_file
    from firstcause.knowledge.base import load
    from firstcause.reasoning.change_of_mind import cause_named

    written = read_case_file(case_file, at=datetime.now(UTC))
    shop = Shop(rate, None if tools_file is None else read_tools(tools_file))
    case = replay(written.events)
    own = own_folder()
    weighed = weigh_case(case, knowledge_of(case, own) if pack is None else load(pack, own=own), shop=shop)
    if why_not is not None:
        fault, _, where = why_not.partition("@")
        told = weighed.weighing.why_not(cause_named(weighed.weighing.model, fault.strip(), where.strip()))
        as_dict = told.to_dict(weighed.weighing.model)
        leading = weighed.weighing.roots[0].cause if weighed.weighing.roots else ""
        as_json(as_dict) if json_out else print_why_not(as_dict, leading)
        return
    if json_out:
        as_json(weighed.to_dict() | asked_dict(weighed, wanted, think_s))
        return
    print_weighing(weighed, None if all_steps else STEPS_SHOWN)
    if wanted is not None:
        print_what_if(weighed, wanted)
    if think_s is not None:
        print_thinking(weighed, think_s)


def print_weighing(weighed: WeighedCase, steps: int | None = STEPS_SHOWN) -> None:
    """The whole weighing as text; `steps` None prints every step."""
    result = weighed.to_dict()
    click.secho(f"{result['title']}  ({closing_words(weighed)})", bold=True)
    print_safety(result)
    print_events(weighed)
    print_conflicts(result)
    print_suspects(result, bool(weighed.read.history))
    print_steps(result, weighed, steps)
    print_mind(result)
    print_ledger(result)
    print_objections(result)
    if result["notes"]:
        heading("Notes on how the case was read")
        for note in result["notes"]:
            line(f"{note['event']}: {note['text']}.")


def closing_words(weighed: WeighedCase) -> str:
    """The state of the case; closed as cured or relieved against hard objections, it says so."""
    state: str = weighed.case.state
    hard = sum(objection.hard for to, against in weighed.objections.items() if to == state for objection in against)
    if state not in ("cured", "relieved") or not hard:
        return state
    return f"closed as {state} against {hard} hard objection{'s' if hard > 1 else ''}"


def print_safety(result: dict[str, Any]) -> None:
    """The first decision."""
    heading("May it be driven?")
    line(VERDICTS[result["safety"]["verdict"]])
    for rule in result["safety"]["rules"]:
        line(f"For the owner: {rule['owner']}")
        line(f"In the shop: {rule['do']}")
        for caution in rule["cautions"]:
            line(f"! {caution}", 4)


def print_events(weighed: WeighedCase) -> None:
    """What counts of the story, one line each, by the ids that the evidence names."""
    from firstcause.casebook.words import say

    heading("What was recorded")
    table(
        [event.id, textwrap.shorten(say(event.body, weighed.knowledge), WIDTH - 8, placeholder=" …")]
        for event in weighed.case.effective
    )


def print_conflicts(result: dict[str, Any]) -> None:
    """Findings that can hardly be right together; nothing when all go together."""
    if result["conflicts"]:
        heading("What does not go together")
    for conflict in result["conflicts"]:
        line(conflict["words"])


def print_steps(result: dict[str, Any], weighed: WeighedCase, most: int | None) -> None:
    """The next step as a card, the others as a table; none for a case that is closed or has nothing left to find."""
    steps = result["next_steps"]
    heading("Next step")
    if result["state"] != "open":
        line("The case is closed.")
        return
    if weighed.nothing_found:
        first = weighed.knowledge.model.complaint.words.read_first
        line(f"Nothing is recorded yet that could be weighed: {first}.")
        return
    if not result["suspects"] or _is_idle(steps[0]):
        line("Nothing left to look for.")
        return
    print_card(steps[0], weighed)
    heading("Other steps, by what one must expect to pay until the repair is proven")
    table(
        (
            [
                f"{s['expected_cost']:.0f}", f"{s['minutes']:.0f} min", f"{s['price']:.0f}",
                f"{s['name']} ({s['place']})" + ("  ! over the limit" if s["over_limit"] > 0 else ""),
            ]
            for s in steps[1:most]
        ),
        right=(0, 1, 2),
    )  # fmt: skip
    for sentence in beside_the_list(weighed):
        line(sentence)
    line(
        f"Repairing without looking further would cost about {result['expected_cost_without_looking']:.0f}; "
        f"if the cause were known, {result['cost_if_cause_were_known']:.0f}."
    )


def _is_idle(step: dict[str, Any]) -> bool:
    """Whether the best that can be done is to hand the car on because nothing is expected to cost anything."""
    return bool(step["kind"] == "refer" and step["expected_cost"] < 0.5)


def print_card(step: dict[str, Any], weighed: WeighedCase) -> None:
    """One step: its price, why now, what it opens, how it is done, its cautions, and what each outcome would mean."""
    from firstcause.casebook.advice_words import also_words, over_limit_words
    from firstcause.casebook.explaining import why_now

    line(f"{step['name']} ({step['place']})")
    minutes = f"{step['minutes']:.0f}"
    line(
        f"{minutes} minute{'' if minutes == '1' else 's'}, about {step['price']:.0f}; expected in all about "
        f"{step['expected_cost']:.0f} (all amounts in the shop's currency)",
        4,
    )
    advice = weighed.weighing.advice
    if step["key"] == advice.best.step.key and (why := why_now(advice.best, advice)):
        line(f"Why now: {why}.", 4)
    if opened := _opened(step, weighed):
        line(f"Opens: {'; '.join(opened)}.", 4)
    if step["kind"] == "test":
        line(f"How: {weighed.knowledge.tests[step['what']].how}", 4)
    if step["tools"]:
        line(f"Tools: {', '.join(step['tools'])}.", 4)
    line("The maker's service information comes first.", 4)
    for caution in step["cautions"]:
        line(f"! {caution['text']}", 4)
    option = next(option for option in advice.options if option.step.key == step["key"])
    if over := over_limit_words(option):
        line(f"! {over}.", 4)
    for at, also in enumerate(option.also):
        line(f"{'While it is open: ' if at == 0 else ''}{also_words(also, option)}.", 4)
    line("What may come out, and what I would think then:", 4)
    print_fan(step["outcomes"])


def print_fan(outcomes: Sequence[dict[str, Any]]) -> None:
    """Each outcome: its chance as a bar, whom one would suspect most then, what one would still expect to pay."""
    for look in outcomes:
        if look["chance"] < 0.005:
            continue
        click.echo(f"      {bar(look['chance'], 10)} {in_words(look['chance']):>15}  {look['name']}")
        then = [f"{s['name']}, {in_words(s['probability'])}" for s in look["suspects_then"][:2]]
        then += [f"about {look['expected_cost_then']:.0f} to go"] if look["expected_cost_then"] > 0 else []
        if then:
            line("; ".join(then), 34)


def _opened(step: dict[str, Any], weighed: WeighedCase) -> list[str]:
    """What a step opens that is not open yet and takes time on this car, in words."""
    from firstcause.casebook.words import opening_words
    from firstcause.vehicle.place import Place

    buried = weighed.case.facts.is_buried(Place.parse(step["place"]))
    still_shut = []
    for name in step["opens"]:
        access = weighed.knowledge.access[name.partition(" ")[0]]
        takes = access.minutes_buried if buried else access.minutes
        if takes > 0 and name not in weighed.weighing.advice.standing_open:
            still_shut.append(name)
    return opening_words(tuple(still_shut), weighed.knowledge)


def print_ledger(result: dict[str, Any]) -> None:
    """What is not where it came from, and what was replaced."""
    ledger = result["ledger"]
    heading("Parts ledger")
    if not ledger["put_back"] and not ledger["replaced"]:
        line("Every part is where it came from.")
    for part in ledger["put_back"]:
        now, home = "-".join(map(str, part["now"])), "-".join(map(str, part["home"]))
        mark = f", marked {part['mark']}" if part["mark"] else ""
        line(f"{part['serial']} sits at cylinder {now} and came from cylinder {home}{mark}.")
    for part in ledger["replaced"]:
        at = "-".join(map(str, part["at"]))
        line(f"{part['kind']} of cylinder {at}: {part['old']} out, {part['new']} in; old part {part['old_part']}.")


def print_objections(result: dict[str, Any]) -> None:
    """What speaks against closing the case as cured."""
    heading("May it be called cured?")
    against = result["objections"]["cured"]
    if not against:
        line("Yes: nothing in the record speaks against it.")
    for objection in against:
        line(("No: " if objection["hard"] else "But: ") + objection["words"])
        if objection["settle"]:
            line(objection["settle"], 6)
