"""A network as arrays: links, and every finding and table as signed terms that stand side by side as columns."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import chain
from operator import attrgetter

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning.jit import compiled
from firstcause.reasoning.network import Network
from firstcause.reasoning.terms import coefficients_of, sum_of_table

Array = NDArray[np.float64]
Index = NDArray[np.int64]

AMONG_SHARED, INSIDE, MIXED, ACROSS = 0, 1, 2, 3
"""Where a link stands: shared causes only; one block; one block and shared causes; several blocks"""
LARGEST_CLUSTER = 9


@dataclass(frozen=True)
class Links:
    """Causes and their parents: n causes, parents of i at begin[i]:begin[i + 1].

    `block` (n,) is -1 for a shared cause; `left` is what a present parent leaves of the chance to be absent; `kind`
    (n,) where the link of a cause with parents stands.
    """

    leak: Array
    block: Index
    begin: Index
    parent: Index
    left: Array
    kind: Index


@dataclass(frozen=True)
class Columns:
    """Sums side by side: the terms of sum t are the columns begin[t]:begin[t + 1].

    `coefficient` (columns,); `present` and `absent` (causes, columns), 1 where a cause does not matter.
    """

    begin: Index
    coefficient: Array
    present: Array
    absent: Array


@dataclass(frozen=True)
class Units:
    """Private causes of one block, those tied together side by side: unit u holds member[unit[u]:unit[u + 1]].

    `weight` holds the prior of each joint state of a unit from state[u] on, the first member turning quickest; a member
    whose prior stands in a signed sum counts 1.
    """

    member: Index
    unit: Index
    state: Index
    weight: Array


def links_of(network: Network) -> tuple[Links, list[str]]:
    """Causes and links as arrays, and the names of the blocks in the order of their numbers."""
    causes = network.causes
    blocks = [cause.block for cause in causes]
    names = sorted({name for name in blocks if name is not None})
    number: dict[str | None, int] = {name: at for at, name in enumerate(names)}
    number[None] = -1
    parents = [cause.parents for cause in causes]
    flat = list(chain.from_iterable(parents))
    index = network.index
    begin = np.zeros(len(causes) + 1, dtype=np.int64)
    np.cumsum([len(pairs) for pairs in parents], out=begin[1:])
    block = np.array([number[name] for name in blocks], dtype=np.int64)
    parent = np.array([index[name] for name, _ in flat], dtype=np.int64)
    left = 1.0 - np.array([chance for _, chance in flat], dtype=np.float64)
    leak = np.array([cause.leak for cause in causes], dtype=np.float64)
    return Links(leak, block, begin, parent, left, link_kinds(block, begin, parent)), names


@compiled
def link_kinds(block: Index, begin: Index, parent: Index) -> Index:
    """Where the link of each cause with parents stands."""
    kind = np.zeros(len(block), dtype=np.int64)
    for i in range(len(block)):
        if begin[i] == begin[i + 1]:
            continue
        home, shared, several = block[i], block[i] < 0, False
        for at in range(begin[i], begin[i + 1]):
            other = block[parent[at]]
            if other < 0:
                shared = True
            elif home < 0:
                home = other
            elif other != home:
                several = True
        if several:
            kind[i] = ACROSS
        elif home >= 0:
            kind[i] = MIXED if shared else INSIDE
    return kind


@compiled
def _roots(begin: Index, parent: Index, kind: Index) -> Index:
    """For each cause the first of those that links inside a block tie it to; links that tie too many become MIXED."""
    n = len(kind)
    root, size = np.empty(n, dtype=np.int64), np.empty(n, dtype=np.int64)
    while True:
        for i in range(n):
            root[i] = i
            size[i] = 0
        for i in range(n):
            if kind[i] != INSIDE:
                continue
            for at in range(begin[i], begin[i + 1]):
                one, other = root[i], root[parent[at]]
                if one != other:
                    low, high = min(one, other), max(one, other)
                    for j in range(n):
                        if root[j] == high:
                            root[j] = low
        for i in range(n):
            size[root[i]] += 1
        widest = -1
        for i in range(n):
            if kind[i] == INSIDE and size[root[i]] > LARGEST_CLUSTER:
                wide = begin[i + 1] - begin[i]
                if widest < 0 or wide > begin[widest + 1] - begin[widest]:
                    widest = i
        if widest < 0:
            return root
        kind[widest] = MIXED


def units_of(links: Links, blocks: int) -> tuple[Links, list[Units]]:
    """Members of each block grouped by their links, and the prior of their joint states.

    And the links, with the kind of each: those that would tie too many causes together are MIXED. What was made is
    kept: through a case findings come and go while causes stay.
    """
    arrays = (links.leak, links.block, links.begin, links.parent, links.left, links.kind)
    kind, units = _units_of(blocks, *(array.tobytes() for array in arrays))
    return replace(links, kind=kind), units


@lru_cache(maxsize=64)
def _units_of(blocks: int, *raw: bytes) -> tuple[Index, list[Units]]:
    """See units_of; the arrays as their bytes."""
    leak, left = (np.frombuffer(raw[at], dtype=np.float64) for at in (0, 4))
    block, begin, parent, kind = (np.frombuffer(raw[at], dtype=np.int64).copy() for at in (1, 2, 3, 5))
    links = Links(leak.copy(), block, begin, parent, left.copy(), kind)
    root = _roots(links.begin, links.parent, links.kind)
    order = np.lexsort((root, links.block))
    order = order[links.block[order] >= 0]
    found: list[Units] = []
    if not blocks:
        return links.kind, found
    for members in np.split(order, np.searchsorted(links.block[order], np.arange(1, blocks))):
        starts = np.flatnonzero(np.diff(root[members], prepend=-1))
        unit = np.append(starts, len(members))
        state = np.zeros(len(unit), dtype=np.int64)
        np.cumsum(1 << np.diff(unit), out=state[1:])
        weight = np.ones(state[-1])
        _state_weights(links.leak, links.begin, links.parent, links.left, links.kind, members, unit, state, weight)
        found.append(Units(members, unit, state, weight))
    return links.kind, found


def with_guests(units: Units, links: Links, guests: Index) -> Units:
    """The same with shared causes added, each a unit of its own: absent, or present with none of its children."""
    if not len(guests):
        return units
    alone = np.ones(len(links.leak))
    np.multiply.at(alone, links.parent, links.left)
    leak, more = links.leak[guests], np.arange(1, len(guests) + 1)
    return Units(
        np.concatenate([units.member, guests]),
        np.concatenate([units.unit, units.unit[-1] + more]),
        np.concatenate([units.state, units.state[-1] + 2 * more]),
        np.concatenate([units.weight, np.column_stack([1.0 - leak, leak * alone[guests]]).ravel()]),
    )


@compiled
def _state_weights(
    leak: Array, begin: Index, parent: Index, left: Array, kind: Index, members: Index, unit: Index, state: Index,
    weight: Array,
) -> None:  # fmt: skip
    """Prior of each joint state of each unit, into weight."""
    for u in range(len(unit) - 1):
        for s in range(state[u + 1] - state[u]):
            product = 1.0
            for at in range(unit[u + 1] - unit[u]):
                i = members[unit[u] + at]
                if kind[i] >= MIXED:
                    continue
                absent = 1.0 - leak[i]
                for p in range(begin[i], begin[i + 1]):
                    for other in range(at):
                        if members[unit[u] + other] == parent[p] and s >> other & 1:
                            absent *= left[p]
                product *= 1.0 - absent if s >> at & 1 else absent
            weight[state[u] + s] = product


def columns_of(network: Network, links: Links, negligible: float) -> tuple[Columns, float]:
    """All findings (in the order of their names), tables, and links that reach beyond one block, as columns.

    Terms below `negligible` times the largest of their finding are left out. Also the log of what weights were
    divided by.
    """
    index = network.index
    findings = sorted(network.findings, key=attrgetter("id"))
    tables = [sum_of_table(table, index) for table in network.tables]
    begin, level, coefficient, scale = [0], [], [], sum(scale for _, scale in tables)
    for finding in findings:
        signed, kept, log_largest = coefficients_of(finding, negligible)
        coefficient += signed
        level += kept
        begin.append(len(level))
        scale += log_largest
    for total, _ in tables:
        coefficient += total.coefficients.tolist()
        begin.append(len(coefficient))
    couplings = list(chain.from_iterable([finding.causes for finding in findings]))
    cause = np.array([index[name] for name, _ in couplings], dtype=np.int64)
    flat = np.array(list(chain.from_iterable([values for _, values in couplings])), dtype=np.float64)
    counts = np.array([len(finding.causes) for finding in findings], dtype=np.int64)
    levels = np.array([len(finding.leak) for finding in findings], dtype=np.int64)
    through = np.flatnonzero(links.kind >= MIXED)
    first = len(coefficient)
    present, absent = np.ones((2, len(links.block), first + 2 * len(through)))
    starts = np.array(begin, dtype=np.int64)
    _spread(starts, cause, flat, counts, levels, np.array(level, dtype=np.int64), present)
    _spread_links(links.leak, links.begin, links.parent, links.left, through, first, present, absent)
    columns = Columns(
        np.concatenate([starts, first + 2 * np.arange(1, len(through) + 1)]),
        np.concatenate([coefficient, np.ones(2 * len(through))]), present, absent,
    )  # fmt: skip
    for (total, _), first in zip(tables, begin[len(findings) :], strict=False):
        for given, target in ((total.present, columns.present), (total.absent, columns.absent)):
            for i, factors in given.items():
                target[i, first : first + len(factors)] = factors
    return columns, scale


@compiled
def _spread(
    begin: Index, cause: Index, flat: Array, counts: Index, levels: Index, level: Index, present: Array
) -> None:
    """The cumulative outcomes of all findings, one after the other in `flat`, into their columns."""
    entry, value = 0, 0
    for f in range(len(counts)):
        for _ in range(counts[f]):
            for c in range(begin[f], begin[f + 1]):
                present[cause[entry], c] *= flat[value + level[c]]
            entry += 1
            value += levels[f]


@compiled
def _spread_links(
    leak: Array, begin: Index, parent: Index, left: Array, through: Index, first: int, present: Array, absent: Array
) -> None:
    """Links as two columns each: the child present is 1 - P(absent), absent P(absent); its prior is then in here."""
    for at in range(len(through)):
        i, c = through[at], first + 2 * at
        for p in range(begin[i], begin[i + 1]):
            present[parent[p], c + 1] *= left[p]
        present[i, c + 1] *= leak[i] - 1.0
        absent[i, c] = 0.0
        absent[i, c + 1] = 1.0 - leak[i]
