"""The reduced trial: no policy beats the optimum, none is beaten by it where it has no choice, and the bound bounds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from firstcause.cli.main import main
from firstcause.trial.reduced import (
    FAULTS,
    OPTIMUM,
    TESTS,
    AllKnowing,
    CheapestFirst,
    MostLikelyFirst,
    Optimum,
    Problem,
)
from firstcause.trial.table import gaps

PROBLEM = Problem.random(5000)


def test_with_one_fault_certain_and_no_test_the_optimum_is_the_cheaper_of_repair_and_referral_by_hand() -> None:
    """By hand: repair, drive, and where it fails hand on; or hand on at once. One repair reaches the fault."""
    only = np.eye(FAULTS)
    price = np.array([100.0, 900.0, 900.0, 900.0, 900.0])
    problem = Problem(
        only[0], only * 0.9, price, (frozenset(),) * FAULTS, np.full(TESTS, 50.0), (frozenset(),) * TESTS,
        tuple(np.full((2, FAULTS), 0.5) for _ in range(TESTS)), np.zeros(3), 0.0, 300.0, 40.0, np.full(FAULTS, 1000.0),
    )  # fmt: skip
    assert Optimum(problem).cost() == pytest.approx(100.0 + 40.0 + 0.1 * 1000.0)
    assert AllKnowing(problem).cost() == pytest.approx(240.0)
    assert MostLikelyFirst(problem).cost() == pytest.approx(240.0)
    assert CheapestFirst(problem).cost() == pytest.approx(240.0)


def test_all_knowing_is_below_the_optimum_and_the_rivals_are_above() -> None:
    best = Optimum(PROBLEM).cost()
    assert AllKnowing(PROBLEM).cost() < best
    assert min(MostLikelyFirst(PROBLEM).cost(), CheapestFirst(PROBLEM).cost()) > best - 1e-9


def test_the_table_is_paired_by_problem() -> None:
    costs = {OPTIMUM: np.array([100.0, 1000.0]), "ours": np.array([110.0, 1100.0])}
    ours = gaps(costs, OPTIMUM, 1)[1]
    assert (ours.over_optimum.low, ours.over_optimum.high) == pytest.approx((0.1, 0.1))
    assert ours.worst == pytest.approx(0.1)


def test_the_command_writes_what_it_prints(tmp_path: Path) -> None:
    done = CliRunner().invoke(main, ["trial", "--reduced", "1", "--out", str(tmp_path)])
    assert done.exit_code == 0, done.output
    assert "| exact optimum |" in done.output
    assert (tmp_path / "reduced.json").exists()
