"""The posterior: exact block by block where findings are few, listed by weight where they are many.

Causes are private to a block or shared. Given a configuration of the shared causes (and an "outer" index over the
terms of what touches several blocks) blocks are independent, and each gives its likelihood (`blocks`). Configurations
of the shared causes are listed from the empty one upwards by what they weigh (`listing`). With `tolerance` 0 all are
listed and nothing is left out. Decision 0009 tells why.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from math import exp, log

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import RequestError
from firstcause.reasoning.blocks import Block, BlockParts, ListedBlock, TermBlock, products_without_each
from firstcause.reasoning.listing import Bits, Grown, Listing, all_subsets, grow
from firstcause.reasoning.network import Network
from firstcause.reasoning.terms import SMALLEST_TERM, Joint, Link, Sum, joint_size, sum_of, sum_of_table

Array = NDArray[np.float64]

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
MOST_CHILDREN_TOGETHER = 6
MOST_PAIRS = 1000
CELLS_AT_ONCE = 1 << 18


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
        self._causes = network.causes
        self._index = network.index
        self._folded = _fold(network)
        self._shared = [i for i, c in enumerate(self._causes) if c.block is None and i not in self._folded]
        self._slot = {i: slot for slot, i in enumerate(self._shared)}
        self._chances: dict[int, Array] = {}
        self._shares: dict[tuple[int, ...], dict[int, tuple[list[int], Array]]] = {}
        tolerance = 0.0 if network.tables else tolerance
        self._sort(tolerance)
        self._list_configurations(tolerance)
        self._combine()

    @property
    def cells(self) -> int:
        """What each question costs: shared configurations listed times outer terms."""
        return self._joint.size

    # ---------------------------------------------------------------- structure

    def _blocks_of(self, causes: Iterable[int]) -> set[str]:
        return {block for i in causes if (block := self._causes[i].block) is not None}

    def _sort(self, tolerance: float) -> None:
        """Sort links and findings by the blocks they touch: none, one, or several (then they are outer)."""
        links: dict[str, list[Link]] = {}
        sums: dict[str, list[Sum]] = {}
        outer: list[Sum] = []
        self._shared_sums: list[tuple[Sum, tuple[Array, Array]]] = []
        self._prior_elsewhere: set[int] = set()
        self._reach: dict[int, set[str]] = {}
        self._log_scale = 0.0
        for i, cause in enumerate(self._causes):
            link = Link.of(i, cause, self._index)
            blocks = self._blocks_of(link.members())
            if not cause.parents or not blocks:
                continue
            if len(blocks) == 1:
                links.setdefault(blocks.pop(), []).append(link)
            else:
                outer.append(link.as_sum())
            if cause.block is None or len(self._blocks_of(link.members())) > 1:
                self._prior_elsewhere.add(i)
        negligible = max(SMALLEST_TERM, tolerance * NEGLIGIBLE_TERM)
        scaled = [sum_of(finding, self._index, negligible) for finding in self.network.findings]
        for total, scale in (*scaled, *(sum_of_table(table, self._index) for table in self.network.tables)):
            self._log_scale += scale
            blocks = self._blocks_of(total.touches())
            if not blocks:
                self._shared_sums.append((total, Joint.of([total]).couplings(self._shared)))
            elif len(blocks) == 1:
                (block,) = blocks
                sums.setdefault(block, []).append(total)
                for i in total.touches():
                    self._reach.setdefault(i, set()).add(block)
            else:
                outer.append(total)
        if joint_size(outer) > LARGEST_OUTER:
            raise TooManyFindings("The engine as a whole", joint_size(outer))
        self._outer = Joint.of(outer)
        self._outer_couplings = self._outer.couplings(self._shared)
        self._sort_shared()
        self._make_blocks(links, sums, tolerance)

    def _make_blocks(self, links: Mapping[str, list[Link]], sums: Mapping[str, list[Sum]], tolerance: float) -> None:
        self._tolerance = tolerance
        self._blocks: list[Block] = []
        self._at: dict[str, int] = {}
        members: dict[str, list[int]] = {}
        for i, cause in enumerate(self._causes):
            if cause.block is not None:
                members.setdefault(cause.block, []).append(i)
        for name, own in sorted(members.items()):
            parts = BlockParts(
                name, self._causes, tuple(own), tuple(links.get(name, ())), frozenset(self._prior_elsewhere & set(own)),
                tuple(sums.get(name, ())), self._outer, tuple(self._shared),
            )  # fmt: skip
            self._at[name] = len(self._blocks)
            self._blocks.append(self._block(parts, tolerance))

    def _block(self, parts: BlockParts, tolerance: float) -> Block:
        if tolerance <= 0.0:
            more_than_states = parts.terms() > max(MOST_EXACT_TERMS, 1 << len(parts.members))
            if parts.terms() * len(self._outer) <= LARGEST_TABLE_IN_FULL and not more_than_states:
                return TermBlock(parts)
            if len(parts.members) > MOST_LISTED_IN_FULL:
                raise TooManyFindings(parts.name[:1].upper() + parts.name[1:], parts.terms())
        elif parts.terms() <= MOST_EXACT_TERMS and parts.terms() * len(self._outer) <= LARGEST_TABLE:
            return TermBlock(parts)
        return ListedBlock(parts, in_full=tolerance <= 0.0)

    # ---------------------------------------------------------------- shared causes

    def _list_configurations(self, tolerance: float) -> None:
        """List configurations of the shared causes and weigh each: prior, shared findings, and every block.

        Where a block is listed too, the lists are made in turn, roughly first: each is chosen by what the others hold.
        """
        size = len(self._shared)
        if tolerance <= 0.0:
            if size > MOST_LISTED_IN_FULL:
                raise TooManyFindings("The list of shared causes", 1 << size)
            self._weigh_list(all_subsets(size))
            return
        items = np.concatenate([np.eye(size, dtype=bool), *self._with_children(size, together=False)])
        families = [*self._with_children(size, together=True)]
        seeds = np.concatenate([items[:0], *families, self._side_by_side(items)])
        listed_blocks = [(b, block) for b, block in enumerate(self._blocks) if isinstance(block, ListedBlock)]
        for at_most in dict.fromkeys([max(tolerance, ROUGH) if listed_blocks else tolerance, tolerance]):
            most = max(self._most_cells // len(self._outer), size + 1)
            bits, used = grow(items, seeds, self._quick_weight, at_most, min(LARGEST_LIST, 4 * most), most)
            self._weigh_list(bits)
            for b, block in listed_blocks:
                used += block.settle(self._config, self._without_blocks([b]), at_most)
                self._coupling[b] = block.coupling(self._config)
                self._given[b] = block.table @ self._coupling[b]
            self._tolerance = used

    def _weigh_list(self, bits: Bits) -> None:
        self._config = Listing.of(bits)
        self._base = self._weigh_shared(self._config)
        self._coupling = [block.coupling(self._config) for block in self._blocks]
        given = [block.table @ coupling for block, coupling in zip(self._blocks, self._coupling, strict=True)]
        self._given = np.array(given).reshape(len(self._blocks), *self._base.shape)

    def _with_children(self, size: int, together: bool) -> Iterator[Bits]:
        """A shared cause with one shared child of its own; `together`: with each set of its children.

        By themselves they may weigh nothing: a child that only comes from its parent, a parent that shows only so.
        """
        children: dict[int, list[int]] = {}
        for i in self._shared:
            for name, _ in self._causes[i].parents:
                children.setdefault(self._index[name], []).append(self._slot[i])
        for parent, slots in children.items():
            if parent not in self._slot and parent not in self._folded:
                continue
            sets = all_subsets(min(len(slots), MOST_CHILDREN_TOGETHER)) if together else np.eye(len(slots), dtype=bool)
            bits = np.zeros((len(sets), size), dtype=bool)
            bits[:, slots[: sets.shape[1]]] = sets
            if parent in self._slot:
                bits[:, self._slot[parent]] = True
            yield bits

    def _side_by_side(self, items: Bits) -> Bits:
        """Two items of which each reaches some blocks, and none the other's: together they may explain what each half
        cannot, such as the same trouble on both banks."""
        reach = [
            set().union(*(self._reach.get(self._shared[slot], set()) for slot in np.flatnonzero(i))) for i in items
        ]
        partly = [at for at, blocks in enumerate(reach) if 2 <= len(blocks) < len(self._at)]
        pairs = [items[a] | items[b] for a, b in combinations(partly, 2) if not reach[a] & reach[b]]
        return np.array(pairs, dtype=bool).reshape(len(pairs), items.shape[1])[:MOST_PAIRS]

    def _quick_weight(self, grown: Grown) -> Array:
        """About P(configuration, findings) of each new configuration, as one variant."""
        total = self._weigh_shared(grown.listing)
        possible = np.flatnonzero(np.abs(total).max(axis=0) > 0.0)
        some = grown.only(possible)
        for block in self._blocks:
            total[:, possible] *= block.quick(some)
        return np.asarray(np.maximum(total.sum(axis=0), 0.0)[None])

    def _sort_shared(self) -> None:
        """Which shared causes are roots by themselves, as odds; and which have their prior in a link among them."""
        below_folded = {child for children in self._folded.values() for child in children}
        own = [i for i in self._shared if i not in self._prior_elsewhere and i not in below_folded]
        certain = {i for i in own if self._causes[i].leak >= 1.0}
        roots = {i for i in own if not self._causes[i].parents} - certain
        leaks = np.array([self._causes[i].leak if i in roots else 0.0 for i in self._shared])
        self._odds = np.where(leaks > 0.0, leaks / (1.0 - leaks), [0.0 if i in roots else 1.0 for i in self._shared])
        self._no_root = float(np.prod(1.0 - leaks))
        self._linked = [i for i in own if i not in roots]

    def _prior_of(self, listed: Listing) -> Array:
        """Prior of each configuration; causes whose link reaches into a block have their prior there."""
        weight = self._no_root * listed.products(self._odds[:, None])[:, 0]
        for i in self._linked:
            cause = self._causes[i]
            absent = np.full(len(listed), 1.0 - cause.leak)
            for parent, chance in cause.parents:
                absent[listed.bits[:, self._slot[self._index[parent]]]] *= 1.0 - chance
            weight *= np.where(listed.bits[:, self._slot[i]], 1.0 - absent, absent)
        for i, children in self._folded.items():
            some = listed.bits[:, [self._slot[child] for child in children]].any(axis=1)
            factor = np.full(len(listed), sum(self._folded_weights(i, np.zeros((1, len(self._shared)), dtype=bool))))
            factor[some] = sum(self._folded_weights(i, listed.bits[some]))
            weight *= factor
        return weight

    def _folded_weights(self, i: int, listed: Bits) -> tuple[Array, Array]:
        """P(folded cause present, its children as listed) and P(absent, its children as listed)."""
        present = np.full(len(listed), self._causes[i].leak)
        without = np.full(len(listed), 1.0 - self._causes[i].leak)
        for child in self._folded[i]:
            cause, on = self._causes[child], listed[:, self._slot[child]]
            chance = 1.0 - (1.0 - cause.leak) * (1.0 - cause.parents[0][1])
            present = present * np.where(on, chance, 1.0 - chance)
            without = without * np.where(on, cause.leak, 1.0 - cause.leak)
        return present, without

    def _chance_of(self, i: int) -> Array:
        """P(shared cause present | configuration) of each listed configuration: 0 or 1, or between if it is folded."""
        if i not in self._chances:
            if i in self._slot:
                self._chances[i] = self._config.bits[:, self._slot[i]].astype(float)
            else:
                present, without = self._folded_weights(i, self._config.bits)
                total = present + without
                self._chances[i] = np.divide(present, total, out=np.zeros_like(total), where=total > 0.0)
        return self._chances[i]

    def _weigh_shared(self, listed: Listing) -> Array:
        """Prior of each configuration, the findings on shared causes alone, and the outer weights: (outer, listed)."""
        weight = self._prior_of(listed)
        for total, couplings in self._shared_sums:
            weight = weight * np.maximum(listed.products(*couplings) @ total.coefficients, 0.0)
        outer = listed.products(*self._outer_couplings).T * self._outer.weights[:, None]
        return np.asarray(outer * weight)

    # ---------------------------------------------------------------- answers

    def _combine(self) -> None:
        without, product = (
            products_without_each(self._given) if self._blocks else (self._given, np.ones_like(self._base))
        )
        self._outside = self._base[None] * without
        self._joint = self._base * product
        self._z = float(self._joint.sum())
        if not self._z > 0.0:
            raise Contradiction()

    def posterior(self) -> Posterior:
        """Probability of every cause given all findings."""
        joint = np.zeros(len(self._causes))
        by_configuration = self._joint.sum(axis=0)
        for i, cause in enumerate(self._causes):
            if cause.block is None:
                joint[i] = float(by_configuration @ self._chance_of(i))
        for b, block in enumerate(self._blocks):
            around = (self._outside[b] @ self._coupling[b].T)[None]
            joint[list(block.members)] = block.under([{}]).weigh(around, block.members)[0]
        values = np.clip(joint / self._z, 0.0, 1.0)
        return Posterior(
            self.network,
            {cause.id: float(values[i]) for i, cause in enumerate(self._causes)},
            log(self._z) + self._log_scale,
            self._tolerance,
            len(self._config),
        )

    def with_extras(self, extras: Sequence[Extra], wanted: Sequence[str]) -> tuple[Array, Array]:
        """For each extra: P(extra | evidence) and, for each wanted cause, P(extra, cause | evidence).

        Shapes (extras,) and (extras, wanted).
        """
        wanted_at = [self._index[name] for name in wanted]
        factors = [{self._index[n]: v for n, v in extra.when_present.items() if v != 1.0} for extra in extras]
        groups: dict[tuple[int, ...], list[int]] = {}
        for e, given in enumerate(factors):
            groups.setdefault(tuple(sorted(self._at[name] for name in self._blocks_of(given))), []).append(e)
        z = np.empty(len(extras))
        joint = np.zeros((len(extras), len(wanted)))
        for touched, members in groups.items():
            at_once = max(1, CELLS_AT_ONCE // max([self._joint.size, *(self._blocks[b].table.size for b in touched)]))
            for begin in range(0, len(members), at_once):
                part = members[begin : begin + at_once]
                z[part], joint[part] = self._some_extras([factors[e] for e in part], touched, wanted_at)
        return z / self._z, joint / self._z

    def _shares_of(self, wanted: Sequence[int]) -> dict[int, tuple[list[int], Array]]:
        """By block: slots of its wanted causes; P(cause | findings of the block, shared), (slots, outer * listed)."""
        key = tuple(wanted)
        if key not in self._shares:
            found: dict[int, tuple[list[int], Array]] = {}
            for b, block in enumerate(self._blocks):
                slots = [w for w, i in enumerate(wanted) if i in block.members]
                if slots:
                    safe = np.where(self._given[b] != 0.0, self._given[b], 1.0)
                    tables = block.with_present([wanted[w] for w in slots])
                    given = tables.reshape(-1, tables.shape[-1]) @ self._coupling[b]
                    found[b] = (slots, (given.reshape(-1, *safe.shape) / safe).reshape(len(slots), -1))
            self._shares[key] = found
        return self._shares[key]

    def _some_extras(
        self, extras: Sequence[Mapping[int, float]], touched: Sequence[int], wanted: Sequence[int]
    ) -> tuple[Array, Array]:
        """Extras that touch the same blocks, at once."""
        on_shared = np.ones((len(extras), len(self._config)))
        for e, factors in enumerate(extras):
            for i, factor in factors.items():
                if self._causes[i].block is None:
                    on_shared[e] *= 1.0 - self._chance_of(i) * (1.0 - factor)
        around = self._without_blocks(touched)[None] * on_shared[:, None, :]
        under = {b: self._blocks[b].under(extras) for b in touched}
        given = np.array([u.table.reshape(-1, u.table.shape[-1]) @ self._coupling[b] for b, u in under.items()])
        given = given.reshape(len(touched), *around.shape)
        others, product = products_without_each(given) if touched else (given, np.ones_like(around))
        joint = around * product
        result = np.zeros((len(extras), len(wanted)))
        self._add_shared(result, joint.sum(axis=1), extras, wanted)
        for b, (slots, share) in self._shares_of(wanted).items():
            if b not in touched:
                result[:, slots] = joint.reshape(len(extras), -1) @ share.T
                continue
            outside = (around * others[touched.index(b)]).reshape(-1, len(self._config))
            rows = (outside @ self._coupling[b].T).reshape(under[b].table.shape)
            result[:, slots] = under[b].weigh(rows, [wanted[w] for w in slots])
        return np.asarray(joint.sum(axis=(1, 2))), result

    def _add_shared(
        self, result: Array, by_configuration: Array, extras: Sequence[Mapping[int, float]], wanted: Sequence[int]
    ) -> None:
        for w, i in enumerate(wanted):
            if self._causes[i].block is not None:
                continue
            chance = self._chance_of(i)
            result[:, w] = by_configuration @ chance
            for e, factors in enumerate(extras):
                if i in factors and i in self._folded:
                    left = 1.0 - chance * (1.0 - factors[i])
                    after = np.divide(chance * factors[i], left, out=np.zeros_like(left), where=left > 0.0)
                    result[e, w] = float(by_configuration[e] @ after)

    def _without_blocks(self, left_out: Sequence[int]) -> Array:
        """Everything but these blocks: (outer, listed)."""
        kept = [b for b in range(len(self._blocks)) if b not in left_out]
        return np.asarray(self._base * self._given[kept].prod(axis=0))


def rough_engine(network: Network) -> Engine:
    """An engine for weights of evidence and for what is done in thought: beliefs right to about one in a thousand."""
    return Engine(network, ROUGH, MOST_ROUGH_CELLS)


def _fold(network: Network) -> dict[int, list[int]]:
    """Shared roots that are seen only through shared children of their own: summed out, recovered afterwards."""
    causes, index = network.causes, network.index
    children: dict[int, list[int]] = {}
    for i, cause in enumerate(causes):
        for parent, _ in cause.parents:
            children.setdefault(index[parent], []).append(i)
    seen = {index[name] for finding in network.findings for name, _ in finding.causes}
    seen |= {index[name] for table in network.tables for name in table.causes}
    return {
        i: children[i]
        for i, cause in enumerate(causes)
        if cause.block is None and not cause.parents and i in children and i not in seen
        and all(causes[c].block is None and len(causes[c].parents) == 1 for c in children[i])
        and not any(c in children for c in children[i])
    }  # fmt: skip
