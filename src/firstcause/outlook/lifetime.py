"""How long something lasts: Weibull lifetimes, fitted to failures and to parts still running, and their doubt."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from math import exp, gamma, log

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import RequestError

Array = NDArray[np.float64]

FEWEST_FAILURES = 3
# Fitted shapes outside this range say that the data are no single wearing part (mixtures, infant deaths of a few).
CREDIBLE_SHAPES = (0.3, 20.0)


class NoCredibleFit(RequestError):
    """A lifetime that these observations cannot carry."""

    def __init__(self, why: str) -> None:
        self.why = why
        super().__init__(f"No lifetime was fitted: {why}. The observations are kept; use the knowledge base's span.")


@dataclass(frozen=True, slots=True)
class Weibull:
    """P(life > t) = exp(-(t / scale_km) ** shape). Source: textbook form (Weibull 1951, from memory)."""

    shape: float
    scale_km: float

    def survival(self, distance_km: Array | float) -> Array:
        """P(life > distance)."""
        return np.asarray(np.exp(-np.power(np.asarray(distance_km, dtype=float) / self.scale_km, self.shape)))

    def quantile_km(self, share: float) -> float:
        """Distance by which this share has failed."""
        return float(self.scale_km * (-log(1.0 - share)) ** (1.0 / self.shape))

    def mean_km(self) -> float:
        """Mean life."""
        return self.scale_km * gamma(1.0 + 1.0 / self.shape)


@dataclass(frozen=True, slots=True)
class Fit:
    """A fitted Weibull with its log-likelihood and the 95 % interval of its shape (likelihood ratio)."""

    life: Weibull
    log_likelihood: float
    shape_from: float
    shape_to: float


def fit_weibull(failed_km: Sequence[float], running_km: Sequence[float] = ()) -> Fit:
    """Maximum likelihood from lives that ended and lives still running (right-censored).

    For a fixed shape the scale is (sum t^shape / failures)^(1/shape), so one number is searched. Source: Lawless,
    Statistical Models and Methods for Lifetime Data (from memory); checked against published fits in the tests.
    Raises NoCredibleFit for fewer than three failures, and for a shape that no wearing part has.
    """
    failed, times = np.asarray(failed_km, dtype=float), np.array([*failed_km, *running_km], dtype=float)
    if len(failed) < FEWEST_FAILURES:
        raise NoCredibleFit(f"{len(failed)} failure(s) seen, at least {FEWEST_FAILURES} are needed")
    if not (np.isfinite(times).all() and (times > 0.0).all()):
        raise NoCredibleFit("a distance is not above 0")
    from scipy.optimize import brentq, minimize_scalar

    unit = float(np.exp(np.log(times).mean()))

    def profile(log_shape: float) -> float:
        shape = exp(log_shape)
        scale = unit * float(np.power(times / unit, shape).sum() / len(failed)) ** (1.0 / shape)
        hazard = np.log(shape / scale) + (shape - 1.0) * np.log(failed / scale)
        return float(hazard.sum() - np.power(times / scale, shape).sum())

    lowest, highest = log(CREDIBLE_SHAPES[0]), log(CREDIBLE_SHAPES[1])
    found = minimize_scalar(lambda x: -profile(x), bounds=(lowest, highest), method="bounded", options={"xatol": 1e-10})
    best = float(found.x)
    if not lowest + 1e-3 < best < highest - 1e-3:
        raise NoCredibleFit(f"the shape runs to {exp(best):.2g}, which no single wearing part has")
    top, shape = profile(best), exp(best)
    scale = unit * float(np.power(times / unit, shape).sum() / len(failed)) ** (1.0 / shape)
    drop = 1.920729410347062  # half of the 95 % quantile of chi-squared with one degree of freedom

    def edge(end: float) -> float:
        beyond = profile(end) > top - drop
        return exp(end) if beyond else exp(brentq(lambda x: profile(x) - top + drop, *sorted((end, best))))

    return Fit(Weibull(shape, scale), top, edge(log(0.05)), edge(log(100.0)))


@dataclass(frozen=True, slots=True)
class LifeBelief:
    """What is believed of a life in this car: a Weibull whose scale is not known yet.

    (scale / unit) ** shape is inverse-gamma (weight, mass): `weight` counts like so many lives already seen, `mass` is
    their sum of life ** shape. This form is conjugate, so learning is adding: an ended life adds 1 to the weight and
    its power to the mass, a running one its power to the mass only. Source: textbook (conjugate prior of the Weibull
    with known shape; its predictive is the Burr XII distribution), from memory; checked against numerical
    integration in the tests.
    """

    shape: float
    weight: float
    mass: float
    unit_km: float

    @classmethod
    def from_span(cls, from_km: float, to_km: float, weight: float) -> LifeBelief:
        """The belief under which 1 life in 10 ends before `from_km` and 1 in 10 after `to_km`."""
        if not 0.0 < from_km < to_km:
            raise RequestError(f"A span from {from_km:g} to {to_km:g} km is none; write the shorter distance first.")
        early, late = 0.9 ** (-1.0 / weight) - 1.0, 0.1 ** (-1.0 / weight) - 1.0
        shape = log(late / early) / log(to_km / from_km)
        return cls(shape, weight, 1.0 / early, from_km)

    def learnt(self, ended_km: Sequence[float] = (), running_km: Sequence[float] = ()) -> LifeBelief:
        """After lives seen in this very car: those that ended, and those still running."""
        lives = [*ended_km, *running_km]
        if any(not life >= 0.0 for life in lives) or any(life == 0.0 for life in ended_km):
            raise RequestError("A life seen in this car is not above 0 km; correct the distance and ask again.")
        seen = sum((float(life) / self.unit_km) ** self.shape for life in lives)
        return replace(self, weight=self.weight + len(ended_km), mass=self.mass + seen)

    def survival(self, distance_km: Array | float) -> Array:
        """P(life > distance) for a new life."""
        powers = np.power(np.asarray(distance_km, dtype=float) / self.unit_km, self.shape)
        return np.asarray(np.power(1.0 + powers / self.mass, -self.weight))

    def quantile_km(self, share: float) -> float:
        """Distance by which a new life has ended with this chance."""
        power = self.mass * ((1.0 - share) ** (-1.0 / self.weight) - 1.0)
        return float(self.unit_km * power ** (1.0 / self.shape))

    def left_km(self, share: float, age_km: float = 0.0) -> float:
        """Distance from now by which a life that has lasted `age_km` has ended with this chance."""
        spent = 1.0 + (age_km / self.unit_km) ** self.shape / self.mass
        power = self.mass * (spent * (1.0 - share) ** (-1.0 / self.weight) - 1.0)
        return float(self.unit_km * power ** (1.0 / self.shape) - age_km)

    def scales_km(self, random: np.random.Generator, count: int) -> Array:
        """Draws of the scale of this car."""
        return self.unit_km * np.power(self.mass / random.gamma(self.weight, size=count), 1.0 / self.shape)
