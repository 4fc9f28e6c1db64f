"""Back to the conditions in which it failed: time and ignition events near the freeze frame."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import RequestError
from firstcause.roadtest.conditions import Verdict
from firstcause.roadtest.drivelog import DriveLog, gap_limit_s
from firstcause.roadtest.overrun import fired_timeline
from firstcause.roadtest.rules import WARM_FROM, WINDOW_LOAD, WINDOW_RPM
from firstcause.roadtest.timeline import LOST, MAYBE, YES, Timeline, together
from firstcause.roadtest.trips import Trip, engine_readings

Floats = NDArray[np.float64]
LoadReading = Literal["points", "relative"]


class ImpossibleFreezeFrame(RequestError):
    """A freeze frame that no engine can have written."""

    def __init__(self, what: str) -> None:
        self.what = what
        super().__init__(f"The freeze frame cannot be: {what}. Nothing was judged; correct it and try again.")


@dataclass(frozen=True, slots=True)
class FreezeFrame:
    """The engine's state when the misfire was stored. What the car did not store is None.

    Raises ImpossibleFreezeFrame for a speed below 0 rpm or a load outside 0 to 100 %.
    """

    rpm: float
    load_percent: float | None = None
    coolant_c: float | None = None

    def __post_init__(self) -> None:
        if not 0 <= self.rpm < 20000:
            raise ImpossibleFreezeFrame(f"an engine speed of {self.rpm:g} rpm")
        if self.load_percent is not None and not 0 <= self.load_percent <= 100:
            raise ImpossibleFreezeFrame(f"a load of {self.load_percent:g} %")

    def rpm_band(self) -> tuple[float, float]:
        """Lowest and highest engine speed that count as similar, rpm."""
        return self.rpm - WINDOW_RPM.value, self.rpm + WINDOW_RPM.value

    def load_band(self, reading: LoadReading) -> tuple[float, float] | None:
        """Lowest and highest similar load, %, by either reading of "within 20 percent"; None without a stored load."""
        if self.load_percent is None:
            return None
        half = WINDOW_LOAD.value if reading == "points" else self.load_percent * WINDOW_LOAD.value / 100
        return self.load_percent - half, self.load_percent + half

    @property
    def warm(self) -> bool | None:
        """True for warmed up, False for cold, None when the coolant was not stored."""
        return None if self.coolant_c is None else self.coolant_c >= WARM_FROM.value


@dataclass(frozen=True, slots=True)
class Nearest:
    """The row that came nearest to the freeze frame. `distance` 1.0 is the edge of the window."""

    at_s: float
    rpm: float
    load_percent: float | None
    distance: float


@dataclass(frozen=True, slots=True)
class WindowResult:
    """How one trip came back to the freeze-frame conditions.

    `seconds` and `events_per_cylinder` are what surely lay inside; the `_at_most` twins add what sampling and
    gaps leave open. `missing` names the stored conditions that the recording has no signal for: with any,
    the verdict is "not evaluated" and `if_assumed` judges by the rest.
    """

    trip: int
    load_reading: LoadReading
    seconds: float
    seconds_at_most: float
    events_per_cylinder: float
    events_at_most: float
    verdict: Verdict
    if_assumed: Verdict | None
    missing: tuple[str, ...]
    nearest: Nearest | None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        plain = {name: getattr(self, name) for name in self.__slots__ if name not in ("missing", "nearest")}
        near = self.nearest
        return plain | {
            "missing": list(self.missing),
            "nearest": None if near is None else {name: getattr(near, name) for name in near.__slots__},
        }


def window_timeline(trip: Trip, frame: FreezeFrame, reading: LoadReading) -> tuple[Timeline, tuple[str, ...]]:
    """When the trip lay inside the similar-conditions window, and which stored conditions could not be compared."""
    line = Timeline.all_of(trip.start_s, trip.end_s, YES)
    missing: list[str] = []
    for name, found, band in _bands(trip.log, frame, reading):
        if found is None:
            missing.append(name)
            continue
        level = np.where(found[1] < band[0], -1, np.where(found[1] > band[1], 1, 0))
        level = np.where(np.isnan(found[1]), LOST, level)
        line = line & Timeline.from_levels(found[0], level, trip.start_s, trip.end_s)
    return line, tuple(missing)


def _bands(
    log: DriveLog, frame: FreezeFrame, reading: LoadReading
) -> list[tuple[str, tuple[Floats, Floats] | None, tuple[float, float]]]:
    bands = [("engine speed", engine_readings(log), frame.rpm_band())]
    load_band = frame.load_band(reading)
    if load_band is not None:
        bands.append(("load", log.readings("load_percent"), load_band))
    if frame.warm is not None:
        warm_band = (WARM_FROM.value, np.inf) if frame.warm else (-np.inf, np.nextafter(WARM_FROM.value, -np.inf))
        bands.append(("coolant temperature", log.readings("coolant_c"), warm_band))
    return bands


def judge_window(
    trip: Trip, frame: FreezeFrame, *, load_reading: LoadReading = "points", fired: Timeline | None = None,
    with_events: bool = True,
) -> WindowResult:  # fmt: skip
    """Did this trip come back to the conditions of the freeze frame, and for how long.

    Source: 13 CCR 1968.2(c), similar conditions (from memory); see rules.WINDOW_RPM, WINDOW_LOAD, WARM_FROM.
    The values that the car itself compares cannot be read; the freeze frame is the nearest public ones. `fired` as in
    `events_in`; without `with_events` no firings are counted.
    """
    line, missing = window_timeline(trip, frame, load_reading)
    if "engine speed" in missing:
        return WindowResult(trip.number, load_reading, 0.0, 0.0, 0.0, 0.0, "not evaluated", None, missing, None)
    near = _nearest(trip, frame, load_reading)
    seconds, most = line.total_s(YES), line.total_s(MAYBE)
    inside = seconds > 0 or (near is not None and near.distance <= 1 and not missing)
    verdict: Verdict = "met" if inside else "undecided" if most > 0 else "missed"
    return WindowResult(
        trip=trip.number,
        load_reading=load_reading,
        seconds=seconds,
        seconds_at_most=most,
        events_per_cylinder=events_in(trip.log, line, YES, fired) if with_events else 0.0,
        events_at_most=events_in(trip.log, line, MAYBE) if with_events else 0.0,
        verdict="not evaluated" if missing else verdict,
        if_assumed=verdict if missing else None,
        missing=missing,
        nearest=near,
    )


def _nearest(trip: Trip, frame: FreezeFrame, reading: LoadReading) -> Nearest | None:
    """The reading of engine speed, with the right warm-up status, that lies nearest in speed and load."""
    found = engine_readings(trip.log)
    if found is None or not found[0].size:
        return None
    time_s, rpm = found
    load, coolant = trip.log.at("load_percent", time_s), trip.log.at("coolant_c", time_s)
    distance = np.abs(rpm - frame.rpm) / WINDOW_RPM.value
    band = frame.load_band(reading)
    if band is not None and load is not None and frame.load_percent is not None:
        half = max(band[1] - frame.load_percent, 1e-9)
        distance = np.maximum(distance, np.abs(load - frame.load_percent) / half)
    if frame.warm is not None and coolant is not None:
        distance = np.where((coolant >= WARM_FROM.value) == frame.warm, distance, np.nan)
    if not np.isfinite(distance).any():
        return None
    row = int(np.nanargmin(distance))
    nearest_load = None if load is None or not np.isfinite(load[row]) else float(load[row])
    return Nearest(float(time_s[row]), float(rpm[row]), nearest_load, float(distance[row]))


def events_in(log: DriveLog, line: Timeline, least: int, fired: Timeline | None = None) -> float:
    """Ignition events of one cylinder while `line` was `least` or better: half the revolutions of a four-stroke.

    Engine speed runs straight between two readings; nothing is counted over a gap or where the signal was lost. What
    surely fired (`least` is YES) leaves out where the car may have driven the engine: `fired`, else `fired_timeline`.
    """
    found = engine_readings(log)
    if found is None or found[0].size < 2:
        return 0.0
    time_s, rpm = found
    fired = (fired or fired_timeline(log)) if least == YES else None
    grid = together(together(time_s, line.edges_s), time_s if fired is None else fired.edges_s)
    grid = grid[(grid >= time_s[0]) & (grid <= time_s[-1])]
    if grid.size < 2:
        return 0.0
    speed = np.interp(grid, time_s, rpm)
    middle = (grid[:-1] + grid[1:]) / 2
    step = np.diff(time_s)[np.clip(np.searchsorted(time_s, middle) - 1, 0, time_s.size - 2)]
    revolutions = (speed[:-1] + speed[1:]) / 2 * np.diff(grid) / 60
    counted = (line.state_at(middle) >= least) & (step <= gap_limit_s(time_s)) & np.isfinite(revolutions)
    if fired is not None:
        counted &= fired.state_at(middle) == YES
    return float(revolutions[counted].sum() / 2)


def misfires_counted(log: DriveLog, line: Timeline) -> dict[int, int]:
    """What each cylinder's counter rose by while `line` was not surely NO; empty when no counter was recorded.

    A counter that falls was reset: what it then shows counts anew. The value of the first row is not counted,
    for it belongs to the time before the recording.
    """
    return {cylinder: _rise_within(log, f"misfires:{cylinder}", line) for cylinder in log.misfires}


def _rise_within(log: DriveLog, key: str, line: Timeline) -> int:
    found = log.readings(key)
    if found is None or found[0].size < 2:
        return 0
    time_s, count = found
    rise = np.diff(count)
    rise = np.where(rise < 0, count[1:], rise)
    open_s = np.concatenate([[0.0], np.cumsum(np.diff(line.edges_s) * (line.states >= MAYBE))])
    inside = np.diff(np.interp(time_s, line.edges_s, open_s))
    at_once = (np.diff(time_s) == 0) & (line.state_at(time_s[1:]) >= MAYBE)
    return round(float(rise[(inside > 0) | at_once].sum()))


def most_misfires_in(log: DriveLog, revolutions: float) -> int | None:
    """The most misfires, all counted cylinders together, in any stretch of so many crankshaft revolutions.

    A row's rise may have come any time since the row before, so it counts for every stretch that touches that step.
    None without recorded counters or engine speed.
    """
    found = log.readings("rpm")
    if found is None or not log.misfires or found[0].size < 2:
        return None
    time_s, rpm = found
    turned = np.concatenate([[0.0], np.cumsum(np.diff(time_s) * (rpm[1:] + rpm[:-1]) / 120)])
    rises: list[tuple[Floats, Floats, Floats]] = []
    for cylinder in log.misfires:
        counter = log.readings(f"misfires:{cylinder}")
        if counter is None:
            continue
        rise = np.diff(counter[1])
        rise = np.where(rise < 0, counter[1][1:], rise)
        at = np.interp(counter[0], time_s, turned)
        some = rise > 0
        rises.append((at[:-1][some], at[1:][some], rise[some]))
    if not rises or not sum(each[2].size for each in rises):
        return 0
    begins, ends, rise = (np.concatenate([each[part] for each in rises]) for part in range(3))
    by_begin, by_end = np.argsort(begins, kind="stable"), np.argsort(ends, kind="stable")
    begins, ends = begins[by_begin], ends[by_end]
    begun, ended = (np.concatenate([[0.0], np.cumsum(rise[order])]) for order in (by_begin, by_end))
    # A stretch that begins as a step ends: whatever had begun before it is over, less what had ended before it.
    most = begun[np.searchsorted(begins, ends + revolutions)] - ended[np.searchsorted(ends, ends)]
    return round(float(most.max()))


def total_counts(counts: Sequence[Mapping[int, int]]) -> dict[int, int]:
    """Counts of several trips added up, cylinder by cylinder."""
    cylinders = sorted({cylinder for trip in counts for cylinder in trip})
    return {cylinder: sum(trip.get(cylinder, 0) for trip in counts) for cylinder in cylinders}
