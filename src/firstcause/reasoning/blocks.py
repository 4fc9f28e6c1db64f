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
LARGEST_ROWS = 30_000
MOST_ROWS = 4_000
ROUGH = 1e-2
NOISE = 1e-14


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

    def with_present(self, causes: Sequence[int]) -> Array:
        """For each of these causes the part of the table in which it is present: (causes, o, r)."""
        ...

    def under(self, extras: Sequence[Factors]) -> Under:
        """The block under extra factors on present causes."""
        ...


# -------------------------------------------------------------------- exact: signed terms


@dataclass(frozen=True)
class _Cluster:
    """Causes linked to each other, as a table over their joint states.

    `positive`: its value vanishes only where the value with any member present vanishes too, so shares of it may be
    taken; not so when the prior of a member stands in a signed sum.
    """

    members: tuple[int, ...]
    positive: bool
    states: Array  # (states, members), 0 or 1
    weights: Array  # (states,)
    table: Array  # (states, o * r)

    def values(self, extras: Sequence[Factors]) -> Array:
        """Weights times couplings over all states, then over those with each member: (1 + members, e, o * r)."""
        weights = np.tile(self.weights, (len(extras), 1))
        for e, factors in enumerate(extras):
            for at, member in enumerate(self.members):
                if member in factors:
                    weights[e] *= np.where(self.states[:, at] > 0.0, factors[member], 1.0)
        stacked = np.concatenate([weights[None], weights[None] * self.states.T[:, None, :]])
        return np.asarray(stacked @ self.table)


class TermBlock:
    """The exact form.

    Causes without links to others of the block ("lone") are held together as arrays; the rest in clusters.
    """

    def __init__(self, parts: BlockParts) -> None:
        self.members = parts.members
        inner, links, groups = _cut(parts)
        self._joint = Joint.of([*parts.sums, *(link.as_sum() for link in links)])
        self._shape = (len(parts.outer), len(self._joint))
        self._shared = self._joint.couplings(parts.shared)
        elsewhere = parts.elsewhere | {link.child for link in links}
        lone = [group[0] for group in groups if len(group) == 1 and group[0] not in elsewhere]
        self._lone = {member: at for at, member in enumerate(lone)}
        couplings = self._joint.couplings(self.members), parts.outer.couplings(self.members)
        leaks = np.array([parts.causes[member].leak for member in lone])[:, None]
        rows = [self.members.index(member) for member in lone]
        present = leaks * _flat(*(on[rows] for on, _ in couplings))
        alone = (1.0 - leaks) * _flat(*(off[rows] for _, off in couplings)) + present
        self._lone_shares = _shares(present, alone)
        self._clusters = [
            self._cluster(parts, group, [link for link in inner if link.child in group], elsewhere, couplings)
            for group in groups
            if group[0] not in self._lone
        ]
        self._values = [cluster.values([{}])[:, 0] for cluster in self._clusters]
        self._weights = np.tile(self._joint.weights, self._shape[0]) * alone.prod(axis=0)
        self.table = self._under([{}])[0].reshape(self._shape)

    def _cluster(
        self, parts: BlockParts, group: tuple[int, ...], links: list[Link], elsewhere: frozenset[int],
        couplings: tuple[tuple[Array, Array], tuple[Array, Array]],
    ) -> _Cluster:  # fmt: skip
        states, weights = _states(parts, group, links, elsewhere)
        rows = [self.members.index(member) for member in group]
        (inner_on, inner_off), (outer_on, outer_off) = couplings
        present, absent = _flat(inner_on[rows], outer_on[rows]), _flat(inner_off[rows], outer_off[rows])
        table = np.ones((len(states), present.shape[1]))
        for at in range(len(group)):
            table *= np.where(states[:, at, None], present[at], absent[at])
        return _Cluster(group, not elsewhere & set(group), states.astype(float), weights, table)

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

    def with_present(self, causes: Sequence[int]) -> Array:
        around = np.ones((1, *self._shape))
        return np.array([self._present(around, [{}], self.table.reshape(1, -1), {}, cause)[0] for cause in causes])

    def under(self, extras: Sequence[Factors]) -> Under:
        changed = self._changed(extras)
        table = self._under(extras, changed)

        def weigh(around: Array, wanted: Sequence[int]) -> Array:
            result = np.empty((len(extras), len(wanted)))
            plain = [w for w, cause in enumerate(wanted) if cause in self._lone and not _any_has(extras, cause)]
            rows = [self._lone[wanted[w]] for w in plain]
            result[:, plain] = (around.reshape(table.shape) * table) @ self._lone_shares[rows].T
            for w in set(range(len(wanted))) - set(plain):
                result[:, w] = self._present(around, extras, table, changed, wanted[w]).sum(axis=(1, 2))
            return result

        return Under(table.reshape(len(extras), *self._shape), weigh)

    def _changed(self, extras: Sequence[Factors]) -> dict[int, Array]:
        """By cluster that some extra touches: its values under the extras, (1 + members, e, o * r)."""
        return {
            c: cluster.values(extras)
            for c, cluster in enumerate(self._clusters)
            if any(_any_has(extras, member) for member in cluster.members)
        }

    def _under(
        self, extras: Sequence[Factors], changed: Mapping[int, Array] | None = None, without: int | None = None
    ) -> Array:
        """The table under extras, (e, o * r); `without` leaves out one cluster."""
        table = np.tile(self._weights, (len(extras), 1))
        for cause, at in self._lone.items():
            if _any_has(extras, cause):
                factors = np.array([extra.get(cause, 1.0) for extra in extras])[:, None]
                table *= 1.0 + (factors - 1.0) * self._lone_shares[at]
        for c, value in enumerate(self._values):
            if c != without:
                table *= changed[c][0] if changed and c in changed else value[0]
        return table

    def _present(
        self, around: Array, extras: Sequence[Factors], table: Array, changed: Mapping[int, Array], cause: int
    ) -> Array:
        """What surrounds the block times the part of its table in which the cause is present: (e, o, r)."""
        if cause in self._lone:
            share = self._lone_shares[self._lone[cause]]
            factors = np.array([extra.get(cause, 1.0) for extra in extras])[:, None]
            part = table * _shares(factors * share, 1.0 + (factors - 1.0) * share)
        else:
            c, cluster = next((c, cl) for c, cl in enumerate(self._clusters) if cause in cl.members)
            value = changed[c] if c in changed else self._values[c][:, None]
            only = value[1 + cluster.members.index(cause)]
            part = table * _shares(only, value[0]) if cluster.positive else self._under(extras, changed, c) * only
        return np.asarray(around * part.reshape(len(extras), *self._shape))


def _flat(inner: Array, outer: Array) -> Array:
    """Couplings to the inner and the outer index as couplings to both: (causes, o * r)."""
    return (outer[:, :, None] * inner[:, None, :]).reshape(len(inner), outer.shape[1] * inner.shape[1])


def _shares(part: Array, whole: Array) -> Array:
    """Part over whole; 0 where both are."""
    return np.divide(part, whole, out=np.zeros(np.broadcast_shapes(part.shape, whole.shape)), where=whole != 0.0)


def _any_has(extras: Sequence[Factors], cause: int) -> bool:
    return any(cause in extra for extra in extras)


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
    parts: BlockParts, group: Sequence[int], links: Sequence[Link], elsewhere: frozenset[int]
) -> tuple[Bits, Array]:
    """Joint states of a group that can be, and their prior."""
    states = all_subsets(len(group))
    weights = _prior(parts, group, links, elsewhere, states)
    return states[weights > 0.0], weights[weights > 0.0]


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


# -------------------------------------------------------------------- listed: configurations


class ListedBlock:
    """The listed form: positive arithmetic throughout, so nothing cancels; what is not listed is left out.

    It begins with a rough list (or, `in_full`, with all there is); `settle` makes a better one.
    """

    def __init__(self, parts: BlockParts, in_full: bool) -> None:
        self.members = parts.members
        self._parts = parts
        self._column = {member: at for at, member in enumerate(self.members)}
        self._shared_column = {cause: at for at, cause in enumerate(parts.shared)}
        self._mixed = parts.mixed()
        self._inner = [link for link in parts.links if link not in self._mixed]
        self._elsewhere = parts.elsewhere | {link.child for link in self._mixed}
        self._own, self._cuts = _side_by_side(parts.sums, self._mixed, self.members)
        self._around, _ = _side_by_side(parts.sums, self._mixed, parts.shared)
        self._outer = parts.outer.couplings(self.members)
        probes, mix = self._probes()
        self._list(probes, lambda rows, likelihood: likelihood @ mix.T, 0.0 if in_full else ROUGH)

    def settle(self, listed: Listing, outside: Array, tolerance: float) -> float:
        """List the rows by their weight under these shared configurations; `outside` (o, s) is the rest of the network.

        The configurations that carry nearly all of the weight are enough to choose rows by. Returns the tolerance used.
        """
        weight = np.abs(outside * (self.table @ self._likelihood(self._rows, listed))).sum(axis=0)
        order = np.argsort(-weight)
        chosen = order[: 1 + int(np.searchsorted(np.cumsum(weight[order]), (1.0 - ROUGH) * weight.sum()))]
        some, around = Listing.of(listed.bits[chosen]), outside[:, chosen]

        def variants(rows: Listing, likelihood: Array) -> Array:
            outer = rows.products(*self._outer)
            return np.asarray(np.maximum((outer * (likelihood @ around.T)).sum(axis=1, keepdims=True), 0.0))

        return self._list(some, variants, tolerance)

    def _list(self, probes: Listing, variants: Callable[[Listing, Array], Array], tolerance: float) -> float:
        """Make the list of rows; returns the tolerance used."""
        size = len(self.members)

        def weigh(grown: Grown) -> Array:
            rows = grown.listing
            prior = _prior(self._parts, self.members, self._inner, self._elsewhere, rows.bits)
            return np.asarray((variants(rows, self._likelihood(rows, probes)) * prior[:, None]).T)

        if tolerance <= 0.0:
            bits = all_subsets(size)
        else:
            items = np.concatenate([np.eye(size, dtype=bool), self._families()])
            bits, tolerance = grow(items, items[:0], weigh, tolerance, LARGEST_ROWS, MOST_ROWS)
        prior = _prior(self._parts, self.members, self._inner, self._elsewhere, bits)
        possible = prior > 0.0
        self._rows = Listing.of(bits[possible])
        self.table = (prior[possible][:, None] * self._rows.products(*self._outer)).T
        self._states = self._rows.bits.astype(float)
        return tolerance

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

    def coupling(self, listed: Listing) -> Array:
        return self._likelihood(self._rows, listed)

    def quick(self, grown: Grown) -> Array:
        return np.asarray(self.table @ self.coupling(grown.listing))

    def with_present(self, causes: Sequence[int]) -> Array:
        return np.array([self.table * self._states[:, self._column[cause]] for cause in causes])

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


def products_without_each(values: Array) -> tuple[Array, Array]:
    """Along the first axis: for each entry the product of all others, and the product of all. No division."""
    ones = np.ones_like(values[:1])
    before = np.concatenate([ones, np.cumprod(values, axis=0)])
    after = np.concatenate([np.cumprod(values[::-1], axis=0)[::-1], ones])
    return before[:-1] * after[1:], before[-1]
