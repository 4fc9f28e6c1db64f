"""Readings that say the same with nothing changed in between, taken as one: the same evidence is not counted twice."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TypeVar

from firstcause.knowledge.model_numbers import Complaint
from firstcause.reasoning.history import (
    Counted,
    Driven,
    Happening,
    History,
    Moved,
    Region,
    Renewed,
    Repaired,
    Reseated,
    Returned,
)

K = TypeVar("K")
V = TypeVar("V", int, float)


@dataclass(frozen=True)
class Reading:
    """Readings that say the same, taken as one: `runs` are the exposures in which a fault had a chance to show."""

    id: str
    runs: tuple[Mapping[Region, float], ...]
    out_of: Mapping[int, int]
    bad: Mapping[int, int]
    is_quiet: bool

    def with_another(self, other: Counted) -> Reading:
        """Two readings as one: quiet runs stay runs of their own, those with the complaint are one long run."""
        runs = (*self.runs, other.watched) if self.is_quiet else (_summed(self.runs[0], other.watched),)
        return replace(self, runs=runs, out_of=_summed(self.out_of, other.out_of), bad=_summed(self.bad, other.bad))


def _is_quiet(happening: Counted, complaint: Complaint) -> bool:
    return not any(complaint.is_seen(count, happening.out_of.get(unit, 0)) for unit, count in happening.bad.items())


def readings_joined(history: History, complaint: Complaint) -> list[Happening | Reading]:
    """Readings in the same regions that say the same, with nothing changed in between, become one.

    A fault that was at work in one reading with the complaint is at work in the next: taken as independent they would
    count the same evidence twice. Quiet readings each gave a fault its chance to show; one reading of many runs says
    just that.
    The joined reading has the id of the first.
    """
    joined: list[Happening | Reading] = []
    since_change: dict[tuple[frozenset[Region], bool], int] = {}
    for happening in history:
        if isinstance(happening, Driven | Moved | Renewed | Reseated | Repaired | Returned):
            since_change.clear()
        if not isinstance(happening, Counted):
            joined.append(happening)
            continue
        quiet = _is_quiet(happening, complaint)
        reading = Reading(happening.id, (happening.watched,), happening.out_of, happening.bad, quiet)
        regions = frozenset(region for region, watched in happening.watched.items() if watched > 0)
        at = since_change.setdefault((regions, reading.is_quiet), len(joined))
        if at == len(joined):
            joined.append(reading)
        else:
            earlier = joined[at]
            assert isinstance(earlier, Reading)
            joined[at] = earlier.with_another(happening)
    return joined


def _summed(first: Mapping[K, V], second: Mapping[K, V]) -> dict[K, V]:
    return {key: first.get(key, 0) + second.get(key, 0) for key in {**first, **second}}
