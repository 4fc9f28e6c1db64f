"""The posterior: exact block by block where findings are few, listed by weight where they are many.

Causes are private to a block or shared. Given a configuration of the shared causes (and an "outer" index over the
terms of what touches several blocks) blocks are independent, and each gives its likelihood (`blocks`). Configurations
of the shared causes are listed from the empty one upwards by what they weigh (`growing`). With `tolerance` 0 all are
listed and nothing is left out. Decision 0009 tells why, decision 0012 why the loops are compiled.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from math import exp, log

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import RequestError
from firstcause.reasoning import growing, kernels, packed
from firstcause.reasoning.blocks import TermBlock, products_without_each
from firstcause.reasoning.listed import BlockParts, ListedBlock
from firstcause.reasoning.listing import Listing
from firstcause.reasoning.network import Network
from firstcause.reasoning.terms import SMALLEST_TERM, Link, Sum

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Flags = NDArray[np.bool_]

MOST_EXACT_TERMS = 1 << 12
LARGEST_TABLE = 1 << 14
LARGEST_TABLE_IN_FULL = 1 << 18
NEGLIGIBLE_TERM = 1e-3  # times the tolerance
LARGEST_OUTER = 1 << 12
LARGEST_LIST = 1 << 15
MOST_CELLS = 1 << 17
MOST_ROUGH_CELLS = 1 << 15
MOST_LISTED_IN_FULL = 16
ROUGH = 1e-3
CELLS_AT_ONCE = 1 << 20


class TooManyFindings(RequestError):
    """The case has grown past what the exact engine can hold."""

    def __init__(self, where: str, terms: int) -> None:
        self.where, self.terms = where, terms
        super().__init__(
            f"{where} has so many abnormal findings that {terms} terms would be needed. "
            "The case itself is kept; withdraw repeated findings that say the same, and weigh again."
        )


class Contradiction(RequestError):
    """The findings exclude each other under the knowledge base. `culprits`: happenings that do so among themselves,
    none of which could be left out; empty while nobody looked for them. `told`: these in words."""

    def __init__(self, culprits: Sequence[str] = (), told: Sequence[str] = ()) -> None:
        self.culprits, self.told = tuple(culprits), tuple(told)
        among = "; ".join(self.told or self.culprits)
        super().__init__(
            "These findings cannot all be true together under what the knowledge base holds possible"
            f"{': ' + among if among else ''}. "
            "The case is kept; withdraw or mark as doubtful the finding you trust least, and weigh again."
        )


@dataclass(frozen=True)
class Posterior:
    """What is believed: probability of each cause, log of the probability of the evidence, and what was left out.

    `tolerance` is the share of the posterior weight that all lists together were allowed to leave out (the engine
    raises it where a case would not fit otherwise); 0 when everything was listed. `listed` counts the shared
    configurations.
    """

    network: Network
    probability: Mapping[str, float]
    log_evidence: float
    tolerance: float
    listed: int

    @property
    def evidence(self) -> float:
        """Probability of the evidence; 0.0 where it is too small for a float."""
        return exp(self.log_evidence)


@dataclass(frozen=True)
class Extra:
    """One more factor on causes, to ask "and if": multiplies each state in which the cause is present."""

    when_present: Mapping[str, float]


class Engine:
    """A network made ready: its posterior at once, and what further factors would change.

    `tolerance` is the share of the posterior weight that may be left out of each list. `most_cells` bounds the work:
    shared configurations listed times terms of what touches several blocks. A network with tables is always listed in
    full: a list grown cause by cause can miss a state that only a table makes likely.
    """

    def __init__(self, network: Network, tolerance: float, most_cells: int = MOST_CELLS) -> None:
        self.network = network
        self._most_cells = most_cells
        self._tolerance = 0.0 if network.tables else tolerance
        self._links, self._names = packed.links_of(network)
        self._links, self._units = packed.units_of(self._links, len(self._names))
        negligible = max(SMALLEST_TERM, self._tolerance * NEGLIGIBLE_TERM)
        self._columns, self._log_scale = packed.columns_of(network, self._links, negligible)
        self._sort_sums()
        self._sort_shared()
        self._make_blocks()
        self._list_configurations()
        self._wanted: dict[tuple[int, ...], _Wanted] = {}

    @property
    def cells(self) -> int:
        """What each question costs: shared configurations listed times outer terms."""
        return self._joint.size

    @property
    def listed(self) -> frozenset[str]:
        """The blocks that are listed by their own configurations, because they would need too many signed terms."""
        return frozenset(
            name for name, block in zip(self._names, self._blocks, strict=True) if isinstance(block, ListedBlock)
        )

    # ---------------------------------------------------------------- structure

    def _sort_sums(self) -> None:
        """Which causes each sum touches, and whether that is no block, one, or several (then the sum is outer)."""
        columns, links = self._columns, self._links
        uneven = (columns.present != 1.0) | (columns.absent != 1.0)
        self._touches = np.zeros((len(links.block), len(columns.begin) - 1), dtype=bool)
        if len(columns.begin) > 1:
            self._touches = np.logical_or.reduceat(uneven, columns.begin[:-1], axis=1)
        self._odd = (columns.absent != 1.0).any(axis=1)
        blocks = np.arange(len(self._names))
        self._touched_by = (self._touches.T.astype(np.float32) @ (links.block[:, None] == blocks)) > 0.0
        several = self._touched_by.sum(axis=1)
        self._outer_sums = np.flatnonzero(several > 1)
        self._shared_sums = np.flatnonzero(several == 0)
        self._home = np.where(several == 1, self._touched_by.argmax(axis=1) if len(blocks) else -1, -1)
        self._terms = np.diff(columns.begin)
        outer = float(self._terms[self._outer_sums].astype(float).prod())
        if outer > LARGEST_OUTER:
            raise TooManyFindings("The engine as a whole", int(outer))
        self._outers = int(outer)

    def _sort_shared(self) -> None:
        """The shared causes that are listed, each in a slot; the others are summed out, or guests of a block."""
        links, columns = self._links, self._columns
        heads, sole = growing.heads_of(links)
        folded = heads & ~self._touches.any(axis=1)
        self._folded = np.flatnonzero(folded)
        self._place = links.block.copy()
        """for each cause the block that holds it (for a guest too), or -1"""
        self._is_term = [not self._is_listed(b, np.flatnonzero(self._home == b)) for b in range(len(self._names))]
        for i in np.flatnonzero(heads & sole & ~folded & ~self._odd):
            homes = np.unique(self._home[self._touches[i]])
            if len(homes) == 1 and homes[0] >= 0 and self._is_term[homes[0]]:
                self._place[i] = homes[0]
        guests = np.flatnonzero((links.block < 0) & (self._place >= 0))
        self._guests = guests[np.argsort(self._place[guests], kind="stable")]
        self._shared = np.flatnonzero((self._place < 0) & ~folded)
        self._slot = np.full(len(links.block), -1)
        self._slot[self._shared] = np.arange(len(self._shared))
        self._prior = growing.Prior(links, self._shared, self._slot, self._folded, self._guests)
        self._either = np.flatnonzero(self._odd[self._shared])
        self._outer = growing.Couplings.of(columns, self._shared, [self._outer_sums], bool(len(self._either)))
        self._outer_weight = np.ones((1, self._outers))
        none = np.zeros(1, dtype=np.int64)
        kernels.expand(columns.coefficient[None, :], none, columns.begin, self._outer_sums, self._outer_weight)

    def _make_blocks(self) -> None:
        """Every block, exact or listed; which outer index of its own it has for each joint one."""
        digits = np.indices(tuple(self._terms[self._outer_sums].tolist())).reshape(len(self._outer_sums), self._outers)
        self._blocks: list[TermBlock | ListedBlock] = []
        self._outer_at: list[Index] = []
        own_sums: list[Index | None] = []
        for b, units in enumerate(self._units):
            own = np.flatnonzero(self._home == b)
            if not self._is_term[b]:
                self._blocks.append(ListedBlock(self._parts(b, own), in_full=self._tolerance <= 0.0))
                self._outer_at.append(np.arange(self._outers))
                own_sums.append(None)
                continue
            mine = self._touched_by[self._outer_sums, b]
            guests = self._guests[self._place[self._guests] == b]
            with_guests = packed.with_guests(units, self._links, guests)
            outer = self._outer_sums[mine]
            self._blocks.append(TermBlock(with_guests, own, outer, self._columns, self._odd, len(guests)))
            at = np.zeros(self._outers, dtype=np.int64)
            for t in np.flatnonzero(mine):
                at = at * self._terms[self._outer_sums[t]] + digits[t]
            self._outer_at.append(at)
            own_sums.append(own)
        rows = growing.Couplings.of(self._columns, self._shared, own_sums, bool(len(self._either)))
        instead = np.ones((len(self._guests), rows.at[-1]))
        for b, block in enumerate(self._blocks):
            if isinstance(block, TermBlock):
                instead[self._place[self._guests] == b, rows.at[b] : rows.at[b + 1]] = block.instead
        self._rows = replace(rows, family=self._prior.family, instead=instead)

    def _is_listed(self, b: int, own: Index) -> bool:
        """Whether a block would need too many signed terms."""
        terms = float(self._terms[own].astype(float).prod())
        cells = terms * float(self._terms[self._outer_sums[self._touched_by[self._outer_sums, b]]].prod())
        if self._tolerance > 0.0:
            return terms > MOST_EXACT_TERMS or cells > LARGEST_TABLE
        more_than_states = terms > max(MOST_EXACT_TERMS, 1 << len(self._units[b].member))
        if cells <= LARGEST_TABLE_IN_FULL and not more_than_states:
            return False
        if len(self._units[b].member) > MOST_LISTED_IN_FULL:
            name = self._names[b]
            raise TooManyFindings(name[:1].upper() + name[1:], int(terms))
        return True

    def _parts(self, b: int, own: Index) -> BlockParts:
        """What a listed block is made of."""
        links, columns, causes = self._links, self._columns, self.network.causes
        member = self._units[b].member
        inside = set(member.tolist())
        sums = []
        for t in own[own < len(self._terms) - (links.kind >= packed.MIXED).sum()]:
            at = slice(columns.begin[t], columns.begin[t + 1])
            couples = np.flatnonzero(self._touches[:, t]).tolist()
            present, absent = ({i: given[i, at] for i in couples} for given in (columns.present, columns.absent))
            sums.append(Sum(columns.coefficient[at], present, absent))
        within = [i for i in np.flatnonzero(np.diff(links.begin)) if links.kind[i] in (packed.INSIDE, packed.MIXED)]
        of_block = [Link.of(int(i), causes[i], self.network.index) for i in within]
        outer = np.ones((2, len(member), self._outers))
        for out, factors in zip(outer, (columns.present, columns.absent), strict=True):
            kernels.expand(factors, member, columns.begin, self._outer_sums, out)
        return BlockParts(
            self._names[b], causes, member, tuple(link for link in of_block if link.members() & inside),
            frozenset(i for i in inside if links.kind[i] == packed.ACROSS), tuple(sums), (outer[0], outer[1]),
            tuple(self._shared.tolist()),
        )  # fmt: skip

    # ---------------------------------------------------------------- shared causes

    def _list_configurations(self) -> None:
        """List configurations of the shared causes and weigh each: prior, shared findings, and every block.

        Where a block is listed too, the lists are made in turn, roughly first: each is chosen by what the others hold.
        """
        size, tolerance = len(self._shared), self._tolerance
        if tolerance <= 0.0:
            if size > MOST_LISTED_IN_FULL:
                raise TooManyFindings("The list of shared causes", 1 << size)
            self._take(np.arange(1 << size)[:, None])
            return
        reach = np.zeros((size, len(self._names)), dtype=bool)
        for b in range(len(self._names)):
            reach[:, b] = self._touches[np.ix_(self._shared, np.flatnonzero(self._home == b))].any(axis=1)
        seeds, items = growing.seeds_of(self._links, self._shared, self._slot, reach)
        listed_blocks = [(b, block) for b, block in enumerate(self._blocks) if isinstance(block, ListedBlock)]
        most = max(self._most_cells // self._outers, size + 1)
        largest = min(LARGEST_LIST, 16 * most)
        for at_most in dict.fromkeys([max(tolerance, ROUGH) if listed_blocks else tolerance, tolerance]):
            words, used = growing.grow(seeds, items, size, self._weigher(), at_most, largest, most)
            self._take(words)
            for b, block in listed_blocks:
                used += block.settle(Listing.of(self._on), self._outside(self._without[b], b).T, at_most)
                self._take(words)
            self._tolerance = used

    def _weigher(self) -> growing.Weigh:
        """What weighs configurations while the list grows."""
        term_blocks = [block for block in self._blocks if isinstance(block, TermBlock)]
        cells = [block.table if isinstance(block, TermBlock) else np.empty(0) for block in self._blocks]
        cell_at = np.cumsum([0, *map(len, cells)])
        outer_at = np.array(self._outer_at, dtype=np.int64).reshape(len(self._blocks), self._outers)
        tables = np.concatenate([np.empty(0), *cells])

        def weigh(words: Index) -> Array:
            on = kernels.unpack(words, len(self._shared))
            prior, _ = self._prior_and_shared_sums(on)
            given = np.empty((0, self._outers))
            if len(term_blocks) < len(self._blocks):
                listing = Listing.of(on)
                parts = [block.quick(listing) for block in self._blocks if isinstance(block, ListedBlock)]
                given = np.prod(parts, axis=0)
            weight = np.empty(len(words))
            kernels.weigh(
                on, prior, self._outer.factors, self._outer_weight[0], outer_at, self._rows.factors, self._rows.at,
                self._either, self._rows.family, self._rows.instead, tables, cell_at, given, weight,
            )  # fmt: skip
            return weight

        return weigh

    def _prior_and_shared_sums(self, on: Flags) -> tuple[Array, Array]:
        """Prior of configurations times findings on shared causes alone; chance of each cause that is summed out."""
        prior, chance = self._prior.of(on)
        for t in self._shared_sums:
            sums = growing.Couplings.of(self._columns, self._shared, [np.array([t])], bool(len(self._either)))
            at = slice(self._columns.begin[t], self._columns.begin[t + 1])
            likelihood = sums.of_configurations(on, self._either) @ self._columns.coefficient[at]
            prior = prior * np.maximum(likelihood, 0.0)
        return prior, chance

    def _take(self, words: Index) -> None:
        """Settle on a list of configurations: what stands outside the blocks, and what each block comes to."""
        self._on = kernels.unpack(words, len(self._shared))
        prior, self._chance = self._prior_and_shared_sums(self._on)
        outer = self._outer.of_configurations(self._on, self._either)
        self._base = outer * self._outer_weight * prior[:, None]
        rows = self._rows.of_configurations(self._on, self._either)
        busy = self._prior.busy(self._on, len(self._guests))
        for b, block in enumerate(self._blocks):
            if isinstance(block, ListedBlock):
                block.take(Listing.of(self._on))
            else:
                own_rows = np.ascontiguousarray(rows[:, self._rows.at[b] : self._rows.at[b + 1]])
                block.take(own_rows, np.ascontiguousarray(busy[:, self._place[self._guests] == b]))
        self._given = [block.given()[:, at] for block, at in zip(self._blocks, self._outer_at, strict=True)]
        without, self._joint = products_without_each([*self._given, self._base])
        self._without = without[:-1]
        self._z = float(self._joint.sum())
        if not self._z > 0.0:
            raise Contradiction()

    def _outside(self, weight: Array, b: int) -> Array:
        """Weights (.., s, outer) brought to the block's own outer index."""
        at, outers = self._outer_at[b], int(self._outer_at[b].max()) + 1
        if outers == self._outers:
            return weight
        return np.stack([weight[..., at == o].sum(axis=-1) for o in range(outers)], axis=-1)

    # ---------------------------------------------------------------- answers

    def posterior(self) -> Posterior:
        """Probability of every cause given all findings."""
        joint = np.zeros(len(self.network.causes))
        weight = self._joint.sum(axis=1)
        joint[self._shared] = weight @ self._on
        joint[self._folded] = weight @ self._chance
        for b, block in enumerate(self._blocks):
            joint[block.member] = block.members_in(np.ascontiguousarray(self._outside(self._without[b], b)))
        values = np.clip(joint / self._z, 0.0, 1.0).tolist()
        return Posterior(
            self.network,
            dict(zip(self.network.index, values, strict=True)),
            log(self._z) + self._log_scale,
            self._tolerance,
            len(self._on),
        )

    def with_extras(self, extras: Sequence[Extra], wanted: Sequence[str]) -> tuple[Array, Array]:
        """For each extra: P(extra | evidence) and, for each wanted cause, P(extra, cause | evidence).

        Shapes (extras,) and (extras, wanted).
        """
        index = self.network.index
        couplings = [
            (e, index[n], v) for e, extra in enumerate(extras) for n, v in extra.when_present.items() if v != 1.0
        ]
        asked, cause = (np.array([coupling[k] for coupling in couplings], dtype=np.int64) for k in range(2))
        factor = np.array([coupling[2] for coupling in couplings], dtype=np.float64)
        about = self._about([index[name] for name in wanted])
        touched = np.zeros((len(extras), len(self._blocks)), dtype=bool)
        private = self._place[cause] >= 0
        touched[asked[private], self._place[cause[private]]] = True
        z, joint = np.empty(len(extras)), np.zeros((len(extras), len(wanted)))
        touched |= about.direct
        alike: dict[bytes, list[int]] = {}
        for e, pattern in enumerate(touched):
            alike.setdefault(pattern.tobytes(), []).append(e)
        at_once = max(1, CELLS_AT_ONCE // max(self.cells, 1))
        for some in alike.values():
            members = np.array(some)
            for first in range(0, len(members), at_once):
                part = members[first : first + at_once]
                pattern = np.flatnonzero(touched[some[0]])
                z[part], joint[part] = self._ask(_Asked.of(part, asked, cause, factor), pattern, about)
        return z / self._z, joint / self._z

    def _ask(self, asked: _Asked, touched: Index, about: _Wanted) -> tuple[Array, Array]:
        """Extras that touch the same blocks, at once."""
        on_shared = self._on_shared(asked)
        factors = {int(b): asked.on(self._blocks[b].member, len(self._links.block)) for b in touched}
        given = {b: self._blocks[b].under(factors[b])[:, :, self._outer_at[b]] for b in factors}
        if not given:
            around = self._joint
        elif len(given) == 1:
            around = self._without[touched[0]]
        else:
            around = self._base
            for b, others in enumerate(self._given):
                if b not in given:
                    around = around * others
        weights = around[None] * on_shared[:, :, None]
        others_of: list[Array] = []
        if given:
            others_of, product = products_without_each([*given.values()])
            all_weights = weights * product
        else:
            all_weights = weights
        result = np.zeros((asked.many, len(about.causes)))
        over_outer = all_weights.sum(axis=2)
        result[:, about.shared] = over_outer @ about.present
        self._correct_folded(asked, about, over_outer, result)
        own_outer: dict[bytes, Array] = {}
        for b, slots in about.slots.items():
            if b in given:
                outside = np.ascontiguousarray(self._outside(weights * others_of[list(given).index(b)], b))
                result[:, slots] = self._blocks[b].members_under(factors[b], outside)[:, about.own[b]]
                continue
            key = self._outer_at[b].tobytes()
            if key not in own_outer:
                own_outer[key] = self._outside(all_weights, b).reshape(asked.many, -1)
            result[:, slots] = own_outer[key] @ about.shares[b].T
        return over_outer.sum(axis=1), result

    def _on_shared(self, asked: _Asked) -> Array:
        """What the factors on shared causes come to under each configuration: (e, s)."""
        slot = self._slot.copy()
        slot[self._folded] = len(self._shared) + np.arange(len(self._folded))
        chosen = self._place[asked.cause] < 0
        begin = np.searchsorted(asked.extra[chosen], np.arange(asked.many + 1))
        out = np.empty((asked.many, len(self._on)))
        kernels.times_shared(begin, slot[asked.cause[chosen]], asked.factor[chosen], self._on, self._chance, out)
        return out

    def _correct_folded(self, asked: _Asked, about: _Wanted, over_outer: Array, result: Array) -> None:
        """A cause that is summed out and stands in the question itself is more or less likely in each configuration."""
        for at in np.flatnonzero(about.folded_at[asked.cause] >= 0):
            e, i, factor = asked.extra[at], asked.cause[at], asked.factor[at]
            chance = about.present[:, about.folded_at[i]]
            left = 1.0 - chance * (1.0 - factor)
            after = np.divide(chance * factor, left, out=np.zeros_like(left), where=left > 0.0)
            result[e, about.causes == i] = float(over_outer[e] @ after)

    def _about(self, wanted: Sequence[int]) -> _Wanted:
        """What questions about these causes share; kept, for the same causes are asked about again."""
        key = tuple(wanted)
        if key not in self._wanted:
            causes = np.array(wanted, dtype=np.int64)
            blocks = self._place[causes]
            shared = np.flatnonzero(blocks < 0)
            folded_at = np.full(len(self._links.block), -1)
            folded_at[causes[shared]] = np.arange(len(shared))
            folded_at[self._shared] = -1
            present = np.empty((len(self._on), len(shared)), order="F")
            for column, i in enumerate(causes[shared]):
                slot = self._slot[i]
                present[:, column] = self._on[:, slot] if slot >= 0 else self._chance[:, self._folded == i][:, 0]
            slots, own, shares = {}, {}, {}
            direct = np.zeros(len(self._blocks), dtype=bool)
            for b in sorted({int(block) for block in blocks if block >= 0}):
                block = self._blocks[b]
                slots[b] = np.flatnonzero(blocks == b)
                place = {int(i): m for m, i in enumerate(block.member)}
                own[b] = np.array([place[int(i)] for i in causes[slots[b]]], dtype=np.int64)
                given, part = block.given(), block.given_with(own[b])
                direct[b] = ((given == 0.0) & (part != 0.0)).any()
                shares[b] = (part / np.where(given != 0.0, given, 1.0)).reshape(len(own[b]), -1)
            self._wanted[key] = _Wanted(causes, folded_at, direct, shared, present, slots, own, shares)
        return self._wanted[key]


@dataclass(frozen=True)
class _Asked:
    """Some extras as arrays: extra[k] (rising) has factor[k] on cause[k]."""

    many: int
    extra: Index
    cause: Index
    factor: Array

    @classmethod
    def of(cls, part: Index, extra: Index, cause: Index, factor: Array) -> _Asked:
        """Only these extras, numbered anew."""
        new = np.full(int(max(part.max(initial=-1), extra.max(initial=-1))) + 1, -1)
        new[part] = np.arange(len(part))
        kept = new[extra] >= 0
        return cls(len(part), new[extra[kept]], cause[kept], factor[kept])

    def on(self, member: Index, causes: int) -> Array:
        """The factors on these causes: (e, m)."""
        place = np.full(causes, -1)
        place[member] = np.arange(len(member))
        found = np.ones((self.many, len(member)))
        own = place[self.cause] >= 0
        found[self.extra[own], place[self.cause[own]]] = self.factor[own]
        return found


@dataclass(frozen=True)
class _Wanted:
    """Causes asked about. By block: slots of its wanted causes, their own numbers in it, and their shares (., s * o).

    `folded_at` (causes,): the column in `present` of those that are summed out, else -1. `direct` (blocks,): blocks
    whose shares cannot be used, for signed terms cancel to nothing where those of a member do not. `shared`: slots of
    shared causes; `present` (s, .) their chance in each configuration.
    """

    causes: Index
    folded_at: Index
    direct: Flags
    shared: Index
    present: Array
    slots: Mapping[int, Index]
    own: Mapping[int, Index]
    shares: Mapping[int, Array]


def rough_engine(network: Network) -> Engine:
    """An engine for weights of evidence and for what is done in thought: beliefs right to about one in a thousand."""
    return Engine(network, ROUGH, MOST_ROUGH_CELLS)
