"""What tests show, as the arithmetic wants it: outcomes as points on the test's axes, and cumulative tables over them.

A test has one axis (its outcomes in their order) or several, such as lean and rich. What several faults show together
is the higher level on each axis; P(at most these levels | faults) is the product of what each fault gives.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
from numpy.typing import NDArray

from firstcause.knowledge.schema import TestEntry

Array = NDArray[np.float64]


def axes_of(test: TestEntry) -> tuple[int, ...]:
    """How many levels each axis has; empty for a test whose outcomes are themselves the one axis."""
    return tuple(len(axis.levels) for axis in test.axes)


def shown_at(test: TestEntry) -> Array:
    """P(outcome | levels reached), (outcomes, combinations of levels); the last axis runs fastest."""
    if not test.axes:
        return np.eye(len(test.outcomes))
    row = {outcome.id: at for at, outcome in enumerate(test.outcomes)}
    shares = test.outcome_shares()
    found = np.zeros((len(row), len(shares)))
    for column, outcomes in enumerate(shares.values()):
        for outcome, share in outcomes.items():
            found[row[outcome], column] = share
    return found


def weights_of(test: TestEntry, seen: Mapping[str, float]) -> tuple[float, ...]:
    """Likelihood of what was seen at each combination of levels, from its likelihood under each outcome."""
    given = np.array([seen.get(outcome.id, 0.0) for outcome in test.outcomes])
    return tuple(float(weight) for weight in given @ shown_at(test))


def leak_of(test: TestEntry) -> tuple[float, ...]:
    """Cumulative outcomes of a test when none of the faults that it shows is present."""
    return cumulative_of(test, test.otherwise.outcomes)


def cumulative_of(test: TestEntry, shares: Mapping[str, float]) -> tuple[float, ...]:
    """P(at most these levels) at each combination; what `shares` leaves goes to the first outcome, which has them all
    at their least."""
    sizes = axes_of(test) or (len(test.outcomes),)
    mass = np.zeros(sizes)
    for at, outcome in enumerate(test.outcomes):
        mass[test.levels_of(outcome) if test.axes else at] += shares.get(outcome.id, 0.0)
    mass.flat[0] += 1.0 - sum(shares.values())
    for axis in range(len(sizes)):
        mass = np.cumsum(mass, axis=axis)
    rising = np.clip(mass, 0.0, 1.0).ravel()
    return (*(float(value) for value in rising[:-1]), 1.0)


def terms_of(weights: Array, axes: tuple[int, ...]) -> Array:
    """Weights (..., levels) as factors of the cumulative terms: sum_m w_m P(= m) = sum_m terms_m P(at most m).

    Summation by parts along each axis, last to first. Source: for one axis, Heckerman's quickscore (1989).
    """
    sizes = axes or weights.shape[-1:]
    terms = weights.reshape(*weights.shape[:-1], *sizes)
    for axis in range(-len(sizes), 0):
        terms = -np.diff(terms, axis=axis, append=0.0)
    return terms.reshape(weights.shape)
