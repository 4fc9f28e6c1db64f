"""The bench beside the car: what every instrument and every pair of eyes shares, with noise and misreading."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from math import exp

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import RequestError
from firstcause.virtualcar.cranking import WARM_OIL_C, CrankingRecord, crank
from firstcause.virtualcar.engine import Burnt, geometry_of
from firstcause.virtualcar.faults import Condition
from firstcause.virtualcar.gas import CylinderGeometry
from firstcause.virtualcar.places import CylinderState
from firstcause.virtualcar.trims import FuelTrim

Shown = float | str | tuple[str, ...]
Series = Mapping[str, NDArray[np.float64]]

CRANKING_RPM, CRANKING_V = 200.0, 12.4


@dataclass(frozen=True)
class Slips:
    """How often people misread, as chances. Rates of good technicians: judgement; none by default.

    look: one look taken for another that resembles it; miss: a sign not noticed; ghost: a sign that is not there;
    number: a gauge read wrong by a tenth.
    """

    look: float = 0.0
    miss: float = 0.0
    ghost: float = 0.0
    number: float = 0.0

    def __post_init__(self) -> None:
        for name in ("look", "miss", "ghost", "number"):
            if not 0 <= getattr(self, name) < 1:
                raise RequestError(
                    f"A misreading rate must lie from 0 to below 1; {name} is {getattr(self, name)}. Nothing was set."
                )


NO_SLIPS = Slips()
USUAL_SLIPS = Slips(look=0.04, miss=0.06, ghost=0.01, number=0.01)


@dataclass(frozen=True)
class Finding:
    """What a test showed: `outcome` one word for it, `values` with units in their names, `words` for people.

    `series`: a recording, by channel with its unit in the name, when the instrument records one.
    """

    test: str
    cylinder: int | None
    outcome: str
    values: Mapping[str, Shown]
    words: str
    series: Series | None = None


@dataclass
class Workshop:
    """A bench of instruments beside one car. The car keeps levels, trims, heat and the last idle up to date."""

    condition: Condition
    rng: np.random.Generator
    noise: float = 1.0
    slips: Slips = NO_SLIPS
    oil_level_share: float = 1.0
    coolant_level_share: float = 1.0
    coolant_c: float = 18.0
    coil_c: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    seat: NDArray[np.float64] = field(default_factory=lambda: np.zeros(0))
    trims: Sequence[FuelTrim] = ()
    idle: Burnt | None = None
    idle_rpm: float = 0.0
    unplugged: frozenset[int] = frozenset()

    # ---- reading ------------------------------------------------------------------------------------------------

    def noisy(self, value: float, share: float) -> float:
        """A reading with noise as a share of itself, now and then misread by a tenth."""
        shown = value * (1 + self.noise * share * float(self.rng.standard_normal()))
        return self._misread(shown)

    def noisy_by(self, value: float, deviation: float) -> float:
        """A reading with noise of a fixed size, now and then misread by a tenth."""
        return self._misread(value + self.noise * deviation * float(self.rng.standard_normal()))

    def _misread(self, value: float) -> float:
        if self.slips.number and self.rng.random() < self.slips.number:
            return value * (0.9 if self.rng.random() < 0.5 else 1.1)
        return value

    def judged(self, seen: str, *resembling: str) -> str:
        """What somebody says who looks: the thing itself, or at a stated rate one that resembles it."""
        if resembling and self.slips.look and self.rng.random() < self.slips.look:
            return resembling[int(self.rng.integers(len(resembling)))]
        return seen

    def noticed(self, present: Sequence[str], possible: Sequence[str] = ()) -> tuple[str, ...]:
        """Signs somebody notices: each present one unless missed, each other possible one at the ghost rate."""
        said = [sign for sign in present if not (self.slips.miss and self.rng.random() < self.slips.miss)]
        for sign in possible:
            if sign not in present and self.slips.ghost and self.rng.random() < self.slips.ghost:
                said.append(sign)
        return tuple(said)

    def is_noticed(self, present: bool) -> bool:
        """Whether somebody says yes to one sign."""
        return bool(self.noticed(("it",) if present else (), ("it",)))

    # ---- the car's state ----------------------------------------------------------------------------------------

    def state(self, cylinder: int | None) -> CylinderState:
        assert cylinder is not None
        return self.condition.cylinders[cylinder]

    def paths_mm2(self, cylinder: int) -> dict[str, float]:
        """Where the cylinder leaks, and how much now: effective areas by the place where the air comes out."""
        state = self.condition.cylinders[cylinder]
        seat = float(self.seat[cylinder - 1]) if len(self.seat) else 0.0
        paths = {
            "oil-filler": state.ring_leak_mm2,
            "tailpipe": state.exhaust_leak_mm2 * exp(seat),
            "intake": state.intake_leak_mm2,
            "header-tank": 0.02 * state.coolant_seep_ml_night,
        }
        for neighbour, size in state.gasket_leaks_mm2.items():
            paths[f"plug-hole-{neighbour}"] = size
        if state.thread_leak_mm2 > 0:
            paths["plug-thread"] = state.thread_leak_mm2
        return paths

    def geometry(self, cylinder: int) -> CylinderGeometry:
        """Geometry of one cylinder; a bent rod leaves more room above the piston."""
        base = geometry_of(self.condition)
        room = base.clearance_cm3 + np.pi / 4 * base.bore_mm**2 * self.state(cylinder).height_lost_mm / 1000
        return CylinderGeometry(
            base.bore_mm, base.stroke_mm, base.rod_mm, base.displaced_cm3 / room + 1, base.intake_closes_deg_abdc
        )

    def battery_v(self) -> float:
        """At rest; a charging fault has drained it."""
        return min(12.6, self.condition.shared.supply_v - 1.4)

    def crank(self, battery_v: float, oil_c: float = WARM_OIL_C) -> CrankingRecord:
        """The starter turns the whole engine, plugs in, without fuel and spark."""
        layout = self.condition.layout
        leaks = {n: sum(self.paths_mm2(n).values()) for n in layout.cylinders}
        return crank(layout, {n: self.geometry(n) for n in layout.cylinders}, leaks, battery_v, oil_c)

    def cranking_rpm(self) -> float:
        """Compression gauge: all plugs out, starter on a battery that may be weak."""
        return CRANKING_RPM * min(1.0, max(0.3, self.battery_v() / CRANKING_V))

    def missed_share(self, cylinder: int) -> float:
        """Chance of a misfire of that cylinder in the last moments of idle."""
        return 0.0 if self.idle is None else float(self.idle.chance[cylinder - 1])

    def work_share(self, cylinder: int) -> float:
        """What that cylinder gave in the last moments of idle, of what a sound one gives: firings missed, work lost."""
        if cylinder in self.unplugged:
            return 0.0
        lifted = self.state(cylinder).lift_share
        whole = self.idle is None or self.idle.work is None
        of_a_firing = lifted if whole else float(self.idle.work[cylinder - 1])  # type: ignore[union-attr, index]
        return max(0.0, (1 - self.missed_share(cylinder)) * of_a_firing)


@dataclass(frozen=True)
class Test:
    """One thing that can be looked at or measured: needs a cylinder or not; engine running, off, or no matter."""

    perform: Callable[..., Finding]
    needs_cylinder: bool
    running: bool | None
    what: str
