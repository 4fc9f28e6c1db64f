"""The mean price of a course without simulation: what the simulation is checked against."""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache, partial
from math import exp, gamma

import numpy as np
from numpy.typing import NDArray

from firstcause.outlook.courses import Course, Standing, require_whole
from firstcause.outlook.lifetime import LifeBelief, Weibull
from firstcause.outlook.renewal import expected_renewals

Array = NDArray[np.float64]

NODES = 48
SMALLEST_WEIGHT = 1e-13
LIVES_TABLED = 10.0  # beyond so many scales the renewal function is taken as its straight asymptote
TABLE_STEPS = 4000
RESIDUAL_STEPS = 600


def expected_price(standing: tuple[Standing, ...], course: Course, horizon_km: float) -> float:
    """Mean price at the horizon, lasting damage apart, for courses that renew or settle on return.

    Returns are counted by the renewal function, averaged over the doubt in the scale by Gauss-Laguerre quadrature.
    """
    require_whole(standing)
    total = course.price_now
    for each in standing:
        total += each.chance * course.price_by_cause.get(each.cause, 0.0)
        left = each.chance * (1.0 - course.cures.get(each.cause, 0.0))
        if each.life is None or left == 0.0 or course.on_return_of(each.cause) == "live-with-it":
            continue
        age_km = 0.0 if course.fresh else each.running_km
        seen = each.life.learnt(running_km=[each.running_km])
        once = course.on_return_of(each.cause) == "settle"
        relieved = course.relieves_of(each.cause)
        count = partial(_ended if once else _returns, age_km=age_km, horizon_km=horizon_km, relieved=relieved)
        price = course.return_price + (each.settle_price if once else 0.0)
        total += left * _over_scales(seen, count) * price
    return total


def _over_scales(belief: LifeBelief, count: Callable[[Weibull], float]) -> float:
    """Mean of a count over the doubt in the scale."""
    from scipy.special import roots_genlaguerre

    nodes, weights = roots_genlaguerre(NODES, belief.weight - 1.0)
    total = 0.0
    for node, weight in zip(nodes, weights / gamma(belief.weight), strict=True):
        if weight > SMALLEST_WEIGHT:
            scale_km = belief.unit_km * float((belief.mass / node) ** (1.0 / belief.shape))
            total += float(weight) * count(Weibull(belief.shape, scale_km))
    return total


def _ended(life: Weibull, age_km: float, horizon_km: float, relieved: bool) -> float:
    """Chance that a life of this age ends within the horizon."""
    if not relieved:
        return 1.0
    spent, at_end = age_km / life.scale_km, (age_km + horizon_km) / life.scale_km
    return 1.0 - exp(spent**life.shape - at_end**life.shape)


def _returns(life: Weibull, age_km: float, horizon_km: float, relieved: bool) -> float:
    """Expected number of ends within the horizon, the first from this age, the others from new."""
    if not relieved:
        return 1.0 + float(_renewals(life, np.array([horizon_km]))[0])
    if age_km == 0.0:
        return float(_renewals(life, np.array([horizon_km]))[0])
    edges = np.linspace(0.0, horizon_km, RESIDUAL_STEPS + 1)
    ended = np.array([_ended(life, age_km, edge, True) for edge in edges])
    middle = (edges[1:] + edges[:-1]) / 2.0
    return float(ended[-1] + np.diff(ended) @ _renewals(life, horizon_km - middle))


def _renewals(life: Weibull, distance_km: Array) -> Array:
    """The renewal function of a Weibull life, read from a table of the unit scale."""
    table = _unit_table(life.shape)
    lives = distance_km / life.scale_km
    mean = gamma(1.0 + 1.0 / life.shape)
    spread = gamma(1.0 + 2.0 / life.shape) / mean**2 - 1.0  # squared coefficient of variation
    asymptote = lives / mean + (spread - 1.0) / 2.0
    inside = np.interp(lives, np.linspace(0.0, LIVES_TABLED, TABLE_STEPS + 1), table)
    return np.where(lives <= LIVES_TABLED, inside, asymptote)


@lru_cache(maxsize=32)
def _unit_table(shape: float) -> Array:
    return expected_renewals(Weibull(shape, 1.0).survival, LIVES_TABLED, TABLE_STEPS)
