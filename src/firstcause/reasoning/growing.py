"""Configurations of the shared causes: what each weighs, and a list of those that carry weight."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import lru_cache, reduce
from itertools import combinations
from operator import or_

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning import kernels
from firstcause.reasoning.kernels import WORD
from firstcause.reasoning.packed import AMONG_SHARED, Columns, Links

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Flags = NDArray[np.bool_]

GROWN_IS_LIGHTER = 5.0
MOST_CHILDREN_TOGETHER = 6
MOST_PAIRS = 1000


def heads_of(links: Links) -> tuple[Flags, Flags]:
    """Shared roots all of whose children are shared, have no other parent and no children: (causes,).

    And those of them whose children cannot be without them.
    """
    parents = np.diff(links.begin)
    children = np.bincount(links.parent, minlength=len(parents))
    child = np.repeat(np.arange(len(parents)), parents)
    able = (links.block < 0) & (parents == 0) & (children > 0)
    unfit = (links.block >= 0) | (parents != 1) | (children > 0)
    able[links.parent[unfit[child]]] = False
    sole = able & (links.leak < 1.0)
    sole[links.parent[links.leak[child] > 0.0]] = False
    return able, sole


class Prior:
    """The prior of configurations; causes whose link reaches into a block have theirs there.

    `folded` are causes that are summed out; after them `guests`, which a block holds while none of their children is
    present: a configuration with one has the guest's presence in its prior.
    """

    def __init__(self, links: Links, cause: Index, slot: Index, folded: Index, guests: Index) -> None:
        parents = np.diff(links.begin)[cause]
        heads = np.concatenate([folded, guests])
        head = np.full(len(slot), -1)
        head[heads] = np.arange(len(heads))
        first_parent = np.append(links.parent, 0)[links.begin[cause]]
        below = (parents == 1) & (head[first_parent] >= 0)
        leak = links.leak[cause]
        here = (links.kind[cause] == AMONG_SHARED) & ~below
        linked = np.flatnonzero(here & ((parents > 0) | (leak >= 1.0)))
        roots = here & (parents == 0) & (leak < 1.0)
        self._odds = np.ones(len(cause))
        self._odds[roots] = leak[roots] / (1.0 - leak[roots])
        self._no_root = float(np.prod(1.0 - leak[roots]))
        spans = [np.arange(links.begin[i], links.begin[i + 1]) for i in cause[linked]]
        at = np.concatenate([np.empty(0, dtype=np.int64), *spans])
        begin = np.concatenate([[0], np.cumsum(parents[linked])]).astype(np.int64)
        self._linked = (linked, 1.0 - leak[linked], begin, slot[links.parent[at]], links.left[at])
        children = np.flatnonzero(below)
        order = np.argsort(head[first_parent[children]], kind="stable")
        children = children[order]
        fold_begin = np.searchsorted(head[first_parent[children]], np.arange(len(heads) + 1)).astype(np.int64)
        own = leak[children]
        with_it = 1.0 - (1.0 - own) * links.left[links.begin[cause[children]]] if len(children) else own
        self._folded = (links.leak[heads], fold_begin, children, with_it, own)
        self._summed_out = len(folded)
        self.family = np.full(len(cause), -1)
        """(slots,): the guest whose child a slot is, or -1"""
        self.family[below] = np.maximum(head[first_parent[below]] - len(folded), -1)

    def of(self, on: Flags) -> tuple[Array, Array]:
        """The prior (s,), and the chance of each cause that is summed out (s, .)."""
        prior, chance = np.empty(len(on)), np.empty((len(on), self._summed_out))
        kernels.prior_of(on, self._no_root, self._odds, *self._linked, *self._folded, prior, chance)
        return prior, chance

    def busy(self, on: Flags, guests: int) -> Flags:
        """Which guests have a child that is present: (s, guests)."""
        found = np.zeros((len(on), guests), dtype=bool)
        for h in np.flatnonzero(self.family >= 0):
            found[:, self.family[h]] |= on[:, h]
        return found


@dataclass(frozen=True)
class Couplings:
    """How the slots couple. `factors` (2, slots, rows), absent and present; rows of block b from at[b] on.

    `family` (slots,) and `instead` (guests, rows): see `kernels.couple`.
    """

    at: Index
    factors: Array
    family: Index
    instead: Array

    @classmethod
    def of(cls, columns: Columns, cause: Index, sums: Sequence[Index | None], odd: bool) -> Couplings:
        """To the rows of each block's sums (None: it has no rows); `odd`: some slot matters when absent."""
        terms = np.diff(columns.begin)
        at = np.zeros(len(sums) + 1, dtype=np.int64)
        np.cumsum([0 if own is None else terms[own].prod() for own in sums], out=at[1:])
        factors = np.ones((2, len(cause), at[-1]))
        for b, own in enumerate(sums):
            if own is not None and len(own):
                rows = np.empty((len(cause), at[b + 1] - at[b]))
                for side, given in ((1, columns.present), (0, columns.absent)):
                    if side or odd:
                        kernels.expand(given, cause, columns.begin, own, rows)
                        factors[side, :, at[b] : at[b + 1]] = rows
        return cls(at, factors, np.full(len(cause), -1), np.ones((0, at[-1])))

    def of_configurations(self, on: Flags, either: Index) -> Array:
        """(s, rows)."""
        out = np.empty((len(on), self.factors.shape[2]))
        kernels.couple(self.factors, on, either, self.family, self.instead, out)
        return out


def to_words(numbers: Sequence[int], slots: int) -> Index:
    """Sets of slots, given as whole numbers, as rows of words."""
    width, mask = max((slots + WORD - 1) // WORD, 1), (1 << WORD) - 1
    words = [[number >> WORD * w & mask for w in range(width)] for number in numbers]
    return np.array(words, dtype=np.int64).reshape(len(words), width)


def seeds_of(links: Links, cause: Index, slot: Index, reach: Flags) -> tuple[Index, Index]:
    """What a list begins with, and the items it grows by, as words.

    Items: each shared cause; and each with one shared child of its own, for by themselves they may weigh nothing (a
    child that only comes from its parent, a parent that shows only so). The list begins with the empty configuration,
    the items, each parent with each set of its children, and pairs (of items, and of parents with all their children)
    of which each reaches some blocks, and none the other's: together they may explain what each half cannot, such as
    the same trouble on both banks. `reach` (slots, blocks). What was made is kept, for one case asks the same again.
    """
    firsts = np.repeat(np.arange(len(cause)), links.begin[cause + 1] - links.begin[cause])
    spans = [np.arange(links.begin[i], links.begin[i + 1]) for i in cause[links.begin[cause + 1] > links.begin[cause]]]
    parents = links.parent[np.concatenate([np.empty(0, dtype=np.int64), *spans])]
    among = links.block[parents] < 0
    pairs = tuple(zip(parents[among].tolist(), slot[parents[among]].tolist(), firsts[among].tolist(), strict=True))
    return _seeds_of(reach.shape, reach.tobytes(), pairs)


@lru_cache(maxsize=64)
def _seeds_of(
    shape: tuple[int, int], reached_blocks: bytes, pairs_of: tuple[tuple[int, int, int], ...]
) -> tuple[Index, Index]:
    """See seeds_of; `pairs_of`: each shared parent, its slot or -1, and the slot of a child of it."""
    reach = np.frombuffer(reached_blocks, dtype=np.bool_).reshape(shape)
    slots, blocks = shape
    at_blocks = [int(sum(1 << int(b) for b in np.flatnonzero(row))) for row in reach]
    children: dict[int, list[int]] = {}
    slot_of = {}
    for parent, at_slot, child in pairs_of:
        children.setdefault(parent, []).append(child)
        slot_of[parent] = at_slot
    items = [1 << h for h in range(slots)]
    reached = list(at_blocks)
    families, wholes = [], []
    for parent, own in sorted(children.items()):
        h = slot_of[parent]
        itself, its_reach = (1 << h, at_blocks[h]) if h >= 0 else (0, 0)
        items += [itself | 1 << child for child in own]
        reached += [its_reach | at_blocks[child] for child in own]
        together, several = [itself], own[:MOST_CHILDREN_TOGETHER]
        for child in several:
            together += [number | 1 << child for number in together]
        families += together
        wholes.append((together[-1], reduce(or_, (at_blocks[child] for child in several), its_reach)))
    pairs = [*_side_by_side(wholes, blocks), *_side_by_side([*zip(items, reached, strict=True)], blocks)]
    return to_words([0, *items, *families, *pairs[:MOST_PAIRS]], slots), to_words(items, slots)


def _side_by_side(sets: Sequence[tuple[int, int]], blocks: int) -> list[int]:
    """Pairs of sets of causes (each with the blocks it reaches) of which each reaches some blocks, none the other's."""
    partly = [(number, where) for number, where in sets if 2 <= where.bit_count() < blocks]
    return [one | other for (one, here), (other, there) in combinations(partly, 2) if not here & there]


Weigh = Callable[[Index], Array]


def grow(
    seeds: Index, items: Index, slots: int, weigh: Weigh, tolerance: float, largest: int, most_kept: int
) -> tuple[Index, float]:
    """List configurations: first the seeds, then, again and again, one item more or one cause less on those that weigh.

    One cause less finds what no lighter one leads to: of two causes that act together, one alone in the cold and the
    other alone under load. What is struck from the list at the end adds up to less than `tolerance` of all weight;
    what nothing is grown on to less than GROWN_IS_LIGHTER times that, for one cause more is a rare thing, and what
    would have grown is lighter by that much. No more than about `largest` are weighed, the heaviest grown first, and
    no more than `most_kept` kept; where that is not enough the tolerance is what was reached. Returns the list
    (causes by themselves are always in it, if they can be) and the tolerance.
    """
    room = largest + len(seeds) + len(items) + slots
    words, weight = np.empty((room, seeds.shape[1]), dtype=np.int64), np.empty(room)
    grown_on, due = np.zeros((2, room), dtype=bool)
    begin, end = 0, kernels.distinct(seeds, _table(len(seeds)), words)
    while begin < end:
        weight[begin:end] = weigh(words[begin:end])
        total = float(weight[:end].sum())
        most = max((largest - end) // max(len(items), 1) // 2, 0)
        loss = tolerance * GROWN_IS_LIGHTER * total
        many = kernels.worth_keeping(weight[:end], grown_on[:end], total, loss, most, due[:end])
        begin = end
        if many:
            grown_on[:end] |= due[:end]
            end = kernels.one_more(words, end, due, items, _table(end + many * (len(items) + slots)))
    words, weight, keep = words[:end], weight[:end], due[:end]
    if not total > 0.0:
        return words[:0], tolerance
    tolerance = max(tolerance, float(weight[~grown_on[:end]].sum()) / total / GROWN_IS_LIGHTER)
    kernels.worth_keeping(weight, np.zeros(end, dtype=bool), total, tolerance * total, end, keep)
    few = 1 + slots  # the list begins with the empty configuration and each cause by itself
    keep[:few] |= weight[:few] > 0.0
    if int(keep.sum()) > most_kept:
        kernels.worth_keeping(weight, ~keep, total, 0.0, most_kept, keep)
    return words[keep], max(tolerance, float(weight[~keep].sum()) / total)


def _table(entries: int) -> Index:
    """An open table with room for so many."""
    return np.full(max(64, 1 << (2 * entries - 1).bit_length()), -1)
