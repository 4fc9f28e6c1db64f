"""One recording taken apart into trips: engine stops, long silences, the car's own timer starting again."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from firstcause.roadtest.doubt import MOVING_KMH
from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.rules import RUNNING_RPM, TRIP_PAUSE
from firstcause.roadtest.timeline import LOST, MAYBE, YES, Timeline
from firstcause.tongue import _

Floats = NDArray[np.float64]
_TIMER_FALL_S = 5.0
_JUST_STARTED_S = 10.0


@dataclass(frozen=True, eq=False)
class Trip:
    """One driving cycle as recorded, from one start to the next, the engine-off time after it included."""

    number: int
    log: DriveLog
    begins: str
    start_seen: bool

    @property
    def start_s(self) -> float:
        return float(self.log.time_s[0])

    @property
    def end_s(self) -> float:
        return float(self.log.time_s[-1])

    def engine(self) -> Timeline | None:
        """When the engine ran: YES or NO by its speed, MAYBE over gaps and where it was lost; None if unrecorded."""
        found = engine_readings(self.log)
        if found is None:
            return None
        time_s, rpm = found
        level = np.where(np.isnan(rpm), LOST, (rpm < RUNNING_RPM.value).astype(np.int_))
        return Timeline.from_levels(time_s, level, self.start_s, self.end_s)

    def rows_present(self) -> Timeline:
        """YES wherever rows follow each other, MAYBE over a gap."""
        time_s, inside = self.log.time_s, np.zeros(self.log.time_s.size, dtype=np.int_)
        return Timeline.from_levels(time_s, inside, self.start_s, self.end_s, self.log.row_gap_limit_s())

    def short_stops(self) -> int:
        """How often the engine stood still and ran again within this trip."""
        engine = self.engine()
        if engine is None:
            return 0
        ran = engine.states[engine.states != MAYBE] == YES
        return int(((~ran[:-1]) & ran[1:]).sum()) - (0 if not ran.size or ran[0] else 1)


def engine_readings(log: DriveLog) -> tuple[Floats, Floats] | None:
    """Times and engine speeds; NaN where it reads 0 while the car moves (signal lost, or stopped under way)."""
    found = log.readings("rpm")
    if found is None:
        return None
    time_s, rpm = found
    speed = log.readings("speed_kmh")
    if speed is None:
        return time_s, rpm
    moving = np.interp(time_s, *speed) > MOVING_KMH
    return time_s, np.where((rpm < RUNNING_RPM.value) & moving, np.nan, rpm)


def _known_engine(log: DriveLog) -> tuple[Floats, Floats] | None:
    """As `engine_readings`, without the rows that tell nothing."""
    found = engine_readings(log)
    if found is None:
        return None
    known = np.isfinite(found[1])
    return found[0][known], found[1][known]


def split_trips(log: DriveLog) -> tuple[Trip, ...]:
    """The trips of a recording, in order; at least one.

    A new trip begins after a silence or a proven engine stop of 180 s or more (shorter ones may be stop-start),
    and where the car's own time since engine start falls back. Source: ours, judgement; see rules.TRIP_PAUSE.
    """
    cuts: dict[int, str] = {}
    started: set[int] = set()
    steps = np.diff(log.time_s)
    for silent in np.flatnonzero(steps > TRIP_PAUSE.value):
        cuts[int(silent) + 1] = _("after {seconds:.0f} s without rows", seconds=float(steps[silent]))
    for row, seconds in _starts_after_stops(log):
        if row not in cuts:
            cuts[row] = _("after the engine had stood for {seconds:.0f} s", seconds=seconds)
            started.add(row)
    for row in _timer_falls(log):
        if row not in cuts:
            cuts[row] = _("where the car's time since engine start began again")
            started.add(row)
    trips = []
    for number, (start, stop) in enumerate(pairwise([0, *sorted(cuts), log.time_s.size]), start=1):
        part = log.rows(start, stop)
        begins = cuts.get(start) or _("at the first row")
        trips.append(Trip(number, part, begins, start in started or _start_seen(part)))
    return tuple(trips)


def _starts_after_stops(log: DriveLog) -> list[tuple[int, float]]:
    found = _known_engine(log)
    if found is None:
        return []
    time_s, rpm = found
    runs = rpm >= RUNNING_RPM.value
    out = []
    for at in np.flatnonzero(runs[1:] & ~runs[:-1]) + 1:
        earlier = np.flatnonzero(runs[:at])
        if earlier.size and time_s[at] - time_s[earlier[-1] + 1] >= TRIP_PAUSE.value:
            out.append((int(np.searchsorted(log.time_s, time_s[at])), float(time_s[at] - time_s[earlier[-1] + 1])))
    return out


def _timer_falls(log: DriveLog) -> list[int]:
    found = log.readings("run_time_s")
    if found is None:
        return []
    time_s, timer = found
    return [int(np.searchsorted(log.time_s, time_s[at + 1])) for at in np.flatnonzero(np.diff(timer) < -_TIMER_FALL_S)]


def _start_seen(log: DriveLog) -> bool:
    """True when the recording shows the engine standing before it ran, or the car's timer near zero."""
    timer = log.readings("run_time_s")
    if timer is not None and timer[1][0] <= _JUST_STARTED_S:
        return True
    found = _known_engine(log)
    return found is not None and found[1].size > 0 and bool(found[1][0] < RUNNING_RPM.value)
