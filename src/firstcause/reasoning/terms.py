"""Findings, links and tables as signed sums of products over causes: the form in which sums can be pulled apart."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import log

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning.network import Cause, Finding, Table
from firstcause.reasoning.shown import terms_of

Array = NDArray[np.float64]

SMALLEST_TERM = 1e-14


@dataclass(frozen=True)
class Sum:
    """One sum, over a finding's outcome steps or a table's states, and how each cause couples to its terms.

    `present` and `absent` map a cause to one factor per term; a cause that is not in them has the factor 1.
    """

    coefficients: Array
    present: Mapping[int, Array]
    absent: Mapping[int, Array] = field(default_factory=dict)


@dataclass(frozen=True)
class Link:
    """A cause with parents: P(absent) = keep * product over present parents of what they leave."""

    child: int
    keep: float
    leaves: Mapping[int, float]

    @classmethod
    def of(cls, child: int, cause: Cause, index: Mapping[str, int]) -> Link:
        return cls(child, 1.0 - cause.leak, {index[parent]: 1.0 - chance for parent, chance in cause.parents})

    def members(self) -> set[int]:
        return {self.child, *self.leaves}


def coefficients_of(finding: Finding, negligible: float = SMALLEST_TERM) -> tuple[list[float], list[int], float]:
    """A finding as sum_m (w_m - w_{m+1}) leak_m product of cumulatives_m, weights brought to 1 at most.

    With several axes the difference is taken along each of them. Returns the coefficients, the outcome steps m they
    stand at, and the log of what the weights were divided by. Terms below `negligible` times the largest are left
    out. Source: Heckerman's quickscore (1989), here for noisy-MAX.
    """
    largest = max(finding.weights)
    if largest <= 0.0:
        return [0.0], [0], 0.0
    weights = [weight / largest for weight in finding.weights]
    if finding.axes:
        differences = terms_of(np.array(weights), finding.axes).tolist()
    else:
        differences = [weight - after for weight, after in zip(weights, [*weights[1:], 0.0], strict=True)]
    signed = [difference * leak for difference, leak in zip(differences, finding.leak, strict=True)]
    least = negligible * max(map(abs, signed))
    kept = [m for m, coefficient in enumerate(signed) if abs(coefficient) > least]
    return [signed[m] for m in kept], kept, log(largest)


def sum_of_table(table: Table, index: Mapping[str, int]) -> tuple[Sum, float]:
    """A table as one term for each state that can be, the greatest brought to 1; log of that. No term is negative."""
    values = np.array(table.values)
    possible = np.flatnonzero(values > 0.0)
    if not len(possible):
        return Sum(np.zeros(1), {}), 0.0
    largest = float(values.max())
    present, absent = {}, {}
    for at, name in enumerate(reversed(table.causes)):
        on = (possible >> at & 1).astype(float)
        present[index[name]], absent[index[name]] = on, 1.0 - on
    return Sum(values[possible] / largest, present, absent), log(largest)
