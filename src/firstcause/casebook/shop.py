"""The terms a case is weighed on: the shop's rate and tools, what was set aside, what the owner agreed to pay."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass

from firstcause.casebook.case import Case, Note
from firstcause.casebook.events import Agreed, SetAside
from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.aside import blocked_by
from firstcause.reasoning.history import History
from firstcause.reasoning.steps import Aside, Terms


@dataclass(frozen=True)
class Shop:
    """What a shop says of itself: its hourly rate (None: the knowledge base's), the tools it owns (None: not told)."""

    labour_per_hour: float | None = None
    tools: frozenset[str] | None = None


def terms_of(case: Case, knowledge: Knowledge, history: History, shop: Shop, cannot: Iterable[str] = ()) -> Terms:
    """The terms as the case stands. `cannot`: ids of tests and repairs that cannot be done here at all.

    A tool that is missing is missing at every place, so the whole test is set aside; what turned out not to be possible
    takes with it all that needs the same opening, until that was opened after all. What is withdrawn is not in force.
    """
    asides = [Aside(step, "no-tool") for step in cannot]
    for at, event in enumerate(case.effective):
        if not isinstance(event.body, SetAside):
            continue
        body, earlier = event.body, {other.id for other in case.effective[:at]}
        if body.why == "no-tool":
            asides.append(Aside(body.step.partition(" at ")[0], body.why))
        elif body.why == "not-possible":
            before = tuple(happening for happening in history if happening.id in earlier)
            since = tuple(happening for happening in history if happening.id not in earlier)
            blocks = blocked_by(knowledge, case.facts, body.step, before, since)
            asides.append(Aside(body.step, body.why, blocks))
        else:
            asides.append(Aside(body.step, body.why))
    return Terms.of(knowledge, shop.labour_per_hour, dict.fromkeys(asides), shop.tools, limit_of(case))


def limit_of(case: Case) -> float | None:
    """What the owner agreed to pay in all; None when no limit was named, or limits in several currencies."""
    amounts = list(case.agreed_limits.values())
    return amounts[0] if len(amounts) == 1 else None


def notes_on_terms(case: Case, knowledge: Knowledge) -> tuple[Note, ...]:
    """Says so where something that was set aside is no step at all, and where a limit cannot be kept watch over."""
    return (*_set_aside_in_vain(case, knowledge), *_limits_apart(case))


def _set_aside_in_vain(case: Case, knowledge: Knowledge) -> Iterator[Note]:
    known = knowledge.tests.keys() | knowledge.repairs.keys()
    for event in case.effective:
        if not isinstance(event.body, SetAside):
            continue
        step = event.body.step
        if step.partition(" at ")[0] not in known and not step.startswith(("swap ", "watch ")):
            yield Note(event.id, f"{step!r} is no step of the list, so setting it aside changes nothing")


def _limits_apart(case: Case) -> tuple[Note, ...]:
    if len(case.agreed_limits) < 2:
        return ()
    last = next(e for e in reversed(case.effective) if isinstance(e.body, Agreed) and e.body.limit is not None)
    currencies = " and ".join(sorted(case.agreed_limits))
    said = f"limits were agreed in {currencies}; they cannot be added up, so no step is checked against them"
    return (Note(last.id, said),)
