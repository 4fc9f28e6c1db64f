"""One block of private causes as a table of signed rows, with each cause's part in it; and what any block must answer.

The rows of a block are the combinations of the terms of the sums that touch it alone; beside them stands an *outer*
index, over the terms of those sums that touch other blocks too. A cell is (outer, row). Given a configuration s of
the shared causes the block's likelihood at an outer index is the sum over rows of table * coupling of s to the row.
"""

from __future__ import annotations

from collections.abc import Sequence
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


class TermBlock:
    """The exact form. `own` are the sums that touch this block alone, `outer` those that touch others too."""

    def __init__(self, units: Units, own: Index, outer: Index, columns: Columns, matters_absent: Flags) -> None:
        self.member, self.own, self._units = units.member, own, units
        order, terms = np.concatenate([outer, own]), np.diff(columns.begin)
        self._shape = (int(terms[outer].prod()), int(terms[own].prod()))
        cells = self._shape[0] * self._shape[1]
        self._present = np.empty((len(self.member), cells))
        kernels.expand(columns.present, self.member, columns.begin, order, self._present)
        self._absent = np.empty((len(self.member) if matters_absent[self.member].any() else 0, cells))
        if len(self._absent):
            kernels.expand(columns.absent, self.member, columns.begin, order, self._absent)
        base = np.empty((1, self._shape[1]))
        kernels.expand(columns.coefficient[None, :], np.zeros(1, dtype=np.int64), columns.begin, own, base)
        self._base = np.tile(base[0], self._shape[0])
        self._values = np.empty((len(units.unit) - 1, cells))
        self._parts = np.empty((len(self.member), cells))
        unchanged = np.ones(len(self.member))
        kernels.unit_values(
            self._present, self._absent, units.unit, units.state, units.weight, unchanged, True, self._values,
            self._parts,
        )  # fmt: skip
        self.table = np.empty(cells)
        kernels.product_of(self._base, self._values, self.table)

    def take(self, coupling: Array) -> None:
        """Take the listed configurations: their couplings (s, rows)."""
        self._coupling = coupling

    def _come_to(self, tables: Array) -> Array:
        """What tables (.., cells) come to under each configuration: (.., s, o)."""
        flat = tables.reshape(-1, self._shape[1]) @ self._coupling.T
        return flat.reshape(*tables.shape[:-1], self._shape[0], -1).swapaxes(-1, -2)

    def given(self) -> Array:
        """See Block."""
        return self._come_to(self.table)

    def given_with(self, members: Index) -> Array:
        """See Block."""
        unit_of = np.repeat(np.arange(len(self._values)), np.diff(self._units.unit))
        others = np.array(products_without_each([*self._values])[0])
        return self._come_to(self._base * self._parts[members] * others[unit_of[members]])

    def _around(self, outside: Array) -> Array:
        """What surrounds each cell, (.., cells), from what surrounds the block, (.., s, o)."""
        flat = outside.swapaxes(-1, -2).reshape(-1, len(self._coupling)) @ self._coupling
        return flat.reshape(*outside.shape[:-2], -1)

    def members_in(self, outside: Array) -> Array:
        """See Block."""
        found = np.empty(len(self.member))
        kernels.members_in(self._base, self._around(outside), self._values, self._parts, self._units.unit, found)
        return found

    def under(self, factors: Array) -> Array:
        """See Block."""
        tables = np.empty((len(factors), len(self.table)))
        kernels.tables_under(
            factors, self._base, self._present, self._absent, self._units.unit, self._units.state, self._units.weight,
            self._values, self._parts, tables,
        )  # fmt: skip
        return self._come_to(tables)

    def members_under(self, factors: Array, outside: Array) -> Array:
        """See Block."""
        found = np.empty((len(factors), len(self.member)))
        kernels.members_under(
            factors, self._around(outside), self._base, self._present, self._absent, self._units.unit,
            self._units.state, self._units.weight, self._values, self._parts, found,
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
