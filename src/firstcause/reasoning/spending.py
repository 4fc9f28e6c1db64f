"""What the work done so far comes to, and what the limit that the owner set leaves: never passed in silence."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.history import (
    CarFacts,
    Counted,
    Found,
    Happening,
    History,
    Moved,
    Renewed,
    Repaired,
    Reseated,
)
from firstcause.reasoning.steps import Step, Terms, opened_by, shut_by
from firstcause.reasoning.theory import Array

Ask = Literal["now", "before-the-repair", "not-yet"]
# The owner is asked now, not later, when the repair is likelier than this to cost more than what is left. Judgement.
LIKELY_OVER = 0.5


def spent(knowledge: Knowledge, car: CarFacts, history: History, terms: Terms) -> float:
    """Price of all work in a history at these terms: minutes, parts, each opening once while it stayed open."""
    total, standing = 0.0, frozenset[str]()
    for happening in history:
        needed = opened_by(knowledge, car, happening)
        fresh = sum(minutes for name, minutes in needed.items() if name not in standing)
        total += terms.labour(fresh + _own_minutes(knowledge, car, happening)) + _parts(knowledge, terms, happening)
        standing = shut_by(knowledge, standing, happening) | needed.keys()
    return total


def _own_minutes(knowledge: Knowledge, car: CarFacts, happening: Happening) -> float:
    match happening:
        case Found(test=test):
            return knowledge.tests[test].minutes
        case Counted(watched=watched):
            return sum(watched.values()) * knowledge.model.complaint.minutes_each
        case Moved(part=part) | Reseated(part=part):
            return knowledge.parts[part].swap_minutes
        case Renewed(part=part):
            renewal = _renewal(knowledge, part)
            return knowledge.parts[part].swap_minutes if renewal is None else knowledge.repairs[renewal].minutes
        case Repaired(repair=repair, place=place):
            entry = knowledge.repairs[repair]
            return entry.minutes_buried if car.is_buried(place) else entry.minutes
        case _:
            return 0.0


def _parts(knowledge: Knowledge, terms: Terms, happening: Happening) -> float:
    match happening:
        case Repaired(repair=repair):
            return terms.parts_class[knowledge.repairs[repair].parts_class]
        case Renewed(part=part) if (renewal := _renewal(knowledge, part)) is not None:
            return terms.parts_class[knowledge.repairs[renewal].parts_class]
        case _:
            return 0.0


def _renewal(knowledge: Knowledge, part: str) -> str | None:
    """The repair that renews this kind of part and nothing else."""
    return next((repair.id for repair in knowledge.repairs.values() if repair.renews == part), None)


@dataclass(frozen=True)
class Budget:
    """The owner's limit: agreed, used up, left; the best step within it and what keeping to it is expected to cost.

    `more` is what the best course within the limit is expected to cost over the best without one. `chance_over` is
    the chance that the repair this car needs costs more than what is left. `ask` says when the owner is asked again:
    now, before the repair, or not yet.
    """

    limit: float
    spent: float
    left: float
    best_within: Step
    more: float
    chance_over: float
    ask: Ask


def budget_of(
    terms: Terms, used: float, best: Step, cost_of_best: float, within: Step, more: float, needed: Sequence[float],
    shares: Array,
) -> Budget | None:  # fmt: skip
    """The state of the limit; None when none was agreed.

    `needed` (roots,) is what the cheapest repair of each root and its proof cost (infinite where none is known, which
    nobody is asked to pay), `shares` (roots,) its chance.
    """
    if terms.limit is None:
        return None
    left = terms.limit - used
    total = float(shares.sum())
    after_best = left - cost_of_look(best)
    over = sum(float(p) for p, price in zip(shares, needed, strict=True) if after_best < price < float("inf"))
    chance = over / total if total > 0.0 else 0.0
    ask: Ask = "not-yet"
    if cost_of_best > left or chance > LIKELY_OVER:
        ask = "now"
    elif chance > 0.0:
        ask = "before-the-repair"
    return Budget(terms.limit, used, left, within, more, chance, ask)


def cost_of_look(best: Step) -> float:
    """What the best step takes from the limit before the repair; nothing if it is the repair itself."""
    return 0.0 if best.kind in ("repair", "refer") else best.price
