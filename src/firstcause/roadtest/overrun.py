"""When the engine surely fired: while the car drives it the injectors may be shut, and nothing can misfire."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.rules import MINIMUM_DRIVE, PEDAL_RELEASED_ABOVE_REST, RUNNING_RPM, Limit
from firstcause.roadtest.timeline import Timeline

Floats = NDArray[np.float64]
# A misfire monitor does not look where the car drives the engine: 13 CCR 1968.2(e)(3.3.1), positive torque (from
# memory). Where that begins is the maker's; what may lie below it is not counted, so the bound errs to the safe side.
PULLS_FROM_IDLE_SHARE = Limit(
    0.8, "of the load that it takes to idle", "ours: less turns no engine over by itself, so the car does", "judgement"
)
PULLS_FROM_LOAD = Limit(12.0, "%", "ours: where the recording holds no idle to compare with", "judgement")
SLOWING_KMH_S = Limit(0.5, "km/h each second", "ours: where neither load nor accelerator was recorded", "judgement")
_IDLE_ROWS, _LOW_SHARE = 5, 20.0  # readings that make an idle, and the percentile of its load that is taken


def fired_timeline(log: DriveLog) -> Timeline | None:
    """YES while the engine pulled or idled, NO while the car drove it; None when the recording tells neither.

    Told by load, else by the accelerator, else by the fall of the speed.
    """
    found = log.readings("load_percent") or log.readings("pedal_percent") or log.readings("speed_kmh")
    if found is None:
        return None
    time_s, values = found
    speed = log.at("speed_kmh", time_s)
    standing = np.zeros(time_s.size, np.bool_) if speed is None else speed <= MINIMUM_DRIVE.idle_speed.value
    if log.readings("load_percent") is not None:
        pulls = values >= pulls_from_load(log, time_s, values, standing)
    elif log.readings("pedal_percent") is not None:
        pulls = values > values.min() + PEDAL_RELEASED_ABOVE_REST.value
    else:
        steps = np.diff(time_s, append=time_s[-1] + 1.0)
        pulls = np.diff(values, append=values[-1]) >= -SLOWING_KMH_S.value * steps
    level = (~(pulls | standing)).astype(np.int_)
    return Timeline.from_levels(time_s, level, float(log.time_s[0]), float(log.time_s[-1]))


def pulls_from_load(log: DriveLog, time_s: Floats, load: Floats, standing: NDArray[np.bool_]) -> float:
    """The load, %, below which a moving car may be driving its engine: a share of what this one takes to idle."""
    rpm = log.at("rpm", time_s)
    idle = standing if rpm is None else standing & (rpm >= RUNNING_RPM.value)
    if idle.sum() < _IDLE_ROWS:
        return PULLS_FROM_LOAD.value
    return float(PULLS_FROM_IDLE_SHARE.value * np.percentile(load[idle], _LOW_SHARE))
