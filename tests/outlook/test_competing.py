"""Competing risks: against closed forms, against simulation, and the life that is left to a part that still runs."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import integrate, stats

from firstcause.errors import RequestError
from firstcause.outlook.competing import Risk, first_back
from firstcause.outlook.lifetime import LifeBelief


def almost_exponential(mean_km: float) -> LifeBelief:
    """So much weight that the scale is known: the predictive is the exponential law with this mean."""
    weight = 1e7
    return LifeBelief(1.0, weight, weight, mean_km)


def test_three_exponential_lives_share_by_their_rates() -> None:
    """Closed form: P(first by i before t) = r_i / R (1 - exp(-R t)), R the sum of the rates."""
    means = np.array([5_000.0, 10_000.0, 40_000.0])
    found, left = first_back([Risk("", 1.0, almost_exponential(mean)) for mean in means], 8_000.0)
    rates = 1.0 / means
    total = rates.sum()
    assert found == pytest.approx(rates / total * (1.0 - np.exp(-total * 8_000.0)), abs=1e-6)
    assert left == pytest.approx(np.exp(-total * 8_000.0), abs=1e-6)
    assert found.sum() + left == pytest.approx(1.0, abs=1e-6)


def test_causes_that_stand_by_chance_agree_with_integration() -> None:
    """Burr XII lives of scipy.stats, each present with its own chance, one part already run in; quad of scipy."""
    one, two = LifeBelief.from_span(1_600.0, 9_700.0, 2.0), LifeBelief.from_span(500.0, 30_000.0, 2.0)
    risks = [Risk("oil", 0.6, one, running_km=1_200.0), Risk("other", 0.3, two)]
    laws = [stats.burr12(b.shape, b.weight, scale=b.unit_km * b.mass ** (1.0 / b.shape)) for b in (one, two)]

    def density(t: float) -> float:
        other = 1.0 - 0.3 + 0.3 * laws[1].sf(t)
        return float(0.6 * laws[0].pdf(t + 1_200.0) / laws[0].sf(1_200.0) * other)

    found, left = first_back(risks, 20_000.0)
    assert found[0] == pytest.approx(integrate.quad(density, 0.0, 20_000.0, limit=200)[0], abs=1e-5)
    assert found.sum() + left == pytest.approx(1.0, abs=1e-5)


def test_drawn_cars_agree_within_their_error() -> None:
    one, two = LifeBelief.from_span(2_000.0, 9_000.0, 2.0), LifeBelief.from_span(5_000.0, 20_000.0, 2.0)
    random, cars = np.random.default_rng(3), 100_000
    lives = [
        np.where(random.random(cars) < chance, life.scales_km(random, cars) * random.weibull(life.shape, cars), np.inf)
        for life, chance in ((one, 0.5), (two, 0.8))
    ]
    drawn = float(((lives[0] < lives[1]) & (lives[0] <= 15_000.0)).mean())
    found, _ = first_back([Risk("", 0.5, one), Risk("", 0.8, two)], 15_000.0)
    error = np.sqrt(drawn * (1.0 - drawn) / cars)
    assert abs(found[0] - drawn) < 4.0 * error


def test_that_at_least_one_stands_is_bayes_rule() -> None:
    """Drawn cars, of which those without any cause are thrown away; within 4 standard errors."""
    one, two = LifeBelief.from_span(2_000.0, 9_000.0, 2.0), LifeBelief.from_span(5_000.0, 20_000.0, 2.0)
    random, cars = np.random.default_rng(5), 200_000
    stands = [random.random(cars) < chance for chance in (0.5, 0.4)]
    lives = [
        np.where(there, life.scales_km(random, cars) * random.weibull(life.shape, cars), np.inf)
        for life, there in zip((one, two), stands, strict=True)
    ]
    some = stands[0] | stands[1]
    drawn = float(((lives[0] < lives[1]) & (lives[0] <= 15_000.0))[some].mean())
    found, left = first_back([Risk("", 0.5, one), Risk("", 0.4, two)], 15_000.0, some_stands=1.0)
    assert abs(found[0] - drawn) < 4.0 * np.sqrt(drawn * (1.0 - drawn) / some.sum())
    assert found.sum() + left == pytest.approx(1.0)
    half, _ = first_back([Risk("", 0.5, one), Risk("", 0.4, two)], 15_000.0, some_stands=0.5)
    assert half == pytest.approx(0.5 * found)


def test_a_distance_that_is_none_is_refused() -> None:
    with pytest.raises(RequestError, match="is none"):
        first_back([], 0.0)


@pytest.mark.parametrize("age", [0.0, 1_200.0, 8_000.0])
def test_what_is_left_of_a_running_life(age: float) -> None:
    """Against scipy: P(T > age + x | T > age) = 1 - share at x = left_km(share, age)."""
    life = LifeBelief.from_span(1_600.0, 9_700.0, 2.0).learnt(ended_km=[6_000.0])
    law = stats.burr12(life.shape, life.weight, scale=life.unit_km * life.mass ** (1.0 / life.shape))
    for share in (0.1, 0.5, 0.9):
        left = life.left_km(share, age)
        assert law.sf(age + left) / law.sf(age) == pytest.approx(1.0 - share, rel=1e-9)
    assert life.left_km(0.5) == pytest.approx(life.quantile_km(0.5))
