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
    """The exact form. `own` are the sums that touch this block alone, `outer` those that touch others too.

    The last `guests` members are shared causes that touch only sums of this block, apart from children of their own
    that are shared. They sit here while no child of theirs is present; in a configuration in which one is, the guest
    is *busy*: present for sure, and what it does is in the coupling (`instead`), divided by what it comes to here.
    """

    def __init__(
        self, units: Units, own: Index, outer: Index, columns: Columns, matters_absent: Flags, guests: int
    ) -> None:
        self.member, self.own, self._units = units.member, own, units
        order, terms = np.concatenate([outer, own]), np.diff(columns.begin)
        self._shape = (int(terms[outer].prod()), int(terms[own].prod()))
        cells = self._shape[0] * self._shape[1]
        present = np.empty((len(self.member), cells))
        kernels.expand(columns.present, self.member, columns.begin, order, present)
        absent = np.empty((len(self.member) if matters_absent[self.member].any() else 0, cells))
        if len(absent):
            kernels.expand(columns.absent, self.member, columns.begin, order, absent)
        self._of_guests = present[len(self.member) - guests :, : self._shape[1]].copy()
        base = np.empty((1, self._shape[1]))
        kernels.expand(columns.coefficient[None, :], np.zeros(1, dtype=np.int64), columns.begin, own, base)
        self._base = np.tile(base[0], self._shape[0])
        self._guests = guests
        self._states = np.empty((len(units.weight), cells))
        kernels.unit_states(present, absent, units.unit, units.state, units.weight, self._states)
        self._values = np.empty((len(units.unit) - 1, cells))
        self._parts = np.empty((len(self.member), cells))
        kernels.unit_values(
            self._states, units.unit, units.state, units.weight, np.ones(len(self.member)), True, self._values,
            self._parts,
        )  # fmt: skip
        self.table = np.empty(cells)
        kernels.product_of(self._base, self._values, self.table)

    @property
    def instead(self) -> Array:
        """What a busy guest does to each row, beside what it comes to where it is not busy: (guests, rows)."""
        rows = self._shape[1]
        return self._of_guests / self._values[len(self._values) - self._guests :, :rows]

    def take(self, coupling: Array, busy: Flags) -> None:
        """Take the listed configurations: their couplings (s, rows), and which guests are busy in each (s, guests)."""
        self._coupling, self._busy = coupling, busy

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
        found = self._come_to(self._base * self._parts[members] * others[unit_of[members]])
        first = len(self.member) - self._guests
        asked = np.flatnonzero(members >= first)
        given = self.given() if len(asked) else np.empty(0)
        for at in asked:
            busy = self._busy[:, members[at] - first]
            found[at, busy] = given[busy]
        return found

    def _ratio(self, factors: Array) -> tuple[Array, Array]:
        """Factors on guests (e, g), and what couplings are to be multiplied with where they are busy (e, g, rows)."""
        rows, first = self._shape[1], len(self.member) - self._guests
        factor = np.ascontiguousarray(factors[:, first:])
        present = self._parts[first:, :rows]
        before = self._values[len(self._values) - self._guests :, :rows]
        after = before + (factor[:, :, None] - 1.0) * present
        return factor, factor[:, :, None] * before / after

    def _around(self, outside: Array, factors: Array) -> Array:
        """What surrounds each cell (e, 1 + guests, cells), from what surrounds the block (e, s, o); see kernels."""
        outers, rows = self._shape
        around = np.empty((len(outside), 1 + self._guests, outers * rows))
        flat = np.ascontiguousarray(outside.swapaxes(1, 2)).reshape(len(outside) * outers, -1)
        around[:, 0] = (flat @ self._coupling).reshape(len(outside), -1)
        for g in range(self._guests):
            busy = np.flatnonzero(self._busy[:, g])
            while_busy = flat[:, busy] @ self._coupling[busy]
            around[:, 1 + g] = around[:, 0] - while_busy.reshape(len(outside), -1)
        wrong = self._on_busy_guests(factors)
        if len(wrong):
            some = np.empty((len(wrong), *around.shape[1:]))
            outside = np.ascontiguousarray(outside[wrong])
            kernels.surroundings(outside, self._coupling, self._busy, *self._ratio(factors[wrong]), some)
            around[wrong] = some
        return around

    def _on_busy_guests(self, factors: Array) -> Index:
        """Which extras, of factors (e, m), have one on a guest that is busy in some configuration."""
        first = len(self.member) - self._guests
        return np.flatnonzero(((factors[:, first:] != 1.0) & self._busy.any(axis=0)).any(axis=1))

    def _add_busy(self, outside: Array, given: Array, found: Array) -> None:
        """Busy guests are present: outside and given (e, s, o), found (e, m)."""
        if self._guests:
            found[:, len(self.member) - self._guests :] += (outside * given).sum(axis=2) @ self._busy

    def members_in(self, outside: Array) -> Array:
        """See Block."""
        found = np.empty((1, len(self.member)))
        around = self._around(outside[None], np.ones_like(found))
        kernels.members_in(self._base, around[0], self._values, self._parts, self._units.unit, found[0])
        self._add_busy(outside[None], self.given()[None], found)
        return np.asarray(found[0])

    def under(self, factors: Array) -> Array:
        """See Block."""
        tables = np.empty((len(factors), len(self.table)))
        kernels.tables_under(
            factors, self._base, self._states, self._units.unit, self._units.state, self._units.weight, self._values,
            self._parts, tables,
        )  # fmt: skip
        given = self._come_to(tables)
        wrong = self._on_busy_guests(factors)
        if len(wrong):
            some = np.ascontiguousarray(given[wrong])
            kernels.given_to_busy(tables[wrong], self._coupling, self._busy, *self._ratio(factors[wrong]), some)
            given[wrong] = some
        return given

    def members_under(self, factors: Array, outside: Array) -> Array:
        """See Block."""
        found = np.empty((len(factors), len(self.member)))
        kernels.members_under(
            factors, self._around(outside, factors), self._base, self._states, self._units.unit, self._units.state,
            self._units.weight, self._values, self._parts, found,
        )  # fmt: skip
        if self._busy.any():
            self._add_busy(outside, self.under(factors), found)
        return found


def products_without_each(values: Sequence[Array]) -> tuple[list[Array], Array]:
    """For each entry the product of all others, and the product of all. No division."""
    before, after = [np.ones_like(values[0])], [np.ones_like(values[0])]
    for value in values:
        before.append(before[-1] * value)
    for value in reversed(values):
        after.append(after[-1] * value)
    return [b * a for b, a in zip(before[:-1], reversed(after[:-1]), strict=True)], before[-1]
