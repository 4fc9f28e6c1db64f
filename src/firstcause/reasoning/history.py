"""What happened to a car, in order: counts read, things found, parts moved and renewed, repairs done."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal, TypeAlias

from firstcause.vehicle.layout import EngineLayout
from firstcause.vehicle.place import Place

Region: TypeAlias = str
"""Id of a condition under which the pack watches its complaint."""


@dataclass(frozen=True)
class CarFacts:
    """What the reasoning needs to know of the car: its engine, its distance, and which banks are hard to reach."""

    layout: EngineLayout
    distance_km: float
    buried_banks: frozenset[int] = frozenset()

    @cached_property
    def engine(self) -> str:
        """The engine and what of it is hard to reach, in one word: what is worked out for it is kept under this."""
        return f"{self.layout!r} {sorted(self.buried_banks)}"

    def is_buried(self, place: Place) -> bool:
        """Whether work at this place is under the intake or against the bulkhead."""
        if not self.buried_banks:
            return False
        if place.kind == "bank":
            return place.numbers[0] in self.buried_banks
        return any(self.layout.bank_of(number) in self.buried_banks for number in place.numbers)


@dataclass(frozen=True)
class Answered:
    """A question about the story was answered with yes."""

    id: str
    answer: str


@dataclass(frozen=True)
class Reported:
    """What others have published about such cars: the odds of each of these faults are multiplied by `ratio`."""

    id: str
    faults: frozenset[str]
    ratio: float


@dataclass(frozen=True)
class Coded:
    """The car stored a code of the complaint: on these units, first seen in this region if a freeze frame tells."""

    id: str
    units: frozenset[int]
    region: Region | None = None


@dataclass(frozen=True)
class Counted:
    """The complaint counted: how many were bad out of how many, unit by unit, and what was watched by region.

    `watched` is in the measure of the pack (minutes, starts). `out_of` and `bad` have a unit as key (the number of a
    cylinder or bank; 1 is the engine); a unit that is absent was not read.
    """

    id: str
    watched: Mapping[Region, float]
    out_of: Mapping[int, int]
    bad: Mapping[int, int]


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


Origin: TypeAlias = Literal["new", "used", "lent", "its-own"]
"""Where a part that goes in comes from: the shelf, a scrapped car, a car that runs well, or it came out of here."""


@dataclass(frozen=True)
class Renewed:
    """Another part was fitted."""

    id: str
    part: str
    cylinder: int
    origin: Origin = "new"


@dataclass(frozen=True)
class Driven:
    """The car was away and has come back with this on its odometer, km."""

    id: str
    odometer_km: float


@dataclass(frozen=True)
class Returned:
    """The case had been closed, and the car is back with the lamp on or the complaint."""

    id: str


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


Happening: TypeAlias = (
    Answered | Reported | Coded | Counted | Driven | Found | Moved | Renewed | Reseated | Returned | Repaired
)
History: TypeAlias = tuple[Happening, ...]

TOLD_OF_THE_CAR = (Answered, Reported)
"""What changes how frequent a fault is before any finding."""
