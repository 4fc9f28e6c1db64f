"""The figures of the trial against a reference library and against hand counts."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import bootstrap

from firstcause.trial.table import calibration, table_text, tally


def _row(car: int, policy: str, cost: float, **other: object) -> dict[str, object]:
    return {"car": car, "policy": policy, "cost": cost, "minutes": 60.0, "good_parts": 1, "false_cured": 0,
            "comebacks": 0, "named_right": True, "steps": 3, "state": "cured", "unknown": False, "drawn": 2,
            "seconds": 1.0, "stated": [], "broken": "", "shape": "I4", "faults": [], "log": [], **other}  # fmt: skip


def test_intervals_are_those_of_scipys_bootstrap() -> None:
    """scipy.stats.bootstrap, percentile method. Resamples scatter by 2 % of the width: 5 % allowed."""
    costs = np.random.default_rng(5).lognormal(6, 1, 80)
    rows = [_row(n, "ours", float(cost)) for n, cost in enumerate(costs)]
    found = tally(rows, ["ours"], 1).lines[0].cost
    theirs = bootstrap((costs,), np.mean, n_resamples=20_000, method="percentile", rng=2).confidence_interval
    width = theirs.high - theirs.low
    assert found.value == pytest.approx(costs.mean())
    assert found.low == pytest.approx(theirs.low, abs=0.05 * width)
    assert found.high == pytest.approx(theirs.high, abs=0.05 * width)


def test_differences_are_paired_by_car_and_cars_that_one_policy_lacks_are_left_out() -> None:
    """The rival is 10 dearer on each car, whose costs differ by thousands: the paired interval is that 10 alone."""
    rows = [_row(n, "ours", 1000.0 * n) for n in range(9)] + [_row(n, "rival", 1000.0 * n + 10) for n in range(8)]
    found = tally(rows, ["ours", "rival"], 1)
    assert found.cars == 8
    over = found.lines[1].cost_over_ours
    assert (over.value, over.low, over.high) == pytest.approx((10, 10, 10))
    assert "8 cars (0 with a fault" in table_text(found)


def test_calibration_counts_how_often_what_was_said_was_so() -> None:
    bins = calibration([[(0.05, False), (0.05, True), (0.95, True)], [(1.0, True), (1.0, False)]])
    assert [(b.count, b.cars, b.right) for b in bins] == [(2, 1, 0.5), (3, 2, pytest.approx(2 / 3))]


def test_what_is_said_many_times_of_one_car_is_no_surer_for_that() -> None:
    """Ten cars that each say the same ninety times: the interval is that of ten draws, as scipy has it."""
    once = [[(0.5, car < 4)] for car in range(10)]
    often = [pairs * 90 for pairs in once]
    (one,), (many,) = calibration(once, 3), calibration(often, 3)
    assert (one.right_low, one.right_high) == (many.right_low, many.right_high)
    shares = np.array([float(car < 4) for car in range(10)])
    theirs = bootstrap((shares,), np.mean, n_resamples=20_000, method="percentile", rng=2).confidence_interval
    assert one.right_low == pytest.approx(theirs.low, abs=0.1)
    assert one.right_high == pytest.approx(theirs.high, abs=0.1)
