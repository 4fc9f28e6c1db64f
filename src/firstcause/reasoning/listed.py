"""One block of private causes whose findings need too many signed terms: listed by its own configurations instead.

Signed terms double with every abnormal finding. Beyond some rows a block is a table over configurations of its private
causes, listed by what they weigh: for a row r, an outer index o and a configuration s of the shared causes the
likelihood of the block's findings is sum_r table[o, r] * coupling[r, s].
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning.listing import Bits, Grown, Listing, all_subsets, grow
from firstcause.reasoning.network import Cause
from firstcause.reasoning.terms import Link, Sum

Array = NDArray[np.float64]
Index = NDArray[np.int64]

LARGEST_ROWS = 30_000
MOST_ROWS = 4_000
ROUGH = 1e-2
NOISE = 1e-14


@dataclass(frozen=True)
class BlockParts:
    """What a block is made of: private causes, their links, the sums that touch it, and the shared causes around."""

    name: str
    causes: Sequence[Cause]
    member: Index
    links: tuple[Link, ...]
    """links whose causes are all private, or private and shared; the child has no other prior"""
    elsewhere: frozenset[int]
    """members whose prior stands in the outer index"""
    sums: tuple[Sum, ...]
    outer: tuple[Array, Array]
    """factors of each member on the outer index when present and when absent, (members, outer)"""
    shared: tuple[int, ...]

    def mixed(self) -> list[Link]:
        """Links that reach shared causes too."""
        inside = set(self.member.tolist())
        return [link for link in self.links if not link.members() <= inside]


class ListedBlock:
    """The listed form: positive arithmetic throughout, so nothing cancels; what is not listed is left out.

    It begins with a rough list (or, `in_full`, with all there is); `settle` makes a better one.
    """

    def __init__(self, parts: BlockParts, in_full: bool) -> None:
        self.member = parts.member
        self._parts = parts
        self._members = parts.member.tolist()
        self._column = {member: at for at, member in enumerate(self._members)}
        self._shared_column = {cause: at for at, cause in enumerate(parts.shared)}
        self._mixed = parts.mixed()
        self._inner = [link for link in parts.links if link not in self._mixed]
        self._elsewhere = parts.elsewhere | {link.child for link in self._mixed}
        self._own, self._cuts = _side_by_side(parts.sums, self._mixed, self._members)
        self._around, _ = _side_by_side(parts.sums, self._mixed, parts.shared)
        self._outer = parts.outer
        probes, mix = self._probes()
        self._list(probes, lambda rows, likelihood: likelihood @ mix.T, 0.0 if in_full else ROUGH)

    def settle(self, listed: Listing, outside: Array, tolerance: float) -> float:
        """List the rows by their weight under the shared configurations it has taken; `outside` (o, s) is the
        rest of the network.

        The configurations that carry nearly all of the weight are enough to choose rows by. Returns the tolerance used.
        """
        weight = np.abs(outside * self.given().T).sum(axis=0)
        order = np.argsort(-weight)
        chosen = order[: 1 + int(np.searchsorted(np.cumsum(weight[order]), (1.0 - ROUGH) * weight.sum()))]
        some, around = Listing.of(listed.bits[chosen]), outside[:, chosen]

        def variants(rows: Listing, likelihood: Array) -> Array:
            outer = rows.products(*self._outer)
            return np.asarray(np.maximum((outer * (likelihood @ around.T)).sum(axis=1, keepdims=True), 0.0))

        return self._list(some, variants, tolerance)

    def _list(self, probes: Listing, variants: Callable[[Listing, Array], Array], tolerance: float) -> float:
        """Make the list of rows; returns the tolerance used."""
        size = len(self._members)

        def weigh(grown: Grown) -> Array:
            rows = grown.listing
            prior = _prior(self._parts, self._members, self._inner, self._elsewhere, rows.bits)
            return np.asarray((variants(rows, self._likelihood(rows, probes)) * prior[:, None]).T)

        if tolerance <= 0.0:
            bits = all_subsets(size)
        else:
            items = np.concatenate([np.eye(size, dtype=bool), self._families()])
            bits, tolerance = grow(items, items[:0], weigh, tolerance, LARGEST_ROWS, MOST_ROWS)
        prior = _prior(self._parts, self._members, self._inner, self._elsewhere, bits)
        possible = prior > 0.0
        self._rows = Listing.of(bits[possible])
        self.table = (prior[possible][:, None] * self._rows.products(*self._outer)).T
        return tolerance

    def _families(self) -> Bits:
        """Each victim with one cause of it, and with what stands behind that: by themselves they may weigh nothing."""
        leaves = {link.child: list(link.leaves) for link in (*self._inner, *self._mixed)}
        lines: list[tuple[int, ...]] = [(child, parent) for child, parents in leaves.items() for parent in parents]
        lines += [(*line, behind) for line in lines for behind in leaves.get(line[-1], ())]
        kept = [line for line in lines if all(cause in self._column for cause in line)]
        bits = np.zeros((len(kept), len(self._members)), dtype=bool)
        for at, line in enumerate(kept):
            bits[at, [self._column[cause] for cause in line]] = True
        return bits

    def _probes(self) -> tuple[Listing, Array]:
        """No shared cause, and each that couples to this block by itself; and how to mix them: none, or any one."""
        size = len(self._parts.shared)
        couples = (self._around[0] != 1.0).any(axis=1) | (self._around[1] != 1.0).any(axis=1)
        couples[[self._shared_column[link.child] for link in self._mixed if link.child in self._shared_column]] = True
        telling = np.flatnonzero(couples)
        bits = np.concatenate([np.zeros((1, size), dtype=bool), np.eye(size, dtype=bool)[telling]])
        mix = np.zeros((2, len(bits)))
        mix[0, 0], mix[1, 1:] = 1.0, 1.0
        return Listing.of(bits), mix

    def _likelihood(self, rows: Listing, listed: Listing) -> Array:
        """P(findings of the block, mixed links | private configuration, shared configuration): (rows, listed)."""
        own, around = rows.products(*self._own), listed.products(*self._around)
        result = np.ones((len(rows), len(listed)))
        for total, (begin, end) in zip(self._parts.sums, pairwise(self._cuts), strict=True):
            value = (own[:, begin:end] * total.coefficients) @ around[:, begin:end].T
            value[value < NOISE] = 0.0
            result *= value
        for at, link in enumerate(self._mixed):
            column = self._cuts[-1] + at
            absent = link.keep * own[:, column, None] * around[None, :, column]
            if link.child in self._column:
                on = rows.bits[:, self._column[link.child], None]
            else:
                on = listed.bits[None, :, self._shared_column[link.child]]
            result *= np.where(on, 1.0 - absent, absent)
        return result

    def quick(self, listed: Listing) -> Array:
        """The likelihood of the findings under other shared configurations: (s, o)."""
        return np.asarray((self.table @ self._likelihood(self._rows, listed)).T)

    def take(self, listed: Listing) -> None:
        """Take the listed configurations."""
        self._coupling = self._likelihood(self._rows, listed)
        self._states = self._rows.bits.astype(float)

    def given(self) -> Array:
        """See blocks.Block."""
        return np.asarray((self.table @ self._coupling).T)

    def given_with(self, members: Index) -> Array:
        """See blocks.Block."""
        return np.array([((self.table * self._states[:, m]) @ self._coupling).T for m in members])

    def members_in(self, outside: Array) -> Array:
        """See blocks.Block."""
        return np.asarray((self._coupling @ outside * self.table.T).sum(axis=1) @ self._states)

    def _under(self, factors: Array) -> Array:
        weights = np.array([np.where(self._rows.bits, factor, 1.0).prod(axis=1) for factor in factors])
        return weights[:, None, :] * self.table[None]

    def under(self, factors: Array) -> Array:
        """See blocks.Block."""
        return np.asarray((self._under(factors) @ self._coupling).swapaxes(1, 2))

    def members_under(self, factors: Array, outside: Array) -> Array:
        """See blocks.Block."""
        around = (self._coupling @ outside).swapaxes(1, 2)
        return np.asarray((around * self._under(factors)).sum(axis=1) @ self._states)


def _side_by_side(
    sums: Sequence[Sum], mixed: Sequence[Link], causes: Sequence[int]
) -> tuple[tuple[Array, Array], list[int]]:
    """Factors of each cause, present and absent, on the terms of all findings, then on what each mixed link leaves.

    Each (causes, columns); and where the columns of each finding begin.
    """
    cuts = [0]
    for total in sums:
        cuts.append(cuts[-1] + len(total.coefficients))
    present, absent = (np.ones((len(causes), cuts[-1] + len(mixed))) for _ in range(2))
    row = {cause: at for at, cause in enumerate(causes)}
    for total, (begin, end) in zip(sums, pairwise(cuts), strict=True):
        for factors, given in ((present, total.present), (absent, total.absent)):
            for cause, values in given.items():
                if cause in row:
                    factors[row[cause], begin:end] = values
    for at, link in enumerate(mixed):
        for parent, left in link.leaves.items():
            if parent in row:
                present[row[parent], cuts[-1] + at] = left
    return (present, absent), cuts


def _prior(
    parts: BlockParts, group: Sequence[int], links: Sequence[Link], elsewhere: frozenset[int], states: Bits
) -> Array:
    """Prior of each state of a group, from roots and the links given; causes in `elsewhere` have theirs elsewhere."""
    column = {member: states[:, at] for at, member in enumerate(group)}
    linked = {link.child: link for link in links}
    weights = np.ones(len(states))
    for member in group:
        if member in elsewhere:
            continue
        link = linked.get(member)
        absent = np.full(len(states), 1.0 - parts.causes[member].leak)
        for parent, left in link.leaves.items() if link is not None else ():
            absent *= np.where(column[parent], left, 1.0)
        weights *= np.where(column[member], 1.0 - absent, absent)
    return weights
