"""What a test or a repair at a place takes: its own minutes, and all openings it needs; looked up once an engine."""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from dataclasses import dataclass

from firstcause.knowledge.base import Knowledge
from firstcause.knowledge.schema import Access, RepairEntry, TestEntry
from firstcause.reasoning.history import CarFacts
from firstcause.vehicle.place import Place, bank


@dataclass(frozen=True, slots=True)
class Job:
    """Minutes of the work itself, and of each opening it needs (putting it back included)."""

    minutes: float
    openings: Mapping[str, float]
    opens: tuple[str, ...]
    """names of the openings, in order of the alphabet"""

    def minutes_with(self, standing: Container[str]) -> float:
        """The minutes it takes with so much standing open."""
        return self.minutes + sum(minutes for name, minutes in self.openings.items() if name not in standing)


def job_of(knowledge: Knowledge, entry: TestEntry | RepairEntry, place: Place, car: CarFacts) -> Job:
    """The job of a test or a repair at a place. Kept with the knowledge, for an engine asks for the same again."""
    kept: dict[tuple[bool, str, Place], Job] = knowledge.worked_out.setdefault(("jobs", car.engine), {})
    key = (isinstance(entry, TestEntry), entry.id, place)
    if key not in kept:
        buried = isinstance(entry, RepairEntry) and car.is_buried(place)
        minutes = entry.minutes_buried if buried and isinstance(entry, RepairEntry) else entry.minutes
        needed = openings(knowledge, entry.access, place, car)
        kept[key] = Job(minutes, needed, tuple(sorted(needed)))
    return kept[key]


def access_name(access: Access, place: Place, car: CarFacts) -> str:
    """Name of one opening: per engine, per bank or per cylinder."""
    if access.per == "engine" or place.kind == "engine":
        return access.id
    if access.per == "bank":
        number = place.numbers[0] if place.kind == "bank" else car.layout.bank_of(place.numbers[0])
        return f"{access.id} {bank(number)}"
    return f"{access.id} {place}"


def openings(knowledge: Knowledge, wanted: Iterable[str], place: Place, car: CarFacts) -> dict[str, float]:
    """All that must be open for a job at a place, with the minutes each takes (and putting it back)."""
    found: dict[str, float] = {}
    queue = list(wanted)
    while queue:
        access = knowledge.access[queue.pop()]
        found[access_name(access, place, car)] = access.minutes_buried if car.is_buried(place) else access.minutes
        queue += access.needs
    return found
