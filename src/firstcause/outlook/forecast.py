"""What each course is likely to cost and when the complaint returns: seeded simulation over what may stand."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import RequestError
from firstcause.outlook.courses import Course, Standing, require_whole

Array = NDArray[np.float64]

DRAWS = 20_000
POINTS = 61
MOST_RETURNS = 400


@dataclass(frozen=True)
class Forecast:
    """One course over the distance. Arrays have one value for each of `distance_km`; prices in the shop's currency.

    `low` and `high` hold 8 of 10 simulated owners between them; `returned` is the share whose complaint was back by
    then; `harmed` the share with lasting damage. `error` is the standard error of the mean. `mean_without_harm` is the
    mean at the horizon with lasting damage left out, as `exact_mean` has it.
    """

    course: Course
    distance_km: Array
    mean: Array
    low: Array
    high: Array
    error: Array
    returned: Array
    harmed: Array
    first_return_km: tuple[float, float, float] | None
    """10, 50 and 90 % points of the first return among those in whom it returns within the horizon; None if none"""
    mean_without_harm: float

    @property
    def price_at_end(self) -> tuple[float, float, float]:
        """Mean and the span of 8 in 10, at the horizon."""
        return float(self.mean[-1]), float(self.low[-1]), float(self.high[-1])


def forecast(
    standing: tuple[Standing, ...], courses: Sequence[Course], horizon_km: float, seed: int, draws: int = DRAWS
) -> tuple[Forecast, ...]:
    """Simulate every course on the same drawn cars, so that their differences are not chance.

    Each drawn car has one cause standing (or none), by the chances of `standing`: two causes at once are not drawn.
    Raises RequestError for a horizon that is not above 0 and for chances that do not add up to 1.
    """
    require_whole(standing)
    if not horizon_km > 0.0:
        raise RequestError(f"A horizon of {horizon_km:g} km is none. Say for how far the owner will keep the car.")
    return tuple(_simulate(standing, course, horizon_km, seed, draws) for course in courses)


def _simulate(standing: tuple[Standing, ...], course: Course, horizon_km: float, seed: int, draws: int) -> Forecast:
    grid = np.linspace(0.0, horizon_km, POINTS)
    price = np.zeros((draws, POINTS))
    price[:, 0] = course.price_now
    first = np.full(draws, np.inf)
    harm_at = np.full(draws, np.inf)
    random = np.random.default_rng(seed)
    drawn = random.choice(len(standing), size=draws, p=[each.chance for each in standing])
    luck = random.random(draws)
    for at, each in enumerate(standing):
        price[drawn == at, 0] += course.price_by_cause.get(each.cause, 0.0)
        of = np.random.default_rng([seed, at])
        mine = np.flatnonzero((drawn == at) & (luck >= course.cures.get(each.cause, 0.0)))
        if each.life is not None and len(mine):
            _drive(each, course, of, mine, (grid, price, first, harm_at))
    harm_prices = np.array([each.harm_price for each in standing])[drawn]
    price = price.cumsum(axis=1)
    back = first[first <= horizon_km]
    span = tuple(float(q) for q in np.quantile(back, [0.1, 0.5, 0.9])) if len(back) else None
    low, high = np.quantile(price, [0.1, 0.9], axis=0)
    return Forecast(
        course, grid, price.mean(axis=0), low, high, price.std(axis=0, ddof=1) / np.sqrt(draws),
        (first[:, None] <= grid).mean(axis=0), (harm_at[:, None] <= grid).mean(axis=0),
        None if span is None else (span[0], span[1], span[2]),
        float(price[:, -1].mean() - (harm_prices * np.isfinite(harm_at)).mean()),
    )  # fmt: skip


def _drive(
    each: Standing, course: Course, random: np.random.Generator, mine: NDArray[np.intp],
    book: tuple[Array, Array, Array, Array],
) -> None:  # fmt: skip
    """Drive the cars in which this cause stands and is not cured, return after return."""
    grid, price, first, harm_at = book
    horizon, life = grid[-1], each.life
    assert life is not None
    seen = life.learnt(running_km=[each.running_km])
    scales = seen.scales_km(random, len(mine))
    age = 0.0 if course.fresh else each.running_km
    relieved, on_return = course.relieves_of(each.cause), course.on_return_of(each.cause)
    where = _residual_km(life.shape, scales, age, random) if relieved else np.zeros(len(mine))
    active = np.arange(len(mine))
    for _ in range(MOST_RETURNS):
        active = active[where[active] <= horizon]
        if not len(active):
            return
        cars, at = mine[active], where[active]
        first[cars] = np.minimum(first[cars], at)
        live = on_return == "live-with-it"
        with_it = np.full(len(active), np.inf if live else course.noticed_after_km)
        _harm(each, random, cars, at, with_it, (grid, price, harm_at))
        if live:
            return
        once = course.return_price + (each.settle_price if on_return == "settle" else 0.0)
        _book(price, grid, cars, at, np.full(len(cars), once))
        if on_return == "settle":
            return
        where[active] = at + scales[active] * random.weibull(life.shape, len(active))
    raise RequestError(
        f"{each.name} returns more than {MOST_RETURNS} times within {horizon:,.0f} km: shorten the horizon."
    )


def _residual_km(shape: float, scales: Array, age_km: float, random: np.random.Generator) -> Array:
    """What is left of a Weibull life that has already lasted `age_km`."""
    spent = np.power(age_km / scales, shape)
    return np.asarray(scales * np.power(spent + random.exponential(size=len(scales)), 1.0 / shape) - age_km)


def _harm(
    each: Standing, random: np.random.Generator, cars: NDArray[np.intp], at: Array, with_it: Array,
    book: tuple[Array, Array, Array],
) -> None:  # fmt: skip
    """Lasting damage while the complaint is there: at most once for each car."""
    grid, price, harm_at = book
    waits = random.exponential(size=len(cars))
    if each.harm_per_1000_km <= 0.0:
        return
    waits = waits * 1000.0 / each.harm_per_1000_km
    hit = (waits <= with_it) & (at + waits <= grid[-1]) & ~np.isfinite(harm_at[cars])
    harm_at[cars[hit]] = (at + waits)[hit]
    _book(price, grid, cars[hit], (at + waits)[hit], np.full(int(hit.sum()), each.harm_price))


def _book(price: Array, grid: Array, cars: NDArray[np.intp], at: Array, amounts: Array) -> None:
    """Put amounts on the first point of the grid at or after the distance at which they fall due."""
    np.add.at(price, (cars, np.searchsorted(grid, at)), amounts)
