"""One published record, and a line that could not be read as one."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

Kind = Literal["recall", "bulletin", "complaint", "investigation"]
KINDS: tuple[Kind, ...] = ("recall", "bulletin", "complaint", "investigation")


@dataclass(frozen=True, slots=True)
class Record:
    """What was published about one make, model and year. `key` is unique within its kind.

    `years` are the first and last model year, None where the record names none. `units` is how many cars a recall may
    concern, `distance_km` how far a complaint's car had gone; `until_km` and `until` are limits of a goodwill or
    extended cover where one is named. Complaints are what owners said: nobody has verified them.
    """

    kind: Kind
    key: str
    number: str
    make: str
    model: str
    years: tuple[int, int] | None
    component: str
    text: str
    published: date | None = None
    engine: str = ""
    built: tuple[date | None, date | None] = (None, None)
    units: int | None = None
    distance_km: float | None = None
    until: date | None = None
    until_km: float | None = None


@dataclass(frozen=True, slots=True)
class Damaged:
    """A line that was set aside: where it stands, what is wrong, and the line itself."""

    line: int
    why: str
    raw: str
