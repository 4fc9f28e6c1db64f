"""Readings that look like numbers but are none: zeros for 'not supported', a value frozen for the whole drive."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from firstcause.roadtest.drivelog import DriveLog
from firstcause.tongue import _
from firstcause.units import MILE_KM

MOVING_KMH = MILE_KM  # 1 mph, the idle limit of the minimum-drive rule
_LEAP_K = 20.0
_FROZEN_ROWS = 60
_SPEED_SPREAD_KMH = 20.0


def doubt_signals(log: DriveLog) -> tuple[DriveLog, list[str]]:
    """The drive without readings that cannot be true, and one sentence part for each thing taken out.

    Rules (ours, from logs seen in public; judgement): a coolant of exactly 0 that leaps by more than 20 K
    in one step, or never leaves 0, was not read; a load that is 0 throughout was not read; an engine speed
    that never changes while the car goes from rest to over 20 km/h was not read.
    """
    said: list[str] = []
    changed: dict[str, object] = {}
    if log.coolant_c is not None:
        coolant = log.coolant_c.copy()
        held = np.flatnonzero(np.isfinite(coolant))
        warm = held[coolant[held] != 0]
        if not warm.size:
            changed["coolant_c"] = None
            said.append(_("coolant stays at exactly 0 for the whole drive: taken as not recorded"))
        elif warm[0] > held[0] and abs(coolant[warm[0]]) > _LEAP_K:
            zeros = held[held < warm[0]]
            coolant[zeros] = np.nan
            changed["coolant_c"] = coolant
            said.append(
                _(
                    "coolant reads exactly 0 in the first {n} row(s), then leaps: those taken as not recorded",
                    n=zeros.size,
                )
            )
    if log.load_percent is not None and not np.nan_to_num(log.load_percent).any():
        changed["load_percent"] = None
        said.append(_("load stays at exactly 0 for the whole drive: taken as not recorded"))
    if log.rpm is not None and log.speed_kmh is not None:
        rpm, speed = log.rpm[np.isfinite(log.rpm)], log.speed_kmh[np.isfinite(log.speed_kmh)]
        if rpm.size >= _FROZEN_ROWS and speed.size and np.ptp(rpm) == 0 and np.ptp(speed) > _SPEED_SPREAD_KMH:
            changed["rpm"] = None
            said.append(
                _(
                    "engine speed stays at {rpm:g} while the car's speed changes: taken as not recorded",
                    rpm=float(rpm[0]),
                )
            )
        elif lost := int(((log.rpm == 0) & (log.speed_kmh > MOVING_KMH)).sum()):
            said.append(
                _(
                    "engine speed reads 0 in {n} row(s) while the car moves: whether the engine ran there is not known",
                    n=lost,
                )
            )
    return (replace(log, **changed) if changed else log), said  # type: ignore[arg-type]
