"""The explanations in words for every face: causes, happenings, turns of mind, and why this step now."""

from __future__ import annotations

from collections.abc import Sequence

from firstcause.casebook.case import Case
from firstcause.casebook.weighing import WeighedCase
from firstcause.casebook.words import holder_words, say
from firstcause.reasoning.change_of_mind import Rival, Turn
from firstcause.reasoning.choice import Advice, Option
from firstcause.reasoning.saying import percent
from firstcause.tongue import _

GONE_WORDS = "it was there and has been cured since"
WORTH_SAYING = 0.5


def cause_words(cause: str, weighed: WeighedCase) -> str:
    """A cause by its name and where it sits; causes that only exist in thought keep the name of their fault."""
    fault, __, where = cause.partition("@")
    entry = weighed.knowledge.faults.get(fault)
    holder = holder_words(where.partition("#")[0].partition("~")[0], weighed.knowledge)
    name = fault if entry is None else entry.name
    return name if holder in ("", _("engine")) else f"{name} ({holder})"


def happening_words(happenings: Sequence[str], case: Case, weighed: WeighedCase) -> str:
    """One happening by its event and sentence; several by their events only."""
    if len(happenings) == 1:
        event = next((event for event in case.effective if event.id == happenings[0]), None)
        return happenings[0] if event is None else f"{event.id}: {say(event.body, weighed.knowledge)}"
    return _("{listed} and {happenings} together", listed=", ".join(happenings[:-1]), happenings=happenings[-1])


def rival_words(rival: Rival, weighed: WeighedCase) -> str:
    """Who it is instead, with its share."""
    gone = f", {GONE_WORDS}" if rival.gone else ""
    return f"{cause_words(rival.cause, weighed)}{gone}: {percent(rival.probability)}"


def turn_words(turn: Turn, weighed: WeighedCase) -> str:
    """What one would believe after a finding: the suspect's share, and who leads where it does not."""
    said = percent(turn.then)
    if turn.leader and turn.leader_then > turn.then:
        said += _(
            "; then most likely {cause_words}, {percent}",
            cause_words=cause_words(turn.leader, weighed),
            percent=percent(turn.leader_then),
        )
    return said


def why_now(option: Option, advice: Advice, currency: str = "") -> str:
    """Why this step stands first: what it is expected to save, and whether what it needs stands open already."""
    money = f" {currency}" if currency else ""
    saved = advice.without_looking - option.expected_cost
    said = []
    if option.step.kind in ("test", "swap", "watch", "verify") and saved >= WORTH_SAYING:
        said.append(
            _(
                "looking here first is expected to save {saved:,.0f}{money} against repairing without looking",
                saved=saved,
                money=money,
            )
        )
    if option.step.kind == "repair" and option.fan:
        said.append(
            _(
                "no look saves more than it costs; the chance that this is the one is {percent}",
                percent=percent(option.fan[0].chance),
            )
        )
    if option.step.opens and set(option.step.opens) <= advice.standing_open:
        said.append(_("what it needs stands open now"))
    return "; ".join(said)
