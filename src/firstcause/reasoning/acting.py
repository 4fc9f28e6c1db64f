"""Which causes act where: on a reading of the complaint at a unit, and on a test at a place, and how strongly."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from math import prod
from typing import Protocol

from firstcause.errors import RequestError
from firstcause.knowledge.base import Knowledge
from firstcause.knowledge.model_numbers import Model
from firstcause.knowledge.schema import FaultEntry, TestEntry
from firstcause.reasoning.counts import caught, chance_at_work, strength_cumulative
from firstcause.reasoning.fitment import Fitment
from firstcause.reasoning.history import CarFacts, Coded, Counted, History, Region
from firstcause.reasoning.shown import cumulative_of
from firstcause.vehicle.place import Place

Causes = tuple[tuple[str, tuple[float, ...]], ...]
Acting = Sequence[tuple[str, str]]
"""Faults and the causes that stand for them."""


class CauseIn(Protocol):
    """Of the facts of a cause, what is needed here."""

    @property
    def home(self) -> frozenset[int]: ...
    @property
    def remembers(self) -> bool: ...


class State(Protocol):
    """A model, or one that is being built: the fitment of the moment and the cause that stands for each fault now."""

    @property
    def knowledge(self) -> Knowledge: ...
    @property
    def car(self) -> CarFacts: ...
    @property
    def fitment(self) -> Fitment: ...
    @property
    def facts(self) -> Mapping[str, CauseIn]: ...
    @property
    def current(self) -> Mapping[tuple[str, str], str]: ...
    @property
    def original(self) -> Mapping[tuple[str, str], str]: ...
    @property
    def units(self) -> Mapping[int, frozenset[int]]: ...
    def able_to_act(self, cause: str, way: str) -> str | None: ...
    def acting_on(self, here: frozenset[int]) -> Acting: ...


def causes_of_test(state: State, test: TestEntry, place: Place) -> Causes:
    knowledge, fitment, car = state.knowledge, state.fitment, state.car
    shown = _shown_by(knowledge, test)
    if test.on == "part":
        assert test.part is not None
        serial = fitment.at(test.part, place.numbers[0])
        home = frozenset() if fitment.is_new(serial) else frozenset(fitment.home[serial][1])
        chosen = [(fault, cause) for (fault, holder), cause in state.current.items() if holder == serial]
        chosen += [
            (fault, cause)
            for (fault, holder), cause in state.original.items()
            if holder != serial and knowledge.faults[fault].part != test.part and state.facts[cause].home & home
        ]
    else:
        chosen = list(state.acting_on(cylinders_of(place, car)))
    return tuple((cause, shown[fault]) for fault, cause in chosen if fault in shown)


def _shown_by(knowledge: Knowledge, test: TestEntry) -> Mapping[str, tuple[float, ...]]:
    """Cumulative outcomes of a test under each fault that it shows."""
    key = ("shown by", test.id)
    if key not in knowledge.worked_out:
        knowledge.worked_out[key] = {
            fault.id: cumulative_of(test, shows.outcomes)
            for fault in knowledge.faults.values()
            for shows in fault.shows
            if shows.test == test.id
        }
    found: Mapping[str, tuple[float, ...]] = knowledge.worked_out[key]
    return found


def causes_of_count(state: State, unit: int, runs: Sequence[Mapping[Region, float]]) -> Causes:
    """The causes that act on a unit, each with its chance to be at work in at least one of these runs."""
    here, at_work = state.units[unit], _at_work(state.knowledge, runs)
    found = []
    for fault, cause in state.acting_on(here):
        shown = at_work.get(fault)
        if shown is None:
            continue
        if shown.shared or state.facts[cause].remembers:
            for way, able, anyhow in shown.by_way:
                actor = state.able_to_act(cause, way)
                found.append((cause, anyhow) if actor is None else (actor, able))
        else:
            found.append((cause, shown.afresh))
    return tuple(found)


@dataclass(frozen=True, slots=True)
class _AtWork:
    """How strongly a fault shows in some runs, as cumulative strengths.

    `by_way`: for each way of acting, given that it is able to act so, and whether it is or not; `afresh`: when nothing
    is known of that between one run and the next.
    """

    shared: bool
    by_way: tuple[tuple[str, tuple[float, ...], tuple[float, ...]], ...]
    afresh: tuple[float, ...]


MOST_RUNS_KEPT = 512


def _at_work(knowledge: Knowledge, runs: Sequence[Mapping[Region, float]]) -> Mapping[str, _AtWork]:
    """For each fault that acts: what it does in these runs. Worked out once for all cylinders and thoughts."""
    kept: dict[object, Mapping[str, _AtWork]] = knowledge.worked_out.setdefault(("at work", ""), {})
    key = tuple(tuple(sorted(watched.items())) for watched in runs)
    if key not in kept:
        if len(kept) >= MOST_RUNS_KEPT:
            kept.clear()
        kept[key] = {
            fault.id: _AtWork(
                fault.scope in ("shared", "bank"),
                tuple(_by_way(knowledge.model, fault, runs)),
                strength_cumulative(
                    fault.behaviour,
                    1.0 - prod(1.0 - chance_at_work(fault.behaviour, watched) for watched in runs),
                    knowledge.model.strengths,
                ),
            )
            for fault in knowledge.faults.values()
            if fault.behaviour is not None
        }
    return kept[key]


def _by_way(
    model: Model, fault: FaultEntry, runs: Sequence[Mapping[Region, float]]
) -> Iterable[tuple[str, tuple[float, ...], tuple[float, ...]]]:
    """A cause is able to act in one way, or not, in every reading (a shared one for all its units alike)."""
    behaviour = fault.behaviour
    assert behaviour is not None
    reaches = model.scale.shared_reaches if fault.scope in ("shared", "bank") else 1.0
    for way, regions in model.complaint.ways().items():
        ability = ability_of(model, fault, way)
        if ability <= 0.0 or not any(watched.get(region, 0.0) > 0.0 for watched in runs for region in regions):
            continue
        hidden = 1.0
        for watched in runs:
            missed = prod(1.0 - behaviour.acts[r] / ability * caught(behaviour, watched.get(r, 0.0)) for r in regions)
            hidden *= 1.0 - reaches * (1.0 - missed)
        shown = 1.0 - hidden
        yield (
            way,
            strength_cumulative(behaviour, shown, model.strengths),
            strength_cumulative(behaviour, shown * ability, model.strengths),
        )


def ability_of(model: Model, fault: FaultEntry, way: str) -> float:
    """Chance that a fault which is there is able to act in this way at all, in this car.

    What is left of the chance that it is at work, up to that in the condition it likes best, is the reading's own.
    """
    assert fault.behaviour is not None
    most = max(fault.behaviour.acts[region] for region in model.complaint.ways()[way])
    if fault.scope in ("shared", "bank"):
        return most
    return float(most**model.scale.remembered) if most > 0.0 else 0.0


def remembering(knowledge: Knowledge) -> frozenset[str]:
    """Private faults that are able to act in a way, or not, in every reading alike: steady ones.

    What comes in bouts, or comes and goes with handling, is drawn afresh in each reading. So are faults with links to
    others, of parts that move or serve two cylinders, and where the complaint was never seen: to remember them would
    tie too much together for the exact arithmetic.
    """
    faults = knowledge.faults
    if knowledge.model.scale.remembered <= 0.0:
        return frozenset()
    linked = {link.fault for fault in faults.values() for link in fault.caused_by}
    return frozenset(
        fault.id
        for fault in faults.values()
        if fault.scope in ("part", "place")
        and fault.behaviour is not None
        and fault.behaviour.between_bouts == 0.0
        and not fault.caused_by
        and fault.reseat is None
        and fault.id not in linked
    )


def where_seen(knowledge: Knowledge, units: Mapping[int, frozenset[int]], history: History) -> frozenset[int]:
    """Cylinders of the units on which a code or a reading of this history shows the complaint."""
    is_seen = knowledge.model.complaint.is_seen
    seen: set[int] = set()
    for happening in history:
        if isinstance(happening, Coded):
            seen |= happening.units
        elif isinstance(happening, Counted):
            seen |= {number for number, bad in happening.bad.items() if is_seen(bad, happening.out_of.get(number, 0))}
    return frozenset().union(*(units[number] for number in seen if number in units))


def touches(state: State, holder: str, cause: str, here: frozenset[int]) -> bool:
    """Whether a current cause acts on any of these cylinders: a part where it sits, a place where it is."""
    if holder in state.fitment.home:
        position = state.fitment.where(holder)
        return position is not None and not here.isdisjoint(position[1])
    return not here.isdisjoint(state.facts[cause].home)


def acting_on(state: State, here: frozenset[int]) -> Acting:
    """All current causes that act on any of these cylinders."""
    return [(fault, cause) for (fault, holder), cause in state.current.items() if touches(state, holder, cause, here)]


def cylinders_of(place: Place, car: CarFacts) -> frozenset[int]:
    if place.kind == "engine":
        return frozenset(car.layout.cylinders)
    if place.kind == "bank":
        if place.numbers[0] > len(car.layout.banks):
            raise RequestError(f"This engine has {len(car.layout.banks)} bank(s); there is no {place}.")
        return frozenset(car.layout.banks[place.numbers[0] - 1])
    return frozenset(car.layout.require(number) for number in place.numbers)
