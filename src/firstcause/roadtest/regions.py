"""How long a drive spent in each operating region: cold start, idle, cruise, load."""

from __future__ import annotations

import numpy as np

from firstcause.roadtest.drivelog import DriveLog, gap_limit_s

# Judgement, the same bounds as for a freeze frame: cold below 50 degC in the first three minutes, load from 60 %.
COLD_BELOW_C = 50.0
COLD_FOR_S = 180.0
IDLE_BELOW_KMH = 1.6
LOAD_FROM_PERCENT = 60.0
REGIONS = ("cold-start", "idle", "cruise", "load")


def minutes_by_region(log: DriveLog) -> dict[str, float]:
    """Minutes in `cold-start`, `idle`, `cruise`, `load` with the engine running; nothing is counted over a gap.

    A drive without vehicle speed gives an empty mapping: not evaluated. Without coolant or load, no such region.
    """
    if log.speed_kmh is None:
        return {}
    step_s = np.diff(log.time_s, append=log.time_s[-1])
    step_s = np.where(step_s <= gap_limit_s(log.time_s), step_s, 0.0)
    running = np.ones(log.time_s.size, dtype=bool) if log.rpm is None else np.nan_to_num(log.rpm) > 0.0
    speed = np.nan_to_num(log.speed_kmh)
    cold = np.zeros_like(running)
    if log.coolant_c is not None:
        cold = (np.nan_to_num(log.coolant_c, nan=np.inf) < COLD_BELOW_C) & (log.time_s < COLD_FOR_S)
    load = np.zeros_like(running)
    if log.load_percent is not None:
        load = np.nan_to_num(log.load_percent) >= LOAD_FROM_PERCENT
    idle = speed <= IDLE_BELOW_KMH
    regions = {
        "cold-start": running & cold,
        "idle": running & ~cold & idle,
        "cruise": running & ~cold & ~idle & ~load,
        "load": running & ~cold & ~idle & load,
    }
    minutes = {region: float(step_s[there].sum()) / 60.0 for region, there in regions.items()}
    return {region: watched for region, watched in minutes.items() if watched > 0.0}
