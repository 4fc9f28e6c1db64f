"""The compiled model: binary causes with noisy-OR links, findings as weighted noisy-MAX, and tables for all else.

A finding may have several ordered axes (lean and rich): what is seen then hangs on the level reached on each.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Sequence
from copy import copy
from dataclasses import dataclass
from functools import cached_property, lru_cache
from math import isfinite, prod

import numpy as np

from firstcause.errors import RequestError


class ImpossibleNetwork(RequestError):
    """The network contradicts itself."""

    def __init__(self, why: str) -> None:
        self.why = why
        super().__init__(f"This model cannot be: {why}. Nothing was computed.")


@dataclass(frozen=True, slots=True)
class Cause:
    """A binary cause. P(present | parents) = 1 - (1 - leak) * product over present parents of (1 - chance).

    `block` names the part of the engine to which the cause is private (causes of different blocks meet only
    through causes whose block is None); it is a hint to the arithmetic and changes no answer.
    """

    id: str
    leak: float
    parents: tuple[tuple[str, float], ...] = ()
    block: str | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """A noisy-MAX over ordered outcomes, seen through weights.

    P(outcome <= m | causes) = leak[m] * product over present causes of cumulative[m]; both are cumulative and end at 1.
    `weights[m]` is the likelihood of what was seen if the outcome was m: 1 on one outcome for a sure finding.

    With `axes` (how many levels each has) m runs over the combinations of levels, the last axis fastest, "<=" means at
    most this level on every axis, and the higher level counts on each axis by itself.
    """

    id: str
    leak: tuple[float, ...]
    causes: tuple[tuple[str, tuple[float, ...]], ...]
    weights: tuple[float, ...]
    axes: tuple[int, ...] = ()


@dataclass(frozen=True, slots=True)
class Table:
    """Any factor over a few causes, for what is no noisy-OR: one that needs two others, or one that hides another.

    `values` multiply the probability of each joint state, the last cause turning quickest and absent before present:
    for (a, b) neither, b alone, a alone, both. None may be negative; they need not add up to anything. A cause whose
    whole conditional table is given has the leak 1/2 and a table of twice its conditional probabilities.
    """

    id: str
    causes: tuple[str, ...]
    values: tuple[float, ...]


@dataclass(frozen=True)
class Network:
    """Causes in an order in which parents come first, findings, and tables."""

    causes: tuple[Cause, ...]
    findings: tuple[Finding, ...] = ()
    tables: tuple[Table, ...] = ()

    def __post_init__(self) -> None:
        seen: set[str] = set()
        for cause in self.causes:
            _check_cause(cause, seen)
            seen.add(cause.id)
        for finding in self.findings:
            if finding.axes and prod(finding.axes) != len(finding.leak):
                raise ImpossibleNetwork(f"the axes of {finding.id} do not fit its outcomes")
            _check_cumulative(finding, finding.leak)
            if len(finding.weights) != len(finding.leak) or not all(isfinite(w) and w >= 0 for w in finding.weights):
                raise ImpossibleNetwork(f"the weights of {finding.id} do not fit its outcomes")
            for cause_id, cumulative in finding.causes:
                if cause_id not in seen:
                    raise ImpossibleNetwork(f"{finding.id} has the cause {cause_id}, which is not in the model")
                if len(cumulative) != len(finding.leak):
                    raise ImpossibleNetwork(f"{finding.id} has different numbers of outcomes for {cause_id}")
                _check_cumulative(finding, cumulative)
        for table in self.tables:
            if unknown := set(table.causes) - seen:
                raise ImpossibleNetwork(f"{table.id} has the cause {min(unknown)}, which is not in the model")
            if len(set(table.causes)) < len(table.causes):
                raise ImpossibleNetwork(f"{table.id} names a cause twice")
            if len(table.values) != 1 << len(table.causes) or not all(isfinite(v) and v >= 0 for v in table.values):
                raise ImpossibleNetwork(f"the values of {table.id} do not fit the states of its causes")

    @cached_property
    def index(self) -> dict[str, int]:
        """Position of each cause."""
        return {cause.id: at for at, cause in enumerate(self.causes)}

    def and_causes(self, added: Sequence[Cause]) -> Network:
        """The same network with causes on which no finding hangs; only these are checked."""
        known = dict(self.index)
        for cause in added:
            _check_cause(cause, known)
            known[cause.id] = len(known)
        grown = copy(self)
        grown.__dict__.update(causes=(*self.causes, *added), index=known)
        return grown

    def without(self, finding_ids: Iterable[str]) -> Network:
        """The same network with some findings left out."""
        left_out = set(finding_ids)
        return Network(self.causes, tuple(f for f in self.findings if f.id not in left_out), self.tables)


def _check_cause(cause: Cause, seen: Container[str]) -> None:
    _check_probability(cause.id, cause.leak)
    for parent, chance in cause.parents:
        if parent not in seen:
            raise ImpossibleNetwork(f"{cause.id} has the parent {parent}, which does not come before it")
        _check_probability(cause.id, chance)
    if cause.id in seen:
        raise ImpossibleNetwork(f"the cause {cause.id} stands twice")


def _check_probability(name: str, value: float) -> None:
    if not 0.0 <= value <= 1.0:
        raise ImpossibleNetwork(f"{name} has the probability {value!r}")


def _check_cumulative(finding: Finding, values: tuple[float, ...]) -> None:
    if not _is_cumulative(values, finding.axes):
        raise ImpossibleNetwork(f"the cumulative outcomes of {finding.id} do not rise from 0 to 1: {values}")


@lru_cache(maxsize=8192)
def _is_cumulative(values: tuple[float, ...], axes: tuple[int, ...]) -> bool:
    """Whether each combination of levels has a share of its own that is not negative, and all add up to 1."""
    if not values or abs(values[-1] - 1.0) > 1e-9:
        return False
    shares = np.array(values).reshape(axes or (len(values),))
    for axis in range(shares.ndim):
        shares = np.diff(shares, axis=axis, prepend=0.0)
    return bool((shares >= -1e-12).all())
