"""What was wrong and how we know: the cause shown, the parts it spoilt, the causes that stay open."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from firstcause.handover.facts import CauseFact, VictimFact, Weighed
from firstcause.handover.plainly import chance_words, place_words
from firstcause.knowledge.schema import FaultEntry
from firstcause.reasoning.because import Reasons, reasons_for
from firstcause.reasoning.bills import VICTIM_TO_RENEW
from firstcause.reasoning.compiled import Model
from firstcause.reasoning.history import Found
from firstcause.reasoning.verdict import removed_causes
from firstcause.reasoning.weigh import WORTH_NAMING, Weighing
from firstcause.tongue import N_, _
from firstcause.vehicle.place import Place, cylinder

MOST_UNTESTED = 2
MOST_EXPLAINED = 4
WORTH_DECIBANS = 0.5
VICTIM_MARK = N_(" (a victim)")  # how the knowledge base ends the names of victims


@dataclass(frozen=True)
class Causes:
    """`shown` is the cause that reaches the closing limit, if one does; `open` all live causes worth naming."""

    shown: CauseFact | None
    removed: tuple[CauseFact, ...]
    open: tuple[CauseFact, ...]
    victims: tuple[VictimFact, ...]


def causes_of(weighing: Weighing, tell: Callable[[str], str]) -> Causes:
    """The causes of a weighed case; `tell` says an event in words. The likeliest few are explained, removed or not."""
    model, belief = weighing.model, weighing.belief
    gone = [cause for cause in removed_causes(model) if belief[cause] >= WORTH_NAMING]
    standing = sorted((c for c in model.live_roots if belief[c] >= WORTH_NAMING), key=lambda c: -belief[c])
    needed = model.knowledge.model.closing.cause_at_least
    likeliest = sorted({*gone, *standing}, key=lambda cause: (-belief[cause], cause))[:MOST_EXPLAINED]
    explained = reasons_for(model, belief, likeliest)

    def fact(cause: str, state: Literal["removed", "open"]) -> CauseFact:
        return _cause_fact(model, cause, belief[cause], state, explained.get(cause), tell)

    removed = tuple(fact(cause, "removed") for cause in sorted(gone, key=lambda c: -belief[c]))
    still = tuple(fact(cause, "open") for cause in standing)
    shown = next((each for each in (*removed[:1], *still[:1]) if each.chance >= needed), None)
    return Causes(shown, removed, still, _victims(model, belief))


def place_of(model: Model, cause: str) -> Place:
    """Where a cause is worked on now; for one that has left the car, where it was."""
    if model.reach(cause):
        return model.place_now(cause)
    return cylinder(min(model.facts[cause].home))


def _cause_fact(
    model: Model,
    cause: str,
    chance: float,
    state: Literal["removed", "open"],
    reasons: Reasons | None,
    tell: Callable[[str], str],
) -> CauseFact:
    entry = model.entry(cause)
    pieces = () if reasons is None else reasons.pieces
    alone = [(piece.happenings[0], piece.decibans) for piece in pieces if len(piece.happenings) == 1]
    moved = sorted((pair for pair in alone if abs(pair[1]) >= WORTH_DECIBANS), key=lambda pair: -abs(pair[1]))
    return CauseFact(
        cause=cause,
        name=entry.name,
        plain=entry.plain,
        place=place_words(place_of(model, cause), model.car.layout),
        chance=chance,
        chance_words=chance_words(chance),
        state=state,
        evidence=tuple(Weighed(event, tell(event), decibans) for event, decibans in moved),
        reasons=reasons,
        watch=entry.watch,
        untested=_untested(model, entry),
        returns_after_km=entry.returns_after_km,
    )


def _untested(model: Model, entry: FaultEntry) -> tuple[str, ...]:
    """The tests that would show this cause most surely and were not done in this case."""
    done = {happening.test for happening in model.history if isinstance(happening, Found)}
    telling = sorted(entry.shows, key=lambda shows: -sum(shows.outcomes.values()))
    names = [model.knowledge.tests[shows.test].name for shows in telling if shows.test not in done]
    return tuple(names[:MOST_UNTESTED])


def _victims(model: Model, belief: Mapping[str, float]) -> tuple[VictimFact, ...]:
    """Parts spoilt by something else, at the cylinders in question, likely enough to be worth renewing."""
    current = set(model.current.values())
    live_roots = set(model.live_roots)
    found: dict[tuple[str, str], VictimFact] = {}
    for cause in model.network.causes:
        entry, facts = model.entry(cause.id), model.facts[cause.id]
        if entry.kind != "victim" or "#" in cause.id or belief[cause.id] < VICTIM_TO_RENEW:
            continue
        if not facts.home & model.sites:
            continue
        parents = sorted((p for p, _ in cause.parents if belief[p] >= WORTH_NAMING), key=lambda p: -belief[p])
        standing = [p for p in parents if p in live_roots]
        found[(facts.fault, facts.holder)] = VictimFact(
            name=entry.name.removesuffix(_(VICTIM_MARK)),
            plain=entry.plain,
            place=place_words(place_of(model, cause.id), model.car.layout),
            chance=belief[cause.id],
            renewed=cause.id not in current,
            behind=tuple((model.entry(p).name, belief[p]) for p in (standing or parents)),
            returns_after_km=entry.returns_after_km,
            watch=entry.watch,
        )
    return tuple(sorted(found.values(), key=lambda victim: -victim.chance))
