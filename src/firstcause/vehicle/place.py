"""Where on the engine something is: the whole engine, a bank, a cylinder, or the joint between two cylinders."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Literal, Self

from firstcause.errors import RequestError
from firstcause.tongue import N_, _

PlaceKind = Literal["engine", "bank", "cylinder", "joint"]
KINDS = N_(("engine", "bank", "cylinder", "joint"))
_FORM = re.compile(r"^(?:(engine)|bank ([12])|cylinder (\d{1,2})|joint (\d{1,2})-(\d{1,2}))$")


@dataclass(frozen=True, order=True)
class Place:
    """A place in its written form: `engine`, `bank 1`, `cylinder 3`, `joint 3-4` (two neighbouring cylinders)."""

    kind: PlaceKind
    numbers: tuple[int, ...] = ()

    @classmethod
    def parse(cls, text: str) -> Self:
        """Read the written form; raises RequestError when it is none."""
        match = _FORM.match(text.strip().lower())
        if match is None:
            raise RequestError(
                f"{text!r} is not a place on an engine. Write 'engine', 'bank 1', 'cylinder 3' or 'joint 3-4'."
            )
        engine, bank, cylinder, first, second = match.groups()
        if engine:
            return cls("engine")
        if bank:
            return cls("bank", (int(bank),))
        if cylinder:
            return cls("cylinder", (int(cylinder),))
        return cls("joint", tuple(sorted((int(first), int(second)))))

    def said(self) -> str:
        """The place in the language spoken."""
        return _(self.kind) if self.kind == "engine" else f"{_(self.kind)} {'-'.join(map(str, self.numbers))}"

    def __str__(self) -> str:
        return self.kind if self.kind == "engine" else f"{self.kind} {'-'.join(map(str, self.numbers))}"


ENGINE = Place("engine")


def cylinder(number: int) -> Place:
    """The place of one cylinder."""
    return Place("cylinder", (number,))


def bank(number: int) -> Place:
    """The place of one bank."""
    return Place("bank", (number,))


def joint(first: int, second: int) -> Place:
    """The joint between two neighbouring cylinders."""
    return Place("joint", (min(first, second), max(first, second)))
