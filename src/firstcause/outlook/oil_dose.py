"""After what distance oil fouls a plug again: dose per trip, burnt off when it runs hot, ash that never burns."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import RequestError

Array = NDArray[np.float64]
Driving = Literal["city", "mixed", "highway"]

HOT_SHARE: Mapping[Driving, float] = {"city": 0.2, "mixed": 0.5, "highway": 0.8}
"""Share of the driving with the insulator above its self-cleaning temperature (450 to 500 degC). Judgement."""

KM_PER_MILE = 1.609344
# 0.59 L per 1,000 km, all through one cylinder, is 0.55 mg in each of its cycles (25 mpg, 2,000 rpm, 870 g/L).
MG_PER_CYCLE_AT_ONE_L_PER_1000_KM = 0.55 / 0.59
TRIP_MEDIAN_MILES = 7.0
# Standard deviation of the logarithm of a trip's length. The reference does not name it: set once so that its table of
# medians comes out, see the tests. Judgement.
TRIP_SPREAD = 0.65
DRIVER_SPREAD = 0.3  # drivers differ so much in what the same car does to its plug. Judgement.
DECADES_TO_MISS = 3.0  # of a clean 1 Gohm: below 1 Mohm the spark of a cold engine is lost
FARTHEST_KM = 100_000.0
SEED = 49


@lru_cache(maxsize=64)
def fouled_after_km(
    mg_per_cycle: float, hot_share: float, cars: int = 1000, driver_spread: float = DRIVER_SPREAD, seed: int = SEED
) -> Array:
    """Distance to the first miss of a clean plug by drawn car, sorted, km; `inf` beyond FARTHEST_KM. Shape (cars,).

    D decades of insulation are lost to soot and oil, A to ash. For a trip of L miles (lognormal), u mg in each cycle:
    D grows by u (0.06 + 0.004 L) times a gamma of mean 1 and shape 4, then burns down by exp(-0.012 L h); A grows by
    0.0006 u L and stays. It misses above 3 decades. `hot_share` is h.

    Structure and constants are judgement, from the project's reference on oil; the tests hold the medians to its table.
    Raises RequestError for a dose below 0 or a share outside 0 to 1.
    """
    if not (mg_per_cycle >= 0.0 and 0.0 <= hot_share <= 1.0):
        raise RequestError(f"{mg_per_cycle:g} mg in a cycle, hot for {hot_share:g} of the way, cannot be. Correct it.")
    random = np.random.default_rng(seed)
    dose = mg_per_cycle * np.exp(driver_spread * random.standard_normal(cars))
    soot, ash, driven, missed = np.zeros(cars), np.zeros(cars), np.zeros(cars), np.full(cars, np.inf)
    farthest = FARTHEST_KM / KM_PER_MILE
    while (still := (driven < farthest) & np.isinf(missed)).any():
        trip = TRIP_MEDIAN_MILES * np.exp(TRIP_SPREAD * random.standard_normal(cars))
        soot += dose * (0.06 + 0.004 * trip) * random.gamma(4.0, 0.25, cars)
        soot *= np.exp(-0.012 * trip * hot_share)
        ash += 0.0006 * dose * trip
        driven += trip
        now = still & (soot + ash > DECADES_TO_MISS)
        missed[now] = driven[now]
    found: Array = np.sort(missed * KM_PER_MILE)
    found.setflags(write=False)
    return found


def span_by_dose(litres_per_1000_km: float, driving: Driving) -> tuple[float, float] | None:
    """Distances before which a clean plug is fouled again in 1 car of 10, and after which in 1 of 10, km.

    All the oil is taken to go through the one cylinder: sooner than where several share it. None where the dose is so
    low that fewer than 1 car in 10 is fouled within FARTHEST_KM.
    """
    mg = round(litres_per_1000_km * MG_PER_CYCLE_AT_ONE_L_PER_1000_KM, 3)
    found = fouled_after_km(mg, HOT_SHARE[driving])
    early, late = found[len(found) // 10], found[9 * len(found) // 10]
    if np.isinf(early):
        return None
    return float(early), float(late if np.isfinite(late) else 2.0 * FARTHEST_KM)
