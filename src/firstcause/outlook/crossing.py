"""Where the ranking of two courses changes with the distance, and which assumption that hangs on most."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from firstcause.outlook.courses import Course, Standing
from firstcause.outlook.forecast import Forecast, forecast

Array = NDArray[np.float64]

LIFE_FACTOR = 1.5
PRICE_FACTOR = 1.25
ODDS_FACTOR = 2.0


@dataclass(frozen=True, slots=True)
class Crossing:
    """From `at_km` on the dearer course now is the cheaper one in the mean; by the simulation error between the two."""

    pays: Course
    over: Course
    at_km: float
    between_km: tuple[float, float | None]


def crossing(first: Forecast, second: Forecast) -> Crossing | None:
    """Where the course that costs more now has paid for itself; None when it does not within the horizon.

    Both forecasts must come from one call of `forecast`. The span is where the difference of the means is within two of
    its standard errors of zero (errors taken as independent, which is the wider reading; the cars are shared).
    """
    dear, cheap = (first, second) if first.mean[0] > second.mean[0] else (second, first)
    ahead = cheap.mean - dear.mean
    doubt = 2.0 * np.hypot(cheap.error, dear.error)
    at = _last_rise(ahead, dear)
    if at is None:
        return None
    earliest = _last_rise(ahead + doubt, dear)
    span = (at if earliest is None else earliest, _last_rise(ahead - doubt, dear))
    return Crossing(dear.course, cheap.course, at, span)


def _last_rise(ahead: Array, of: Forecast) -> float | None:
    """The distance from which `ahead` stays above 0 to the horizon."""
    below = np.flatnonzero(ahead <= 0.0)
    if not len(below):
        return 0.0
    last = int(below[-1])
    if last == len(ahead) - 1:
        return None
    rise = -ahead[last] / (ahead[last + 1] - ahead[last])
    return float(of.distance_km[last] + rise * (of.distance_km[last + 1] - of.distance_km[last]))


@dataclass(frozen=True, slots=True)
class Matter:
    """One assumption moved down and up: by how much the second course then is dearer than the first at the horizon."""

    name: str
    down: float
    up: float

    @property
    def swing(self) -> float:
        """How much hangs on it."""
        return abs(self.up - self.down)


def what_matters(
    standing: tuple[Standing, ...], first: Course, second: Course, horizon_km: float, seed: int, draws: int = 5_000
) -> tuple[Matter, ...]:
    """Each assumption moved alone, weightiest first: chances by odds x 2, lives x 1.5, prices x 1.25. Judgement."""

    def gap(worlds: tuple[Standing, ...], one: Course = first, two: Course = second) -> float:
        a, b = forecast(worlds, [one, two], horizon_km, seed, draws)
        return float(b.mean[-1] - a.mean[-1])

    found = []
    for at, each in enumerate(standing):
        if 0.0 < each.chance < 1.0:
            chances = [gap(_with_odds(standing, at, factor)) for factor in (1.0 / ODDS_FACTOR, ODDS_FACTOR)]
            found.append(Matter(f"how likely it is: {each.name}", *chances))
        if each.life is not None and each.chance > 0.0:
            lives = [gap(_with_life(standing, at, factor)) for factor in (1.0 / LIFE_FACTOR, LIFE_FACTOR)]
            found.append(Matter(f"how soon it returns: {each.name}", *lives))
    for one in (first, second):
        prices = []
        for factor in (1.0 / PRICE_FACTOR, PRICE_FACTOR):
            moved = replace(one, price_now=one.price_now * factor, return_price=one.return_price * factor)
            prices.append(gap(standing, moved, second) if one is first else gap(standing, first, moved))
        found.append(Matter(f"what it costs: {one.name}", *prices))
    return tuple(sorted(found, key=lambda matter: -matter.swing))


def _with_odds(standing: tuple[Standing, ...], at: int, factor: float) -> tuple[Standing, ...]:
    """The odds of one thing standing moved, the others keeping their shares among themselves."""
    was = standing[at].chance
    now = was * factor / (1.0 - was + was * factor)
    return _whole(standing, [now if i == at else s.chance * (1.0 - now) / (1.0 - was) for i, s in enumerate(standing)])


def _whole(standing: tuple[Standing, ...], chances: Sequence[float]) -> tuple[Standing, ...]:
    return tuple(replace(each, chance=chance) for each, chance in zip(standing, chances, strict=True))


def _with_life(standing: tuple[Standing, ...], at: int, factor: float) -> tuple[Standing, ...]:
    life = standing[at].life
    assert life is not None
    longer = replace(life, unit_km=life.unit_km * factor)
    return tuple(replace(each, life=longer) if i == at else each for i, each in enumerate(standing))
