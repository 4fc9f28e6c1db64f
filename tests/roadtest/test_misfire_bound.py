"""Exact bounds on what can hide behind a quiet drive, against SciPy's and the textbook's."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from firstcause.roadtest.bound import (
    ImpossibleCount,
    events_needed,
    ignition_events,
    lower_rate,
    minutes_needed,
    quiet_probability,
    shortest_spacing_min,
    upper_mean,
    upper_rate,
)


@pytest.mark.parametrize(("misfires", "events"), [(0, 1), (0, 13500), (1, 400), (7, 2000), (90, 400), (400, 400)])
@pytest.mark.parametrize("confidence", [0.9, 0.95, 0.99])
def test_bounds_equal_clopper_pearson_of_scipy(misfires: int, events: int, confidence: float) -> None:
    """
    scipy.stats: binomtest(...).proportion_ci(method="exact"), whose root finder stops at 2e-12 (so 1e-11), and the
    beta quantile itself to 1e-9. A one-sided 95 % is the end of a two-sided 90 %.
    """
    from scipy.stats import beta, binomtest

    exact = binomtest(misfires, events).proportion_ci(confidence_level=2 * confidence - 1, method="exact")
    assert upper_rate(misfires, events, confidence) == pytest.approx(exact.high, abs=1e-11)
    assert lower_rate(misfires, events, confidence) == pytest.approx(exact.low, abs=1e-11)
    if misfires < events:
        assert upper_rate(misfires, events, confidence) == pytest.approx(
            beta.ppf(confidence, misfires + 1, events - misfires), rel=1e-9
        )


@pytest.mark.parametrize("events", [100, 1000, 13500, 100_000])
def test_no_misfire_in_n_events_is_the_rule_of_three(events: int) -> None:
    """95 % upper bound close to 3/n (Hanley & Lippman-Hand, JAMA 249 (1983) 1743, from memory); -ln 0.05 = 2.9957."""
    assert upper_rate(0, events) == pytest.approx(3 / events, rel=0.02)
    assert upper_rate(0, events) < 3 / events


def test_fifteen_minutes_at_1800_rpm() -> None:
    """13,500 firings of one cylinder bound the rate below 2.2e-4 (two digits printed; computed, rule of three)."""
    assert ignition_events(1800, 15) == 13500
    assert ignition_events(1500, 18) == 13500
    assert upper_rate(0, 13500) == pytest.approx(2.2e-4, abs=0.05e-4)


@pytest.mark.parametrize("count", [0, 1, 3, 20])
def test_poisson_bound_is_a_quantile_of_chi_square(count: int) -> None:
    """Garwood 1936: chi2.ppf(c, 2k + 2) / 2."""
    from scipy.stats import chi2

    assert upper_mean(count) == pytest.approx(chi2.ppf(0.95, 2 * count + 2) / 2, rel=1e-9)


@pytest.mark.parametrize(("minutes", "row"), [(15, (0.05, 0.37, 0.61, 0.78)), (20, (0.02, 0.26, 0.51, 0.72))])
def test_chance_of_a_silent_drive(minutes: float, row: tuple[float, ...]) -> None:
    """P(no event in t) for bouts 5, 15, 30, 60 min apart; computed by us before this code, two digits printed."""
    for spacing, printed in zip((5, 15, 30, 60), row, strict=True):
        assert quiet_probability(minutes, spacing) == pytest.approx(printed, abs=0.005)


def test_eighteen_minutes_leave_more_than_half_in_doubt() -> None:
    """Bouts every 30 min: 55 of 100 drives of 18 min show none; 95 % needs 3 spacings (computed before this code)."""
    assert quiet_probability(18, 30) == pytest.approx(0.55, abs=0.005)
    assert minutes_needed(35) == pytest.approx(105, abs=0.5)
    assert shortest_spacing_min(minutes_needed(35)) == pytest.approx(35)


@given(st.floats(1e-6, 0.5), st.floats(0.5, 0.999))
def test_the_events_needed_are_the_fewest_that_do(rate: float, confidence: float) -> None:
    needed = events_needed(rate, confidence)
    assert upper_rate(0, needed, confidence) <= rate * (1 + 1e-6)
    assert needed == 1 or upper_rate(0, needed - 1, confidence) > rate * (1 - 1e-6)


@given(st.integers(1, 5000), st.data())
def test_more_misfires_never_lower_the_bound(events: int, data: st.DataObject) -> None:
    misfires = data.draw(st.integers(0, events - 1))
    assert lower_rate(misfires, events) <= misfires / events <= upper_rate(misfires, events)
    assert upper_rate(misfires, events) <= upper_rate(misfires + 1, events)


@pytest.mark.parametrize("bad", [(-1, 10), (11, 10), (0, 0)])
def test_counts_that_cannot_be_are_refused(bad: tuple[int, int]) -> None:
    with pytest.raises(ImpossibleCount):
        upper_rate(*bad)
    with pytest.raises(ImpossibleCount):
        upper_rate(0, 10, 1.0)
    with pytest.raises(ImpossibleCount):
        quiet_probability(10, 0)
    with pytest.raises(ImpossibleCount):
        events_needed(math.nan)
