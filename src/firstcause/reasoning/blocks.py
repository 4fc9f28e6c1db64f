"""One block of private causes: its likelihood as a table of rows that couple to the shared causes.

Two forms with one face. `TermBlock` is exact: its rows are the combinations of the signed terms of its findings, and
causes are summed out cluster by cluster. That doubles with every abnormal finding, so beyond some rows
`ListedBlock` takes over: its rows are configurations of the private causes, listed by what they weigh.

For a row r, an outer index o and a configuration s of the shared causes, the likelihood of the block's findings is
sum_r table[o, r] * coupling[r, s].
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning.listing import Bits, Grown, Listing, all_subsets, grow
from firstcause.reasoning.network import Cause
from firstcause.reasoning.terms import Joint, Link, Sum

Array = NDArray[np.float64]
Factors = Mapping[int, float]

LARGEST_CLUSTER = 9
LARGEST_ROWS = 10_000
LEAST_TOLERANCE_OF_ROWS = 1e-4
NOISE = 1e-14
SCREEN = 1e-3


@dataclass(frozen=True)
class BlockParts:
    """What a block is made of: private causes, their links, the sums that touch it, and the shared causes around."""

    name: str
    causes: Sequence[Cause]
    members: tuple[int, ...]
    links: tuple[Link, ...]
    """links whose causes are all private, or private and shared; the child has no other prior"""
    elsewhere: frozenset[int]
    """members whose prior stands in the outer index"""
    sums: tuple[Sum, ...]
    outer: Joint
    shared: tuple[int, ...]

    def mixed(self) -> list[Link]:
        """Links that reach shared causes too."""
        inside = set(self.members)
        return [link for link in self.links if not link.members() <= inside]

    def terms(self) -> int:
        """Rows that the exact form would need."""
        count = 1 << len(self.mixed())
        for total in self.sums:
            count *= len(total.coefficients)
        return count


@dataclass(frozen=True)
class Under:
    """A block under extras: its table (e, o, r), and what gives the weight of causes being present.

    `weigh(around, wanted)`: `around` (e, o, r) is what surrounds the block, the result (e, wanted).
    """

    table: Array
    weigh: Callable[[Array, Sequence[int]], Array]


class Block(Protocol):
    """What the engine asks of a block. Shapes: o outer index, r rows, s shared configurations, e extras."""

    members: tuple[int, ...]
    table: Array

    def coupling(self, listed: Listing) -> Array:
        """(r, s)"""
        ...

    def quick(self, grown: Grown) -> Array:
        """The likelihood of the findings under each new shared configuration, good enough to choose by: (o, s)."""
        ...

    def with_present(self, cause: int) -> Array:
        """The part of the table in which this cause is present: (o, r)."""
        ...

    def under(self, extras: Sequence[Factors]) -> Under:
        """The block under extra factors on present causes."""
        ...


# -------------------------------------------------------------------- exact: signed terms


@dataclass(frozen=True)
class _Cluster:
    """Causes linked to each other, as a table over their joint states."""

    members: tuple[int, ...]
    states: Array  # (states, members), 0 or 1
    weights: Array  # (states,)
    table: Array  # (states, o * r)

    def values(self, extras: Sequence[Factors]) -> Array:
        """Weights times couplings over all states, then over those with each member: (1 + members, e, o r)."""
        weights = np.tile(self.weights, (len(extras), 1))
        for e, factors in enumerate(extras):
            for at, member in enumerate(self.members):
                if member in factors:
                    weights[e] *= np.where(self.states[:, at] > 0.0, factors[member], 1.0)
        stacked = np.concatenate([weights[None], weights[None] * self.states.T[:, None, :]])
        return np.asarray(stacked @ self.table)


class TermBlock:
    """The exact form."""

    def __init__(self, parts: BlockParts) -> None:
        self.members = parts.members
        inner, links, apart = _cut(parts)
        self._joint = Joint.of([*parts.sums, *(link.as_sum() for link in links)])
        self._shape = (len(parts.outer), len(self._joint))
        self._shared = self._joint.couplings(parts.shared)
        own = self._joint.couplings(self.members)
        outer = parts.outer.couplings(self.members)
        row = {member: at for at, member in enumerate(self.members)}
        elsewhere = parts.elsewhere | {link.child for link in links}
        self._clusters = []
        for group in apart:
            states, weights = _states(parts, group, [link for link in inner if link.child in group], elsewhere)
            table = np.ones((len(states), *self._shape))
            for at, member in enumerate(group):
                for on, which in ((states[:, at], 0), (~states[:, at], 1)):
                    if (outer[which][row[member]] != 1.0).any() or (own[which][row[member]] != 1.0).any():
                        table[on] *= outer[which][row[member]][:, None] * own[which][row[member]][None, :]
            self._clusters.append(_Cluster(group, states.astype(float), weights, table.reshape(len(states), -1)))
        self._at = {m: (c, at) for c, cluster in enumerate(self._clusters) for at, m in enumerate(cluster.members)}
        self._values = [cluster.values([{}])[:, 0] for cluster in self._clusters]
        self._all = np.array([value[0] for value in self._values]).reshape(len(self._values), *self._shape)
        self._others, product = products_without_each(self._all)
        self.table = product * self._joint.weights

    def coupling(self, listed: Listing) -> Array:
        return listed.products(*self._shared).T

    def quick(self, grown: Grown) -> Array:
        """As a product of what the frontier gives and what the items give, unless an item couples when absent too."""
        present, absent = self._shared
        either = np.flatnonzero((absent != 1.0).any(axis=1))
        items = grown.items.products(present)
        around = self.coupling(grown.frontier).T
        found = np.array([((around * row) @ items.T)[grown.row, grown.item] for row in self.table])
        odd = np.flatnonzero(np.isin(grown.item, np.flatnonzero(grown.items.bits[:, either].any(axis=1))))
        found[:, odd] = self.table @ self.coupling(Listing.of(grown.listing.bits[odd]))
        return found

    def with_present(self, cause: int) -> Array:
        c, at = self._at[cause]
        return np.asarray(self._others[c] * self._values[c][1 + at].reshape(self._shape) * self._joint.weights)

    def _changed(self, extras: Sequence[Factors]) -> dict[int, Array]:
        """By cluster that some extra touches: its values under the extras, (1 + members, e, o, r)."""
        touched = sorted({self._at[i][0] for factors in extras for i in factors if i in self._at})
        return {c: self._clusters[c].values(extras).reshape(-1, len(extras), *self._shape) for c in touched}

    def under(self, extras: Sequence[Factors]) -> Under:
        changed = self._changed(extras)
        values = np.repeat(self._all[:, None], len(extras), axis=1)
        for c, value in changed.items():
            values[c] = value[0]

        def weigh(around: Array, wanted: Sequence[int]) -> Array:
            others, _ = products_without_each(values)
            weighted = around * self._joint.weights
            result = np.zeros((len(extras), len(wanted)))
            for c, cluster in enumerate(self._clusters):
                mine = [(w, cluster.members.index(i)) for w, i in enumerate(wanted) if i in cluster.members]
                given = (weighted * others[c]).reshape(len(extras), -1) if mine else weighted
                for w, at in mine:
                    if c in changed:
                        result[:, w] = (given * changed[c][1 + at].reshape(len(extras), -1)).sum(axis=1)
                    else:
                        result[:, w] = given @ self._values[c][1 + at]
            return result

        return Under(values.prod(axis=0) * self._joint.weights, weigh)


def _cut(parts: BlockParts) -> tuple[list[Link], list[Link], list[tuple[int, ...]]]:
    """Links kept inside clusters, links turned into sums, and the clusters; no cluster above LARGEST_CLUSTER."""
    through = parts.mixed()
    inner = [link for link in parts.links if link not in through]
    while True:
        groups = _linked(parts.members, inner)
        large = next((group for group in groups if len(group) > LARGEST_CLUSTER), None)
        if large is None:
            return inner, through, groups
        widest = max((link for link in inner if link.child in large), key=lambda link: len(link.leaves))
        inner.remove(widest)
        through.append(widest)


def _linked(members: Sequence[int], links: Sequence[Link]) -> list[tuple[int, ...]]:
    """Members grouped by the links among them, each group in order."""
    group = {member: {member} for member in members}
    for link in links:
        joined = set().union(*(group[member] for member in link.members()))
        for member in joined:
            group[member] = joined
    return list(dict.fromkeys(tuple(sorted(found)) for found in group.values()))


def _states(
    parts: BlockParts, group: Sequence[int], links: Sequence[Link], elsewhere: frozenset[int] | set[int]
) -> tuple[Bits, Array]:
    """Joint states of a group that can be, and their prior."""
    states = all_subsets(len(group))
    weights = _prior(parts, group, links, elsewhere, states)
    return states[weights > 0.0], weights[weights > 0.0]


def _prior(
    parts: BlockParts, group: Sequence[int], links: Sequence[Link], elsewhere: frozenset[int] | set[int], states: Bits
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


# -------------------------------------------------------------------- listed: configurations


class ListedBlock:
    """The listed form: positive arithmetic throughout, so nothing cancels; what is not listed is left out."""

    def __init__(self, parts: BlockParts, tolerance: float) -> None:
        self.members = parts.members
        self._parts = parts
        self._column = {member: at for at, member in enumerate(self.members)}
        mixed = parts.mixed()
        self._mixed = mixed
        self._inner = [link for link in parts.links if link not in mixed]
        self._elsewhere = parts.elsewhere | {link.child for link in mixed}
        beyond = [total for total in parts.outer.sums if not total.absent and total.touches() & set(self.members)]
        self._sums = [*parts.sums, *beyond]
        self._own, self._cuts = _side_by_side(self._sums, mixed, self.members)
        self._around, _ = _side_by_side(self._sums, mixed, parts.shared)
        self._shared_column = {cause: at for at, cause in enumerate(parts.shared)}
        rows, self.tolerance = self._list(tolerance)
        self._set_rows(rows)
        self._screen = self._screening()

    def _list(self, tolerance: float) -> tuple[Bits, float]:
        size = len(self.members)
        if tolerance <= 0.0:
            return all_subsets(size), 0.0
        probes, chances = self._probes()

        def weigh(grown: Grown) -> Array:
            listed = grown.listing
            prior = _prior(self._parts, self.members, self._inner, self._elsewhere, listed.bits)
            likelihood = self._likelihood(listed, probes)
            variants = [likelihood @ chances.T * prior[:, None]]
            if len(self._sums) > len(self._parts.sums):
                # Findings of the whole engine: either another block explains them, or this one has to.
                with_them = likelihood * self._likelihood(listed, probes, beyond=True)
                variants.append(with_them @ chances.T * prior[:, None])
            return np.concatenate(variants, axis=1).T

        items = np.concatenate([np.eye(size, dtype=bool), self._families()])
        return grow(items, items[:0], weigh, max(tolerance, LEAST_TOLERANCE_OF_ROWS), LARGEST_ROWS)

    def _families(self) -> Bits:
        """Each victim with one cause of it, and with what stands behind that: by themselves they may weigh nothing."""
        leaves = {link.child: list(link.leaves) for link in (*self._inner, *self._mixed)}
        lines: list[tuple[int, ...]] = [(child, parent) for child, parents in leaves.items() for parent in parents]
        lines += [(*line, behind) for line in lines for behind in leaves.get(line[-1], ())]
        kept = [line for line in lines if all(cause in self._column for cause in line)]
        bits = np.zeros((len(kept), len(self.members)), dtype=bool)
        for at, line in enumerate(kept):
            bits[at, [self._column[cause] for cause in line]] = True
        return bits

    def _probes(self) -> tuple[Listing, Array]:
        """No shared cause, and each that couples to this block by itself; and how to mix them: none, or any one."""
        size = len(self._parts.shared)
        couples = (self._around != 1.0).any(axis=1)
        couples[[self._shared_column[link.child] for link in self._mixed if link.child in self._shared_column]] = True
        telling = np.flatnonzero(couples)
        bits = np.concatenate([np.zeros((1, size), dtype=bool), np.eye(size, dtype=bool)[telling]])
        mix = np.zeros((2, len(bits)))
        mix[0, 0], mix[1, 1:] = 1.0, 1.0
        return Listing.of(bits), mix[: len(bits)]

    def _set_rows(self, bits: Bits) -> None:
        prior = _prior(self._parts, self.members, self._inner, self._elsewhere, bits)
        possible = prior > 0.0
        self._rows = Listing.of(bits[possible])
        outer = self._rows.products(*self._parts.outer.couplings(self.members))
        self.table = (prior[possible][:, None] * outer).T
        self._states = self._rows.bits.astype(float)

    def _screening(self) -> tuple[Listing, Array]:
        """The rows that matter most when no shared cause is present, or one; enough to choose configurations by."""
        probes, _ = self._probes()
        weight = np.abs(self.table).max(axis=0)[:, None] * self._likelihood(self._rows, probes)
        total = weight.sum(axis=0)
        share = np.divide(weight, total, out=np.zeros_like(weight), where=total > 0.0).max(axis=1)
        chosen = share > SCREEN
        return Listing.of(self._rows.bits[chosen]), self.table[:, chosen]

    def _likelihood(self, rows: Listing, listed: Listing, beyond: bool = False) -> Array:
        """P(findings of the block, mixed links | private configuration, shared configuration): (rows, listed).

        With `beyond`: P(findings that touch other blocks too | ..., no cause in those blocks).
        """
        own, around = rows.products(self._own), listed.products(self._around)
        result = np.ones((len(rows), len(listed)))
        count = len(self._parts.sums)
        chosen = slice(count, None) if beyond else slice(count)
        for total, (begin, end) in list(zip(self._sums, pairwise(self._cuts), strict=True))[chosen]:
            value = (own[:, begin:end] * total.coefficients) @ around[:, begin:end].T
            value[value < NOISE] = 0.0
            result *= value
        for at, link in enumerate(self._mixed if not beyond else ()):
            column = self._cuts[-1] + at
            absent = link.keep * own[:, column, None] * around[None, :, column]
            if link.child in self._column:
                on = rows.bits[:, self._column[link.child], None]
            else:
                on = listed.bits[None, :, self._shared_column[link.child]]
            result *= np.where(on, 1.0 - absent, absent)
        return result

    def coupling(self, listed: Listing) -> Array:
        return self._likelihood(self._rows, listed)

    def quick(self, grown: Grown) -> Array:
        rows, table = self._screen
        return np.asarray(table @ self._likelihood(rows, grown.listing))

    def with_present(self, cause: int) -> Array:
        return np.asarray(self.table * self._states[:, self._column[cause]])

    def under(self, extras: Sequence[Factors]) -> Under:
        factors = np.ones((len(extras), len(self._rows)))
        for e, extra in enumerate(extras):
            for cause, factor in extra.items():
                if cause in self._column:
                    factors[e, self._rows.bits[:, self._column[cause]]] *= factor
        table = factors[:, None, :] * self.table[None]

        def weigh(around: Array, wanted: Sequence[int]) -> Array:
            return np.asarray((around * table).sum(axis=1) @ self._states[:, [self._column[cause] for cause in wanted]])

        return Under(table, weigh)


def _side_by_side(sums: Sequence[Sum], mixed: Sequence[Link], causes: Sequence[int]) -> tuple[Array, list[int]]:
    """Factors of each cause on the terms of all findings, then on what each mixed link leaves: (causes, columns)."""
    cuts = [0]
    for total in sums:
        cuts.append(cuts[-1] + len(total.coefficients))
    factors = np.ones((len(causes), cuts[-1] + len(mixed)))
    row = {cause: at for at, cause in enumerate(causes)}
    for total, (begin, end) in zip(sums, pairwise(cuts), strict=True):
        for cause, values in total.present.items():
            if cause in row:
                factors[row[cause], begin:end] = values
    for at, link in enumerate(mixed):
        for parent, left in link.leaves.items():
            if parent in row:
                factors[row[parent], cuts[-1] + at] = left
    return factors, cuts


def products_without_each(values: Array) -> tuple[Array, Array]:
    """Along the first axis: for each entry the product of all others, and the product of all. No division."""
    ones = np.ones_like(values[:1])
    before = np.concatenate([ones, np.cumprod(values, axis=0)])
    after = np.concatenate([np.cumprod(values[::-1], axis=0)[::-1], ones])
    return before[:-1] * after[1:], before[-1]
