"""How far the rule by which the next step is chosen is from the best there is, on problems small enough to solve."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
import pytest
from numpy.typing import NDArray

from firstcause.reasoning.theory import Bill, entropy_bits, expected_bill, expected_course, perfect_information

Array = NDArray[np.float64]
PROBLEMS = range(24)
# Published, other problems: 2.5 % for asking now or later, 21 % for now or never, 59 % for repairs alone
# (Langseth & Jensen, RESS 80, 2003, table 2 of nine printer models). Ours here: 0.7 % in the mean, 4.7 % at most.
OUR_MEAN_GAP_AT_MOST = 0.015
OUR_LARGEST_GAP_AT_MOST = 0.1


@dataclass(frozen=True)
class Problem:
    """One fault of five, a perfect repair for each, three tests with two outcomes; every repair shows if it was it."""

    prior: Array
    price: Array
    test_price: Array
    striking: Array  # (tests, faults): P(striking outcome | fault)

    @classmethod
    def random(cls, seed: int) -> Problem:
        chance = np.random.default_rng(seed)
        faults, tests = 5, 3
        striking = np.where(chance.random((tests, faults)) < 0.45, chance.uniform(0.6, 0.98, (tests, faults)), 0.05)
        prior = chance.dirichlet(np.full(faults, 1.2))
        return cls(prior, chance.uniform(30.0, 600.0, faults), chance.uniform(5.0, 40.0, tests), striking)

    @property
    def bill(self) -> Bill:
        nothing = np.zeros(len(self.price))
        return Bill(self.price, np.eye(len(self.price)), nothing, nothing + 5000.0, comeback=0.0, verify=0.0)


Known = tuple[tuple[int, ...], frozenset[int]]
"""Outcome of each test (-1: not done), and the repairs done in vain."""


class Course:
    """Expected cost of going on from what is known, by a rule for the next step."""

    def __init__(self, problem: Problem) -> None:
        self.problem = problem
        self.cost = cache(self._cost)

    def weights(self, known: Known) -> Array:
        outcomes, in_vain = known
        weights = self.problem.prior.copy()
        weights[list(in_vain)] = 0.0
        for test, outcome in enumerate(outcomes):
            if outcome >= 0:
                seen = self.problem.striking[test]
                weights = weights * (seen if outcome else 1.0 - seen)
        return np.asarray(weights / weights.sum())

    def after_test(self, known: Known, test: int, outcome: int) -> Known:
        outcomes, in_vain = known
        return (*outcomes[:test], outcome, *outcomes[test + 1 :]), in_vain

    def options(self, known: Known) -> list[tuple[str, int]]:
        outcomes, in_vain = known
        tests = [("test", t) for t, outcome in enumerate(outcomes) if outcome < 0]
        return tests + [("repair", r) for r in range(len(self.problem.price)) if r not in in_vain]

    def cost_of(self, known: Known, option: tuple[str, int]) -> float:
        """What an option costs, when one goes on by the rule afterwards."""
        kind, which = option
        weights = self.weights(known)
        if kind == "repair":
            left = 1.0 - weights[which]
            after = (known[0], known[1] | {which})
            return float(self.problem.price[which] + (left * self.cost(after) if left > 1e-12 else 0.0))
        seen = float(weights @ self.problem.striking[which])
        both = (
            seen * self.cost(self.after_test(known, which, 1)),
            (1.0 - seen) * self.cost(self.after_test(known, which, 0)),
        )
        return float(self.problem.test_price[which] + sum(both))

    def _cost(self, known: Known) -> float:
        return self.cost_of(known, self.choose(known))

    def choose(self, known: Known) -> tuple[str, int]:
        raise NotImplementedError

    def start(self) -> float:
        return self.cost(((-1,) * len(self.problem.test_price), frozenset()))


class Best(Course):
    """All options tried to the end."""

    def choose(self, known: Known) -> tuple[str, int]:
        return min(self.options(known), key=lambda option: self.cost_of(known, option))


class OrderOfRepairs(Course):
    """No test is ever made: chance over cost."""

    def choose(self, known: Known) -> tuple[str, int]:
        weights = self.weights(known)
        return max(
            (option for option in self.options(known) if option[0] == "repair"),
            key=lambda option: weights[option[1]] / self.problem.price[option[1]],
        )


class Ours(Course):
    """As `choice` ranks: price plus what `theory.expected_course` expects after each outcome."""

    def joint(self, weights: Array, test: int) -> Array:
        seen = self.problem.striking[test]
        return np.array([weights * (1.0 - seen), weights * seen])

    def choose(self, known: Known) -> tuple[str, int]:
        weights, bill, none = self.weights(known), self.problem.bill, np.zeros(1)
        options = self.options(known)
        bits = {
            t: float(entropy_bits(weights[None])[0] - entropy_bits(self.joint(weights, t)).sum())
            for kind, t in options
            if kind == "test"
        }
        prices = sorted(self.problem.test_price[t] / gain for t, gain in bits.items() if gain > 1e-3)
        per_bit = float(np.median(prices[:3])) if prices else float("inf")

        def expected(option: tuple[str, int]) -> float:
            kind, which = option
            if kind == "test":
                after = expected_course(bill, self.joint(weights, which), np.zeros(2), per_bit)
                return float(self.problem.test_price[which] + after.sum())
            left = weights.copy()
            left[which] = 0.0
            return float(self.problem.price[which] + expected_course(bill, left[None], none, per_bit)[0])

        return min(options, key=expected)


@cache
def gaps() -> tuple[Array, Array]:
    """Excess over the optimum: ours, and repairs alone."""
    ours, alone = [], []
    for seed in PROBLEMS:
        problem = Problem.random(seed)
        best = Best(problem).start()
        ours.append(Ours(problem).start() / best - 1.0)
        alone.append(OrderOfRepairs(problem).start() / best - 1.0)
    return np.array(ours), np.array(alone)


def test_our_rule_is_close_to_the_optimum() -> None:
    """Ours: 24 random problems, optimum by trying everything."""
    ours, _ = gaps()

    assert (ours > -1e-12).all()
    assert ours.mean() < OUR_MEAN_GAP_AT_MOST
    assert ours.max() < OUR_LARGEST_GAP_AT_MOST


def test_looking_pays() -> None:
    """Repairs alone, in the best order there is for them, cost far more: the direction of Langseth & Jensen's table."""
    ours, alone = gaps()

    assert alone.mean() > 5 * ours.mean()


@pytest.mark.parametrize("seed", PROBLEMS)
def test_the_bounds_hold_the_optimum(seed: int) -> None:
    """Known cause <= optimum <= repairs alone. Jensen et al., AI EDAM 15 (2001), definition 4, and P/C order above."""
    problem = Problem.random(seed)
    best = Best(problem).start()
    at_start = problem.prior[None]

    assert perfect_information(problem.bill, at_start)[0] <= best + 1e-9
    assert best <= expected_bill(problem.bill, at_start, np.zeros(1))[0] + 1e-9
    assert expected_bill(problem.bill, at_start, np.zeros(1))[0] == pytest.approx(OrderOfRepairs(problem).start())
