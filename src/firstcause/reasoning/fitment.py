"""Which part sits in which position at a moment: a swap is a new fitment, a replacement a fitment with a new part."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

from firstcause.errors import RequestError
from firstcause.knowledge.base import fits
from firstcause.knowledge.schema import PartKind
from firstcause.vehicle.layout import EngineLayout

Position = tuple[str, tuple[int, ...]]


@dataclass(frozen=True)
class Fitment:
    """The parts in their positions. A position is a kind of part and the cylinders it serves there.

    Serials: the kind and where the car brought it in at (`<kind>-3`); `<kind>-new-1` is the first new one fitted.
    """

    layout: EngineLayout
    kinds: Mapping[str, PartKind]
    sits: Mapping[Position, str]
    home: Mapping[str, Position]
    touched: frozenset[Position] = field(default=frozenset())

    @classmethod
    def as_brought_in(cls, layout: EngineLayout, kinds: Mapping[str, PartKind]) -> Fitment:
        """Every part at home."""
        here = {name: kind for name, kind in kinds.items() if fits(kind.fitted, layout)}
        sits = {
            position: f"{kind.id}-{'-'.join(map(str, position[1]))}"
            for kind in here.values()
            for position in _positions(kind, layout)
        }
        return cls(layout, here, sits, {serial: position for position, serial in sits.items()})

    def position(self, kind: str, cylinder: int) -> Position:
        """The position of this kind of part that serves the cylinder; raises RequestError if there is none."""
        self.layout.require(cylinder)
        for name, cylinders in self.sits:
            if name == kind and cylinder in cylinders:
                return (name, cylinders)
        known = ", ".join(sorted(self.kinds)) or "none"
        raise RequestError(f"This engine has no {kind!r} at cylinder {cylinder}; its parts are: {known}.")

    def at(self, kind: str, cylinder: int) -> str:
        """Serial of the part that serves the cylinder now."""
        return self.sits[self.position(kind, cylinder)]

    @cached_property
    def _seats(self) -> Mapping[str, Position]:
        return {serial: position for position, serial in self.sits.items()}

    def where(self, serial: str) -> Position | None:
        """Where a part sits now; None when it has left the car."""
        return self._seats.get(serial)

    def moved(self, kind: str, first: int, second: int) -> Fitment:
        """The fitment after two parts of one kind have changed places."""
        a, b = self.position(kind, first), self.position(kind, second)
        if a == b:
            raise RequestError(
                f"Cylinders {first} and {second} share one {kind}: there is nothing to swap. Choose another cylinder."
            )
        sits = {**self.sits, a: self.sits[b], b: self.sits[a]}
        return replace(self, sits=sits, touched=self.touched | {a, b})

    def renewed(self, kind: str, cylinder: int) -> Fitment:
        """The fitment after a new part has been fitted."""
        position = self.position(kind, cylinder)
        number = 1 + sum(serial.startswith(f"{kind}-new-") for serial in self.home)
        serial = f"{kind}-new-{number}"
        return replace(
            self,
            sits={**self.sits, position: serial},
            home={**self.home, serial: position},
            touched=self.touched | {position},
        )

    def is_new(self, serial: str) -> bool:
        """Whether the part was fitted in this case."""
        return "-new-" in serial

    def away_from_home(self) -> list[tuple[str, Position, Position]]:
        """Parts that came with the car and sit elsewhere now: (serial, where it is, where it belongs)."""
        return [
            (serial, position, self.home[serial])
            for position, serial in self.sits.items()
            if not self.is_new(serial) and self.home[serial] != position
        ]


def _positions(kind: PartKind, layout: EngineLayout) -> list[Position]:
    return [(kind.id, group) for group in layout.groups(kind.serves)]
