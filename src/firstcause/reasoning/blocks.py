"""One block of private causes as a table of signed rows, with each cause's part in it; and what any block must answer.

The rows of a block are the combinations of the terms of the sums that touch it. They have three parts: *outer* (terms
of sums that touch several blocks), *core* (sums to which many shared causes couple) and *rare* (the others). A cell is
(outer, core, rare), the last turning quickest. Given a configuration s of the shared causes the block's likelihood at
an outer index is the sum over core and rare rows of table * core coupling * rare coupling; where no cause of the
configuration couples to a rare sum, the rare rows are summed beforehand.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning import kernels
from firstcause.reasoning.packed import Columns, Units

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Flags = NDArray[np.bool_]


class Block(Protocol):
    """What the engine asks of a block. Shapes: o its own outer index, s shared configurations, e extras, m members."""

    member: Index

    def given(self) -> Array:
        """The likelihood of the block's findings under each listed configuration: (s, o)."""
        ...

    def given_with(self, members: Index) -> Array:
        """The part of it in which each of these members is present: (members, s, o)."""
        ...

    def members_in(self, outside: Array) -> Array:
        """Weight of each member's presence, from what surrounds the block, (s, o): (m,)."""
        ...

    def under(self, factors: Array) -> Array:
        """The likelihood under extra factors (e, m) on present members: (e, s, o)."""
        ...

    def members_under(self, factors: Array, outside: Array) -> Array:
        """Weight of each member's presence under such factors, and what surrounds the block then, (e, s, o): (e, m)."""
        ...


@dataclass(frozen=True)
class Sums:
    """The sums that touch a block: outer ones, core ones, rare ones; and how many rows each part comes to."""

    outer: Index
    core: Index
    rare: Index
    outers: int
    cores: int
    rares: int

    @classmethod
    def of(cls, outer: Index, core: Index, rare: Index, columns: Columns) -> Sums:
        """With their sizes."""
        terms = np.diff(columns.begin)
        sizes = (int(terms[part].prod()) for part in (outer, core, rare))
        return cls(outer, core, rare, *sizes)


class TermBlock:
    """The exact form."""

    def __init__(self, units: Units, sums: Sums, columns: Columns, matters_absent: Flags) -> None:
        self.member, self.sums, self._units = units.member, sums, units
        order = np.concatenate([sums.outer, sums.core, sums.rare])
        cells = sums.outers * sums.cores * sums.rares
        self._present = np.empty((len(self.member), cells))
        kernels.expand(columns.present, self.member, columns.begin, order, self._present)
        self._absent = np.empty((len(self.member) if matters_absent[self.member].any() else 0, cells))
        if len(self._absent):
            kernels.expand(columns.absent, self.member, columns.begin, order, self._absent)
        base = np.empty((1, sums.cores * sums.rares))
        row = columns.coefficient[None, :]
        kernels.expand(row, np.zeros(1, dtype=np.int64), columns.begin, order[len(sums.outer) :], base)
        self._base = np.tile(base[0], sums.outers)
        self._values = np.empty((len(units.unit) - 1, cells))
        self._parts = np.empty((len(self.member), cells))
        unchanged = np.ones(len(self.member))
        kernels.unit_values(
            self._present, self._absent, units.unit, units.state, units.weight, unchanged, True, self._values,
            self._parts,
        )  # fmt: skip
        self.table = np.empty(cells)
        kernels.product_of(self._base, self._values, self.table)

    def plain(self) -> Array:
        """The table summed over its rare rows: (outer * core,)."""
        return np.asarray(self.table.reshape(-1, self.sums.rares).sum(axis=1))

    def settle(self, core: Array, rare_at: Index, rare: Array) -> None:
        """Take the listed configurations: core couplings (s, core), and the rare ones of those that touch rare rows."""
        self._core, self._rare_at, self._rare = core, rare_at, rare

    def _come_to(self, table: Array) -> Array:
        out = np.empty((len(self._core), self.sums.outers))
        kernels.given_of(table, self.sums.outers, self._core, self._rare_at, self._rare, out)
        return out

    def given(self) -> Array:
        """See Block."""
        return self._come_to(self.table)

    def given_with(self, members: Index) -> Array:
        """See Block."""
        unit_of = np.repeat(np.arange(len(self._values)), np.diff(self._units.unit))
        found = np.empty((len(members), len(self._core), self.sums.outers))
        for at, m in enumerate(members):
            others = np.delete(self._values, unit_of[m], axis=0)
            found[at] = self._come_to(self._base * self._parts[m] * others.prod(axis=0))
        return found

    def _around(self, outside: Array) -> Array:
        around = np.empty(len(self.table))
        kernels.around_of(outside, self._core, self._rare_at, self._rare, around)
        return around

    def members_in(self, outside: Array) -> Array:
        """See Block."""
        found = np.empty(len(self.member))
        around = self._around(outside)
        kernels.members_in(self._base, around, self._values, self._parts, self._units.unit, found)
        return found

    def under(self, factors: Array) -> Array:
        """See Block."""
        out = np.empty((len(factors), len(self._core), self.sums.outers))
        kernels.under(
            factors, self._base, self._present, self._absent, self._units.unit, self._units.state, self._units.weight,
            self._values, self._parts, self.sums.outers, self._core, self._rare_at, self._rare, out,
        )  # fmt: skip
        return out

    def members_under(self, factors: Array, outside: Array) -> Array:
        """See Block."""
        found = np.empty((len(factors), len(self.member)))
        kernels.members_under(
            factors, outside, self._base, self._present, self._absent, self._units.unit, self._units.state,
            self._units.weight, self._values, self._parts, self._core, self._rare_at, self._rare, found,
        )  # fmt: skip
        return found


def products_without_each(values: Sequence[Array]) -> tuple[list[Array], Array]:
    """For each entry the product of all others, and the product of all. No division."""
    before, after = [np.ones_like(values[0])], [np.ones_like(values[0])]
    for value in values:
        before.append(before[-1] * value)
    for value in reversed(values):
        after.append(after[-1] * value)
    return [b * a for b, a in zip(before[:-1], reversed(after[:-1]), strict=True)], before[-1]
