"""Findings, links and tables as signed sums of products over causes: the form in which sums can be pulled apart."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from math import log, prod

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning.network import Cause, Finding, Table
from firstcause.reasoning.shown import terms_of

Array = NDArray[np.float64]
Index = NDArray[np.intp]

SMALLEST_TERM = 1e-14


@dataclass(frozen=True)
class Sum:
    """One sum, over a finding's outcome steps or the two terms of a link, and how each cause couples to its terms.

    `present` and `absent` map a cause to one factor per term; a cause that is not in them has the factor 1.
    """

    coefficients: Array
    present: Mapping[int, Array]
    absent: Mapping[int, Array] = field(default_factory=dict)

    def touches(self) -> set[int]:
        return set(self.present) | set(self.absent)


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

    def as_sum(self) -> Sum:
        """The child present: 1 - P(absent); absent: P(absent). Its prior is then in here, and nowhere else."""
        present: dict[int, Array] = {parent: np.array([1.0, left]) for parent, left in self.leaves.items()}
        present[self.child] = np.array([1.0, -self.keep])
        return Sum(np.ones(2), present, {self.child: np.array([0.0, self.keep])})


def sum_of(finding: Finding, index: Mapping[str, int], negligible: float = SMALLEST_TERM) -> tuple[Sum, float]:
    """A finding as sum_m (w_m - w_{m+1}) leak_m product of cumulatives_m, weights brought to 1 at most; log of that.

    With several axes the difference is taken along each of them.

    Terms below `negligible` times the largest are left out. Source: Heckerman's quickscore (1989), here for noisy-MAX.
    """
    largest = max(finding.weights)
    if largest <= 0.0:
        return Sum(np.zeros(1), {}), 0.0
    weights = np.array(finding.weights) / largest
    coefficients = terms_of(weights, finding.axes) * np.array(finding.leak)
    keep = np.abs(coefficients) > negligible * np.abs(coefficients).max()
    present = {index[name]: np.array(cumulative)[keep] for name, cumulative in finding.causes}
    return Sum(coefficients[keep], {i: q for i, q in present.items() if (q != 1.0).any()}), log(largest)


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


def joint_size(sums: Sequence[Sum]) -> int:
    """How many combinations of terms there are."""
    return prod(len(total.coefficients) for total in sums)


@dataclass(frozen=True)
class Joint:
    """All combinations of the terms of some sums: their coefficients, and the coupling of each cause to each."""

    sums: tuple[Sum, ...]
    at: tuple[Index, ...]
    weights: Array

    @classmethod
    def of(cls, sums: Sequence[Sum]) -> Joint:
        sizes = [len(total.coefficients) for total in sums]
        at = tuple(np.indices(sizes).reshape(len(sizes), -1)) if sizes else ()
        weights = np.ones(prod(sizes))
        for total, where in zip(sums, at, strict=True):
            weights = weights * total.coefficients[where]
        return cls(tuple(sums), at, weights)

    def __len__(self) -> int:
        return len(self.weights)

    def couplings(self, causes: Sequence[int]) -> tuple[Array, Array]:
        """Factors of each cause when present and when absent, (causes, combinations)."""
        present, absent = np.ones((len(causes), len(self))), np.ones((len(causes), len(self)))
        row = {cause: at for at, cause in enumerate(causes)}
        for total, where in zip(self.sums, self.at, strict=True):
            for target, given in ((present, total.present), (absent, total.absent)):
                for cause, factors in given.items():
                    if cause in row:
                        target[row[cause]] *= factors[where]
        return present, absent
