"""Which part sits in which position at a moment: a swap is a new fitment, a replacement a fitment with a new part."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cached_property

from firstcause.errors import RequestError
from firstcause.knowledge.base import fits
from firstcause.knowledge.schema import PartKind
from firstcause.reasoning.history import Origin
from firstcause.vehicle.layout import EngineLayout

Position = tuple[str, tuple[int, ...]]


@dataclass(frozen=True)
class Fitment:
    """The parts in their positions. A position is a kind of part and the cylinders it serves there.

    Serials: the kind and where the car brought it in at (`<kind>-3`); `<kind>-new-1` is the first new one fitted
    here, `<kind>-used-1` one from a scrapped car, `<kind>-lent-1` one from a car that runs well.
    """

    layout: EngineLayout
    kinds: Mapping[str, PartKind]
    sits: Mapping[Position, str]
    home: Mapping[str, Position]
    touched: frozenset[Position] = field(default=frozenset())
    beside: tuple[tuple[Position, str], ...] = ()
    """what came out of where, in order, and lies beside the car"""

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

    def renewed(self, kind: str, cylinder: int, origin: Origin = "new") -> Fitment:
        """The fitment after another part has been fitted; what was there lies beside the car.

        Raises RequestError when the car's own part is to go back in but none came out of there.
        """
        position = self.position(kind, cylinder)
        if origin == "its-own":
            return self._put_back(position)
        number = 1 + sum(serial.startswith(f"{kind}-{origin}-") for serial in self.home)
        serial = f"{kind}-{origin}-{number}"
        return replace(
            self,
            sits={**self.sits, position: serial},
            home={**self.home, serial: position},
            touched=self.touched | {position},
            beside=(*self.beside, (position, self.sits[position])),
        )

    def _put_back(self, position: Position) -> Fitment:
        out = [serial for place, serial in self.beside if place == position]
        if not out:
            raise RequestError(
                f"No {position[0]} has come out of cylinder {'-'.join(map(str, position[1]))}, so none of its own can "
                "go back in. Say where the part that was fitted comes from."
            )
        beside = tuple(entry for entry in self.beside if entry != (position, out[-1]))
        return replace(
            self,
            sits={**self.sits, position: out[-1]},
            touched=self.touched | {position},
            beside=(*beside, (position, self.sits[position])),
        )

    def is_new(self, serial: str) -> bool:
        """Whether the part was fitted in this case, new or not."""
        return any(f"-{origin}-" in serial for origin in ("new", "used", "lent"))

    def lent(self) -> list[tuple[str, Position]]:
        """Parts of another car that sit here now."""
        return [(serial, position) for position, serial in self.sits.items() if "-lent-" in serial]

    def away_from_home(self) -> list[tuple[str, Position, Position]]:
        """Parts that came with the car and sit elsewhere now: (serial, where it is, where it belongs)."""
        return [
            (serial, position, self.home[serial])
            for position, serial in self.sits.items()
            if not self.is_new(serial) and self.home[serial] != position
        ]


def _positions(kind: PartKind, layout: EngineLayout) -> list[Position]:
    return [(kind.id, group) for group in layout.groups(kind.serves)]
