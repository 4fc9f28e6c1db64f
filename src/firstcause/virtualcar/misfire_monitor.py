"""The misfire monitor's counting rules: windows of 200 and 1000 revolutions, levels, exceedances, which code."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from firstcause.vehicle.layout import EngineLayout
from firstcause.virtualcar.crankshaft import Segments, noise_share, pulse_of, slowing

Counts = NDArray[np.int64]
Level = Literal["catalyst", "emission"]

CATALYST_REVOLUTIONS, EMISSION_REVOLUTIONS = 200, 1000  # 13 CCR 1968.2(e)(3.2.1), (3.2.2) [M]
CATALYST_FLOOR_PERCENT, EMISSION_FLOOR_PERCENT = 5.0, 1.0  # same paragraphs [M]
FIRST_REVOLUTIONS_SKIPPED = 2  # monitored from the end of the second revolution: (e)(3.3.1) [M]
POSITIVE_TORQUE_LOAD = 0.08  # below this the engine is driven by the car: judgement
WEDGE_FROM_RPM, REDLINE_RPM, WEDGE_LOAD = 3000.0, 6500.0, 0.152  # 4 inHg as a share of load: 13.5 kPa of 89
RECOIL_SHARE = 0.5  # judgement
STEP_SCATTER = (
    1.83  # of a step less its trend, when each segment scatters by 1 (computed with 2 million normal deviates)
)
TREND_REACH = 2  # segments to each side, of which the median is the trend (reference 4.6: 3-5 neighbours)
SINGLE_CYLINDER_SHARE, MULTIPLE_SHARE = 0.90, 0.10  # (e)(3.1.3) [R 1]


@dataclass(frozen=True)
class MisfireSettings:
    """The maker's calibration. Levels are the maker's to choose above the floors; these are judgement.

    `catalyst_idle_percent` falls linearly to `catalyst_loaded_percent` at 4000 rpm or full load.
    """

    catalyst_idle_percent: float = 22.0
    catalyst_loaded_percent: float = 9.0
    emission_percent: float = 2.0
    catalyst_exceedances: int = 3  # in the region of the certification cycle; once elsewhere: (e)(3.4.1)(A)(i) [R 1]
    emission_exceedances: int = 4  # after the first 1000 revolutions: (e)(3.4.2)(B) [M]
    certified_rpm: float = 3500.0  # the region met in the certification cycle: judgement
    certified_load_percent: float = 70.0
    first_code: bool = False  # store P0316 beside the cylinder code when it was in the first 1000 revolutions

    def catalyst_level_percent(self, rpm: float, load_percent: float) -> float:
        """Misfire level at which the catalyst suffers, never below the 5 % floor."""
        stress = min(1.0, max((rpm - 800) / 3200, (load_percent - 25) / 75, 0.0))
        level = self.catalyst_idle_percent + (self.catalyst_loaded_percent - self.catalyst_idle_percent) * stress
        return max(CATALYST_FLOOR_PERCENT, level)

    @property
    def emission_level_percent(self) -> float:
        return max(EMISSION_FLOOR_PERCENT, self.emission_percent)


@dataclass(frozen=True)
class Exceedance:
    """A window whose misfire share was above its level."""

    level: Level
    percent: float
    in_first_1000: bool
    in_certified_region: bool
    by_cylinder: tuple[int, ...]
    rpm: float
    load_percent: float


@dataclass
class _Window:
    """One running block of revolutions with means of speed and load."""

    length: int
    revolutions: float = 0.0
    by_cylinder: Counts = field(default_factory=lambda: np.zeros(0, np.int64))
    rpm_sum: float = 0.0
    load_sum: float = 0.0

    def restart(self, cylinders: int) -> None:
        self.revolutions = self.rpm_sum = self.load_sum = 0.0
        self.by_cylinder = np.zeros(cylinders, np.int64)


class MisfireWindows:
    """Counts per cycle; feed it steps of any length, it cuts them at the window's edges."""

    def __init__(self, cylinders: int, settings: MisfireSettings):
        self.cylinders, self.settings = cylinders, settings
        self.start_cycle()

    def start_cycle(self) -> None:
        """A driving cycle begins: all windows and counts at zero."""
        self.since_start = 0.0
        self.this_cycle = np.zeros(self.cylinders, np.int64)
        self._catalyst, self._emission = _Window(CATALYST_REVOLUTIONS), _Window(EMISSION_REVOLUTIONS)
        self._catalyst.restart(self.cylinders)
        self._emission.restart(self.cylinders)
        self.last_catalyst_percent: float | None = None

    def add(self, revolutions: float, misfires: Counts, rpm: float, load_percent: float) -> list[Exceedance]:
        """Monitored revolutions with the misfires detected in them, per cylinder; returns the windows exceeded."""
        if self.since_start < FIRST_REVOLUTIONS_SKIPPED:
            skipped = min(revolutions, FIRST_REVOLUTIONS_SKIPPED - self.since_start)
            misfires = misfires - _share(misfires, skipped / revolutions)
            self.since_start += skipped
            revolutions -= skipped
        self.this_cycle = self.this_cycle + misfires
        found: list[Exceedance] = []
        for window in (self._catalyst, self._emission):
            left, counts, passed = revolutions, misfires, self.since_start
            while left > 0:
                take = min(left, window.length - window.revolutions)
                part = _share(counts, take / left)
                window.revolutions += take
                window.by_cylinder = window.by_cylinder + part
                window.rpm_sum += rpm * take
                window.load_sum += load_percent * take
                left, counts, passed = left - take, counts - part, passed + take
                if window.length - window.revolutions < 1e-6:
                    found += self._close(window, passed)
        self.since_start += revolutions
        return found

    def _close(self, window: _Window, passed: float) -> list[Exceedance]:
        rpm, load = window.rpm_sum / window.length, window.load_sum / window.length
        firings = window.length * self.cylinders / 2
        percent = 100 * float(window.by_cylinder.sum()) / firings
        catalyst = window is self._catalyst
        settings = self.settings
        level = settings.catalyst_level_percent(rpm, load) if catalyst else settings.emission_level_percent
        if catalyst:
            self.last_catalyst_percent = percent
        counts = tuple(int(count) for count in window.by_cylinder)
        window.restart(self.cylinders)
        if percent < level:
            return []
        certified = rpm <= settings.certified_rpm and load <= settings.certified_load_percent
        first = passed <= EMISSION_REVOLUTIONS + FIRST_REVOLUTIONS_SKIPPED + 1e-6
        return [Exceedance("catalyst" if catalyst else "emission", percent, first, certified, counts, rpm, load)]


def codes_for(by_cylinder: tuple[int, ...] | Counts) -> tuple[str, ...]:
    """Which codes a pattern of counts stores; element i is cylinder i + 1.

    More than 90 % in one cylinder: that cylinder's code. Otherwise the multiple code P0300, and with it the
    code of each cylinder that holds more than 10 % (allowed, and usual: common practice, no source).

    Source: 13 CCR 1968.2(e)(3.1.3), text of 2007, read; code numbers SAE J2012 (from memory).
    """
    total = int(sum(by_cylinder))
    if total == 0:
        return ()
    shares = [count / total for count in by_cylinder]
    if max(shares) > SINGLE_CYLINDER_SHARE:
        return (f"P03{shares.index(max(shares)) + 1:02d}",)
    return ("P0300", *(f"P03{at + 1:02d}" for at, share in enumerate(shares) if share > MULTIPLE_SHARE))


def is_monitored(rpm: float, load: float) -> bool:
    """Whether misfire must be watched at this speed and load (a share): positive torque, less a wedge at high speed.

    Not below the positive-torque line, nor below the line from 3000 rpm on it to redline at 4 inHg less vacuum.
    Source: 13 CCR 1968.2(e)(3.3.1)(C) [M]; the line itself and redline are the maker's: judgement.
    """
    wedge = WEDGE_LOAD * max(0.0, rpm - WEDGE_FROM_RPM) / (REDLINE_RPM - WEDGE_FROM_RPM)
    return rpm > 0 and load >= POSITIVE_TORQUE_LOAD + wedge


class Detector:
    """Finds misfires in segment times: a segment that grows by more than the map allows is counted for its cylinder.

    The general published form: differences of segment durations, less the trend of their neighbours, against a
    threshold that is a share of what a misfire does at this speed and load, and never inside the noise. So it has
    blind spots (high speed, many cylinders, all firings lost) and false counts (rough road, unlearned wheel, recoil).
    """

    def __init__(self, layout: EngineLayout, threshold_share: float = 0.35, threshold_sigma: float = 4.5):
        self.layout, self.threshold_share, self.threshold_sigma = layout, threshold_share, threshold_sigma
        self._gain = pulse_of(layout)[1]
        self.settle()

    def settle(self) -> None:
        """Fuel is cut: the next segments are compared with an even crankshaft."""
        self._last = 0.0
        self._growth, self._cylinder = np.zeros(2 * TREND_REACH), np.ones(2 * TREND_REACH, np.int64)
        self._before = np.zeros(self.layout.count - 1)  # steps just before, trend taken off

    def threshold(self, rpm: float, manifold_kpa: float) -> float:
        """Growth of the segment time, as a share, from which it counts; `rpm` above 0."""
        expected = self._gain * slowing(self.layout, rpm, manifold_kpa)
        return max(self.threshold_share * expected, self.threshold_sigma * STEP_SCATTER * noise_share(rpm))

    def counted(self, segments: Segments, rpm: float, manifold_kpa: float) -> Counts:
        """Misfires counted in these segments, per cylinder in number order."""
        if rpm <= 0 or len(segments.stretch) == 0:
            return np.zeros(self.layout.count, np.int64)
        stretch, kept = segments.stretch, len(self._growth)
        growth = np.empty(kept + len(stretch))
        growth[:kept], growth[kept] = self._growth, stretch[0] - self._last
        np.subtract(stretch[1:], stretch[:-1], out=growth[kept + 1 :])
        cylinder = np.concatenate((self._cylinder, segments.cylinder))
        self._last = float(segments.stretch[-1])
        self._growth, self._cylinder = growth[-2 * TREND_REACH :], cylinder[-2 * TREND_REACH :]
        growth, cylinder = _without_trend(growth), cylinder[TREND_REACH:-TREND_REACH]
        # Crankshaft and driveline swing after a misfire, in proportion to it: until that cylinder's next turn, what is
        # small against the largest step just before is taken for its recoil.
        reach = len(self._before)
        steps = np.concatenate((self._before, growth))
        self._before = steps[len(steps) - reach :]
        swing = np.zeros(len(growth))
        for back in range(1, reach + 1):
            swing = np.maximum(swing, steps[reach - back : len(steps) - back])
        limit = np.maximum(self.threshold(rpm, manifold_kpa), RECOIL_SHARE * swing)
        found = cylinder[growth > limit]
        return np.bincount(found - 1, minlength=self.layout.count).astype(np.int64)


def _without_trend(growth: NDArray[np.float64]) -> NDArray[np.float64]:
    """Growth less the median of the four segments around each: slow swings of the driveline go, misfires stay.

    Two values at each end have no neighbours on one side and are left out.
    """
    count = len(growth) - 2 * TREND_REACH
    first, second, third, fourth = (growth[at : at + count] for at in range(2 * TREND_REACH + 1) if at != TREND_REACH)
    # Of two pairs: the greater of the lesser ones and the lesser of the greater ones are the two in the middle.
    one = np.maximum(np.minimum(first, second), np.minimum(third, fourth))
    other = np.minimum(np.maximum(first, second), np.maximum(third, fourth))
    return np.asarray(growth[TREND_REACH:-TREND_REACH] - (one + other) / 2)


def _share(counts: Counts, share: float) -> Counts:
    """The whole counts that fall into a share of a step: rounded to the nearest, nothing lost or made."""
    whole = np.floor(counts * min(share, 1.0) + 0.5).astype(np.int64)
    return np.asarray(np.minimum(counts, whole))
