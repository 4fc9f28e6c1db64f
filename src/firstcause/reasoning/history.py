"""What happened to a car, in order: counts read, things found, parts moved and renewed, repairs done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal, TypeAlias

from firstcause.vehicle.layout import EngineLayout
from firstcause.vehicle.place import Place

Region = Literal["cold-start", "idle", "cruise", "load"]
REGIONS: tuple[Region, ...] = ("cold-start", "idle", "cruise", "load")


@dataclass(frozen=True)
class CarFacts:
    """What the reasoning needs to know of the car: its engine, its distance, and which banks are hard to reach."""

    layout: EngineLayout
    distance_km: float
    buried_banks: frozenset[int] = frozenset()

    def is_buried(self, place: Place) -> bool:
        """Whether work at this place is under the intake or against the bulkhead."""
        if place.kind == "bank":
            return place.numbers[0] in self.buried_banks
        return any(self.layout.bank_of(number) in self.buried_banks for number in place.numbers)


@dataclass(frozen=True)
class Answered:
    """A question about the story was answered with yes."""

    id: str
    answer: str


@dataclass(frozen=True)
class Coded:
    """The car stored a misfire code: these cylinders, first detected in this region if a freeze frame tells."""

    id: str
    cylinders: frozenset[int]
    region: Region | None = None


@dataclass(frozen=True)
class Counted:
    """Misfires counted, cylinder by cylinder, over a stated number of ignition events and minutes by region.

    `misfires` and `firings` have a cylinder as key; a cylinder that is absent was not read.
    """

    id: str
    minutes: Mapping[Region, float]
    firings: Mapping[int, int]
    misfires: Mapping[int, int]


def still_misfires(misfires: int, firings: int) -> bool:
    """Whether a count is more than the stray ones of a healthy cylinder: over 3, and over 2 in 1,000. Judgement."""
    return misfires > max(3.0, 0.002 * firings)


@dataclass(frozen=True)
class Found:
    """A test came out one way at a place; `weights` is the likelihood of what was seen under each outcome.

    A sure finding has weight 1 on one outcome and 0 on the others; an unsure one spreads.
    """

    id: str
    test: str
    place: Place
    weights: Mapping[str, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Moved:
    """Two parts of one kind changed places."""

    id: str
    part: str
    first: int
    second: int


@dataclass(frozen=True)
class Renewed:
    """A new part was fitted."""

    id: str
    part: str
    cylinder: int


@dataclass(frozen=True)
class Reseated:
    """A part was taken off and put back where it was."""

    id: str
    part: str
    cylinder: int


@dataclass(frozen=True)
class Repaired:
    """A repair of a place was done."""

    id: str
    repair: str
    place: Place


Happening: TypeAlias = Answered | Coded | Counted | Found | Moved | Renewed | Reseated | Repaired
History: TypeAlias = tuple[Happening, ...]
