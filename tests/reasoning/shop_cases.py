"""Histories as a shop writes them, in short form."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from functools import cache
from types import MappingProxyType
from typing import Any

import numpy as np

from firstcause.knowledge.base import Knowledge, load
from firstcause.reasoning.history import (
    CarFacts,
    Coded,
    Counted,
    Found,
    Happening,
    History,
    Moved,
    Region,
    Renewed,
    Repaired,
    Reseated,
)
from firstcause.vehicle.layout import EngineLayout, common_layout
from firstcause.vehicle.place import ENGINE, Place, bank, cylinder

REVS_PER_MINUTE: Mapping[Region, float] = {"cold-start": 1100.0, "idle": 700.0, "cruise": 2000.0, "load": 2600.0}
DRIVE: Mapping[Region, float] = {"cold-start": 1.0, "idle": 3.0, "cruise": 10.0, "load": 5.0}


@cache
def knowledge() -> Knowledge:
    return load("misfire")


@cache
def reduced(*faults: str) -> Knowledge:
    """The pack with these faults only, small enough for a general library."""
    whole = knowledge()
    kept = {name: fault for name, fault in whole.faults.items() if name in faults}
    for name, fault in kept.items():
        links = [link for link in fault.caused_by if link.fault in kept]
        kept[name] = fault.model_copy(update={"caused_by": links})
    return replace(whole, faults=MappingProxyType(kept))


def car(shape: str = "V6", km: float = 160_000.0, buried: Iterable[int] = (), **details: Any) -> CarFacts:
    return CarFacts(common_layout(shape, **details), km, frozenset(buried))


def counted(name: str, layout: EngineLayout, minutes: Mapping[Region, float], misfires: Mapping[int, int]) -> Counted:
    """A reading of all cylinders over these minutes at usual engine speeds."""
    firings = int(sum(layout.firings_per_minute(REVS_PER_MINUTE[region]) * t for region, t in minutes.items()))
    return Counted(
        name, dict(minutes), dict.fromkeys(layout.cylinders, firings), {n: misfires.get(n, 0) for n in layout.cylinders}
    )


def found(name: str, test: str, place: Place, outcome: str, sure: float = 1.0) -> Found:
    """A test that came out so; with `sure` below 1 the rest is spread over the other outcomes."""
    outcomes = [known.id for known in knowledge().tests[test].outcomes]
    rest = (1.0 - sure) / (len(outcomes) - 1)
    return Found(name, test, place, {known: sure if known == outcome else rest for known in outcomes})


def random_history(seed: int, facts: CarFacts, base: Knowledge, length: int) -> History:
    """A code, a reading, then what a shop may do, in any order: tests sure and unsure, swaps, new parts, repairs."""
    chance = np.random.default_rng(seed)
    layout = facts.layout
    suspect = int(chance.choice(layout.cylinders))
    happenings: list[Happening] = [
        Coded("code", frozenset({suspect}), "idle" if chance.random() < 0.5 else None),
        counted("first", layout, {"idle": 3.0}, {suspect: int(chance.integers(20, 900))}),
    ]
    for n in range(length):
        happenings.append(_any_step(f"h{n}", chance, facts, base, suspect))
    return tuple(happenings)


def _any_step(name: str, chance: np.random.Generator, facts: CarFacts, base: Knowledge, suspect: int) -> Happening:
    layout = facts.layout
    other = int(chance.choice([n for n in layout.cylinders if n != suspect]))
    part = str(chance.choice(["coil", "plug", "injector"]))
    kind = chance.choice(["count", "count", "test", "test", "test", "swap", "renew", "reseat", "repair"])
    if kind == "count":
        minutes: Mapping[Region, float] = {"idle": 2.0} if chance.random() < 0.6 else {"idle": 3.0, "load": 4.0}
        return counted(name, layout, minutes, {suspect: int(chance.choice([0, 3, 40, 400]))})
    if kind == "swap":
        return Moved(name, part, suspect, other)
    if kind == "renew":
        return Renewed(name, part, suspect)
    if kind == "reseat":
        return Reseated(name, part, suspect)
    if kind == "repair":
        repairs = [r for r in base.repairs.values() if any(cure.fault in base.faults for cure in r.cures)]
        repair = repairs[int(chance.integers(len(repairs)))]
        place = {"cylinder": cylinder(suspect), "bank": bank(layout.bank_of(suspect))}.get(repair.on, ENGINE)
        return Repaired(name, repair.id, place)
    shown = sorted({shows.test for fault in base.faults.values() for shows in fault.shows})
    test = base.tests[str(chance.choice(shown))]
    where = {"bank": bank(layout.bank_of(suspect)), "engine": ENGINE}.get(test.on, cylinder(suspect))
    outcome = str(chance.choice([o.id for o in test.outcomes]))
    return found(name, test.id, where, outcome, sure=0.8 if chance.random() < 0.5 else 0.97)
