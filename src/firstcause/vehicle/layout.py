"""The engine as an arrangement: cylinders, banks, firing order, what is shared and who is whose neighbour."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import Literal

from firstcause.errors import RequestError

Arrangement = Literal["inline", "vee", "flat"]
Ignition = Literal["coil-on-plug", "waste-spark", "distributor"]
Injection = Literal["port", "direct", "single-point"]
Metering = Literal["air-flow-meter", "manifold-pressure"]
Induction = Literal["natural", "turbo"]
TimingDrive = Literal["chain", "belt"]
Served = Literal["cylinder", "coil-group", "bank", "engine"]


class ImpossibleLayout(RequestError):
    """The engine as described cannot exist."""

    def __init__(self, why: str) -> None:
        self.why = why
        super().__init__(f"This engine layout cannot be: {why}. Correct the layout and try again.")


@dataclass(frozen=True)
class EngineLayout:
    """How an engine is laid out; 2 to 12 cylinders, four-stroke, petrol.

    `banks` lists, for each bank, its cylinder numbers from the front of the engine (the end
    opposite the flywheel) to the rear. `firing_order` names every cylinder once. `coil_groups`
    names the cylinders that one coil serves; left empty it follows from `ignition`: one coil a
    cylinder for coil-on-plug, companion pairs for waste-spark, one coil for all with a distributor.

    Raises ImpossibleLayout when the numbers contradict each other.
    """

    arrangement: Arrangement
    banks: tuple[tuple[int, ...], ...]
    firing_order: tuple[int, ...]
    ignition: Ignition = "coil-on-plug"
    injection: Injection = "port"
    metering: Metering = "air-flow-meter"
    induction: Induction = "natural"
    timing_drive: TimingDrive = "chain"
    deactivation: bool = False
    displacement_l: float = 2.0
    compression_ratio: float = 10.0
    coil_groups: tuple[tuple[int, ...], ...] = field(default=())

    def __post_init__(self) -> None:
        numbers = [number for bank in self.banks for number in bank]
        if not 2 <= len(numbers) <= 12:
            raise ImpossibleLayout(f"{len(numbers)} cylinders; this tool knows 2 to 12")
        if sorted(numbers) != list(range(1, len(numbers) + 1)):
            raise ImpossibleLayout(f"cylinders must be numbered 1 to {len(numbers)} once each, got {sorted(numbers)}")
        if sorted(self.firing_order) != sorted(numbers):
            raise ImpossibleLayout(f"firing order {self.firing_order} does not name each of {len(numbers)} once")
        if (self.arrangement == "inline") != (len(self.banks) == 1):
            raise ImpossibleLayout(f"{self.arrangement} with {len(self.banks)} bank(s)")
        if len(self.banks) > 2:
            raise ImpossibleLayout(f"{len(self.banks)} banks; this tool knows one or two")
        if not self.displacement_l > 0 or not self.compression_ratio > 1:
            raise ImpossibleLayout("displacement must be above 0 litres and compression ratio above 1")
        if not self.coil_groups:
            object.__setattr__(self, "coil_groups", self._coil_groups_by_ignition())
        elif sorted(number for group in self.coil_groups for number in group) != sorted(numbers):
            raise ImpossibleLayout("coil groups must name each cylinder once")

    def _coil_groups_by_ignition(self) -> tuple[tuple[int, ...], ...]:
        if self.ignition == "coil-on-plug":
            return tuple((number,) for number in self.cylinders)
        if self.ignition == "distributor":
            return (self.cylinders,)
        if self.count % 2:
            raise ImpossibleLayout(f"waste spark needs an even number of cylinders, not {self.count}")
        half = self.count // 2
        return tuple(tuple(sorted((self.firing_order[i], self.firing_order[i + half]))) for i in range(half))

    @cached_property
    def cylinders(self) -> tuple[int, ...]:
        """Cylinder numbers, ascending."""
        return tuple(sorted(number for bank in self.banks for number in bank))

    @property
    def count(self) -> int:
        return len(self.cylinders)

    def require(self, cylinder: int) -> int:
        """The cylinder itself, if this engine has it; raises RequestError otherwise."""
        if cylinder not in self.cylinders:
            raise RequestError(
                f"This engine has cylinders 1 to {self.count}; there is no cylinder {cylinder}. Nothing was recorded."
            )
        return cylinder

    def bank_of(self, cylinder: int) -> int:
        """Bank number, 1 or 2."""
        self.require(cylinder)
        return next(n for n, bank in enumerate(self.banks, start=1) if cylinder in bank)

    def neighbours(self, cylinder: int) -> tuple[int, ...]:
        """The cylinders beside this one in the same block face: they share a stretch of head gasket."""
        bank = self.banks[self.bank_of(cylinder) - 1]
        at = bank.index(cylinder)
        return tuple(bank[i] for i in (at - 1, at + 1) if 0 <= i < len(bank))

    def companion(self, cylinder: int) -> int | None:
        """The cylinder whose piston moves with this one, half a cycle away; None for odd counts."""
        if self.count % 2:
            return None
        at = self.firing_order.index(self.require(cylinder))
        return self.firing_order[(at + self.count // 2) % self.count]

    def shares_coil_with(self, cylinder: int) -> tuple[int, ...]:
        """The other cylinders fired by the same coil."""
        group = next(g for g in self.coil_groups if self.require(cylinder) in g)
        return tuple(number for number in group if number != cylinder)

    def related(self, cylinder: int) -> frozenset[int]:
        """The cylinder, its companion, its neighbours and those that share a coil with it."""
        companion = self.companion(cylinder)
        others = (*self.neighbours(cylinder), *self.shares_coil_with(cylinder))
        return frozenset((cylinder, *others, *(() if companion is None else (companion,))))

    def groups(self, of: Served) -> tuple[tuple[int, ...], ...]:
        """The cylinders taken one by one, by coil, by bank, or all together."""
        if of == "cylinder":
            return tuple((number,) for number in self.cylinders)
        if of == "bank":
            return self.banks
        return self.coil_groups if of == "coil-group" else (self.cylinders,)

    def firings_per_minute(self, rpm: float) -> float:
        """Ignition events of one cylinder a minute: half the crankshaft speed in a four-stroke."""
        return rpm / 2


_SHAPES: dict[str, tuple[Arrangement, tuple[tuple[int, ...], ...], tuple[int, ...]]] = {
    # Firing orders: common practice, no source; makers number and fire differently, so state the car's own.
    "I2": ("inline", ((1, 2),), (1, 2)),
    "I3": ("inline", ((1, 2, 3),), (1, 3, 2)),
    "I4": ("inline", ((1, 2, 3, 4),), (1, 3, 4, 2)),
    "I5": ("inline", ((1, 2, 3, 4, 5),), (1, 2, 4, 5, 3)),
    "I6": ("inline", ((1, 2, 3, 4, 5, 6),), (1, 5, 3, 6, 2, 4)),
    "I8": ("inline", ((1, 2, 3, 4, 5, 6, 7, 8),), (1, 6, 2, 5, 8, 3, 7, 4)),
    "V4": ("vee", ((1, 2), (3, 4)), (1, 3, 4, 2)),
    "V6": ("vee", ((1, 3, 5), (2, 4, 6)), (1, 2, 3, 4, 5, 6)),
    "V8": ("vee", ((1, 3, 5, 7), (2, 4, 6, 8)), (1, 8, 4, 3, 6, 5, 7, 2)),
    "V10": ("vee", ((1, 2, 3, 4, 5), (6, 7, 8, 9, 10)), (1, 6, 5, 10, 2, 7, 3, 8, 4, 9)),
    "V12": ("vee", ((1, 2, 3, 4, 5, 6), (7, 8, 9, 10, 11, 12)), (1, 7, 5, 11, 3, 9, 6, 12, 2, 8, 4, 10)),
    "F2": ("flat", ((1,), (2,)), (1, 2)),
    "F4": ("flat", ((1, 3), (2, 4)), (1, 3, 2, 4)),
    "F6": ("flat", ((1, 2, 3), (4, 5, 6)), (1, 6, 2, 4, 3, 5)),
}


def common_shapes() -> tuple[str, ...]:
    """The short names that `common_layout` knows."""
    return tuple(_SHAPES)


def common_layout(shape: str, **details: object) -> EngineLayout:
    """A layout by its common short name (I4, V6, F4 …) with any field of EngineLayout overridden.

    Raises RequestError for a name that is not in the table.
    """
    if shape not in _SHAPES:
        known = ", ".join(_SHAPES)
        raise RequestError(f"No common layout is called {shape!r}; known: {known}. Or describe it in full.")
    arrangement, banks, firing_order = _SHAPES[shape]
    fields: dict[str, object] = {"arrangement": arrangement, "banks": banks, "firing_order": firing_order, **details}
    return EngineLayout(**fields)  # type: ignore[arg-type]
