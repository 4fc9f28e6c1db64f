"""Lifetimes against published fits, closed forms and numerical integration."""

from __future__ import annotations

from math import gamma

import numpy as np
import pytest
from scipy import integrate, optimize, stats

from firstcause.errors import RequestError
from firstcause.outlook.lifetime import LifeBelief, NoCredibleFit, Weibull, fit_weibull
from firstcause.outlook.renewal import expected_renewals

# Lieblein and Zelen (1956), endurance of 23 deep-groove ball bearings, millions of revolutions, as carried by surpyval
# (MIT). Some printings have 48.48 for 48.40.
BEARINGS = (
    17.88, 28.92, 33.00, 41.52, 42.12, 45.60, 48.40, 51.84, 51.96, 54.12, 55.56, 67.80,
    68.64, 68.64, 68.88, 84.12, 93.12, 98.64, 105.12, 105.84, 127.92, 128.04, 173.40,
)  # fmt: skip


def test_the_ball_bearings_give_the_published_weibull() -> None:
    """Shape 2.102 and scale 81.875 are published with the data set in the package surpyval (MIT); also in Lawless."""
    fit = fit_weibull(BEARINGS)
    assert fit.life.shape == pytest.approx(2.102, abs=5e-4)
    assert fit.life.scale_km == pytest.approx(81.875, abs=5e-4)
    assert fit.log_likelihood == pytest.approx(-113.6920, abs=1e-3)
    assert fit.shape_from < fit.life.shape < fit.shape_to


def test_car_parts_most_of_which_still_run() -> None:
    """Krivtsov and Case, SAE 1999-01-3220, distances of a car part: 10 failed, 21 still running.

    Shape 1.1544 and scale 134,651.04, log-likelihood -128.9738: lifelines 0.30.3 on the same data (reference list F).
    """
    failed = (5248, 7454, 16890, 17200, 38700, 45000, 49390, 69040, 72280, 131900)
    running = (
        3961, 4007, 4734, 6054, 7298, 10190, 23060, 27160, 28690, 37100, 40060,
        45670, 53000, 67000, 69630, 77350, 78470, 91680, 105700, 106300, 150400,
    )  # fmt: skip
    fit = fit_weibull(failed, running)
    assert fit.life.shape == pytest.approx(1.1544, abs=5e-5)
    assert fit.life.scale_km == pytest.approx(134_651.04, abs=0.5)
    assert fit.log_likelihood == pytest.approx(-128.9738, abs=1e-4)


def test_lives_still_running_are_counted_as_such() -> None:
    """Against scipy.stats.CensoredData, an implementation of its own, on seeded lives cut off at 30,000 km."""
    lives = Weibull(1.8, 25_000.0).scale_km * np.random.default_rng(4).weibull(1.8, size=60)
    failed, running = lives[lives < 30_000.0], np.full(int((lives >= 30_000.0).sum()), 30_000.0)
    fit = fit_weibull(list(failed), list(running))
    data = stats.CensoredData(uncensored=failed / 1e4, right=running / 1e4)
    shape, _, scale = stats.weibull_min.fit(data, floc=0.0)
    assert fit.life.shape == pytest.approx(shape, rel=1e-4)
    assert fit.life.scale_km == pytest.approx(scale * 1e4, rel=1e-4)


@pytest.mark.parametrize("failed", [(), (5_000.0, 7_000.0)])
def test_two_failures_are_no_fit(failed: tuple[float, ...]) -> None:
    with pytest.raises(NoCredibleFit, match="at least 3"):
        fit_weibull(failed, [10_000.0])


def test_lives_that_are_all_alike_are_no_fit() -> None:
    with pytest.raises(NoCredibleFit, match="shape runs to"):
        fit_weibull([10_000.0, 10_000.1, 9_999.9])


def test_a_span_is_met_at_both_ends() -> None:
    belief = LifeBelief.from_span(8_000.0, 25_000.0, weight=2.0)
    assert float(belief.survival(8_000.0)) == pytest.approx(0.9)
    assert float(belief.survival(25_000.0)) == pytest.approx(0.1)
    assert belief.quantile_km(0.5) == pytest.approx(
        float(stats.burr12(belief.shape, belief.weight, scale=8_000.0 * belief.mass ** (1 / belief.shape)).ppf(0.5))
    )


def test_learning_agrees_with_numerical_integration() -> None:
    """The same plug fouled after 6,000 km, the present one has 1,200 km: Bayes' rule integrated on a grid of scales."""
    prior = LifeBelief.from_span(8_000.0, 25_000.0, weight=2.0)
    learnt = prior.learnt(ended_km=[6_000.0], running_km=[1_200.0])
    k, unit = prior.shape, prior.unit_km
    law = stats.invgamma(prior.weight, scale=prior.mass)

    def weighed(theta: float, distance_km: float) -> float:
        ended, running, new = ((km / unit) ** k / theta for km in (6_000.0, 1_200.0, distance_km))
        return float(law.pdf(theta) * k * ended * np.exp(-ended) * np.exp(-running) * np.exp(-new))

    def total(distance_km: float) -> float:
        low, high = np.log(prior.mass) + np.array([-8.0, 12.0])
        found, _ = integrate.quad(lambda u: weighed(np.exp(u), distance_km) * np.exp(u), low, high, limit=500)
        return float(found)

    for distance_km in (1_000.0, 6_000.0, 20_000.0):
        assert float(learnt.survival(distance_km)) == pytest.approx(total(distance_km) / total(0.0), rel=1e-6)
    assert learnt.quantile_km(0.5) < prior.quantile_km(0.5), "an early fouling makes the next one expected earlier"


def test_drawn_scales_follow_the_belief() -> None:
    belief = LifeBelief.from_span(5_000.0, 30_000.0, weight=2.0)
    random = np.random.default_rng(1)
    lives = belief.scales_km(random, 40_000) * random.weibull(belief.shape, 40_000)
    assert stats.kstest(lives, lambda t: 1.0 - belief.survival(t)).pvalue > 0.001


@pytest.mark.parametrize(("ended", "running"), [([0.0], []), ([], [-5.0]), ([float("nan")], [])])
def test_a_life_below_nothing_is_refused(ended: list[float], running: list[float]) -> None:
    with pytest.raises(RequestError, match="not above 0"):
        LifeBelief.from_span(5_000.0, 30_000.0, 2.0).learnt(ended, running)


def test_renewals_of_a_life_without_wear_are_rate_times_distance() -> None:
    """The Poisson process: M(t) = t / mean."""
    renewals = expected_renewals(Weibull(1.0, 10_000.0).survival, 50_000.0)
    assert renewals[-1] == pytest.approx(5.0, abs=1e-4)
    assert renewals[500] == pytest.approx(2.5, abs=1e-4)


# Tijms, A First Course in Stochastic Models (Wiley, 2003), table 8.1.1: renewal function of a Weibull life of mean 1,
# by its squared coefficient of variation. Read on 2026-11-26.
PRINTED = {
    0.25: {
        0.1: "0.0061", 0.2: "0.0261", 0.4: "0.1087", 0.6: "0.2422", 0.8: "0.4141", 1.0: "0.6091", 1.2: "0.8143",
        1.5: "1.124", 2.0: "1.627", 2.5: "2.125",
    },
    2.0: {
        0.2: "0.3841", 0.5: "0.7785", 1.0: "1.357", 1.5: "1.901", 2.0: "2.428", 2.5: "2.947", 3.0: "3.460",
        3.5: "3.969", 5.0: "5.485", 7.5: "7.995",
    },
}  # fmt: skip


@pytest.mark.parametrize("spread", PRINTED)
def test_renewals_of_a_weibull_life_are_those_of_the_printed_table(spread: float) -> None:
    """Every printed value, within half its last digit and the error of our step (2e-5: against finer steps)."""
    shape = optimize.brentq(lambda k: gamma(1 + 2 / k) / gamma(1 + 1 / k) ** 2 - 1 - spread, 0.3, 10.0)
    life, farthest = Weibull(shape, 1.0 / gamma(1.0 + 1.0 / shape)), max(PRINTED[spread])
    steps = 2000
    renewals = expected_renewals(life.survival, farthest, steps)
    for at, printed in PRINTED[spread].items():
        half_a_digit = 0.5 * 10.0 ** -len(printed.partition(".")[2])
        found = float(np.interp(at, np.linspace(0.0, farthest, steps + 1), renewals))
        assert abs(found - float(printed)) <= half_a_digit + 2e-5, at


def test_renewals_of_an_erlang_life() -> None:
    """Erlang of two stages with rate a: M(t) = a t / 2 - 1/4 + exp(-2 a t) / 4 (Cox, Renewal Theory, from memory)."""
    rate = 1.0 / 5_000.0
    renewals = expected_renewals(lambda t: np.exp(-rate * t) * (1.0 + rate * t), 40_000.0)
    at = np.linspace(0.0, 40_000.0, 1001)
    exact = rate * at / 2.0 - 0.25 + np.exp(-2.0 * rate * at) / 4.0
    assert np.abs(renewals - exact).max() < 2e-5
