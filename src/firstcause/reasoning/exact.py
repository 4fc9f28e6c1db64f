"""The posterior, exact: blocks of private causes met by quickscore, configurations of shared causes listed.

Every noisy-MAX finding is a signed sum of products over its causes (Heckerman's quickscore); so is a noisy-OR link.
A sum that touches one block is summed inside that block; one that touches several is summed outside ("outer").
Given a configuration of the shared causes and the outer index, blocks are independent. Configurations are listed
from the empty one upwards: every single cause, then every larger set that grows from one which still carries
weight. With `tolerance` 0 all are listed and nothing is left out. Decision 0009 tells why.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import prod

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import RequestError
from firstcause.reasoning.network import Cause, Finding, Network

Array = NDArray[np.float64]
Bits = NDArray[np.bool_]
Index = NDArray[np.intp]

LARGEST_CLUSTER = 9
LARGEST_BLOCK_TABLE = 1 << 18
LARGEST_OUTER = 1 << 12
LARGEST_LIST = 1 << 17
SMALLEST_TERM = 1e-14
SINGLES_ARE_KEPT_LONGER = 1e-2


class TooManyFindings(RequestError):
    """The case has grown past what the exact engine can hold."""

    def __init__(self, where: str, terms: int) -> None:
        self.where, self.terms = where, terms
        super().__init__(
            f"{where} has so many abnormal findings that {terms} terms would be needed. "
            "The case itself is kept; withdraw repeated findings that say the same, and weigh again."
        )


class Contradiction(RequestError):
    """The findings exclude each other under the knowledge base."""

    def __init__(self) -> None:
        super().__init__(
            "These findings cannot all be true together under what the knowledge base holds possible. "
            "The case is kept; withdraw or mark as doubtful the finding you trust least, and weigh again."
        )


@dataclass(frozen=True)
class Posterior:
    """What is believed: probability of each cause, probability of the evidence, and what was left out.

    `prior_left_out` is the prior probability of the configurations of shared causes that were not listed; `at_the_rim`
    the posterior share of the outermost listed ones, which tells whether more should have been listed.
    """

    network: Network
    probability: Mapping[str, float]
    evidence: float
    prior_left_out: float
    at_the_rim: float


@dataclass(frozen=True)
class Extra:
    """One more factor on causes, to ask "and if": multiplies each state in which the cause is present."""

    when_present: Mapping[str, float]


@dataclass
class _Sum:
    """One sum (over a finding's outcome steps, or the two terms of a link) and how causes couple to it."""

    coefficients: Array
    present: dict[int, Array]
    absent: dict[int, Array]

    def touches(self) -> set[int]:
        return set(self.present) | set(self.absent)


@dataclass
class _Cluster:
    """Causes linked inside one block, as a table over their joint states."""

    members: list[int]
    states: Bits  # (states, members)
    weights: Array  # (states,)
    table: Array  # (states, outer * a): product of the members' couplings in each state
    shape: tuple[int, int]  # (outer, a)

    def value(self, only: int | None = None, factors: Mapping[int, float] | None = None) -> Array:
        """Sum over states (with one member present, if `only` names it) of weight times couplings; (outer, a)."""
        weights = self.weights
        if only is not None:
            weights = weights * self.states[:, only]
        if factors is not None:
            for at, member in enumerate(self.members):
                if member in factors:
                    weights = weights * np.where(self.states[:, at], factors[member], 1.0)
        return np.asarray(weights @ self.table).reshape(self.shape)


@dataclass
class _Block:
    """A block: its private causes in clusters, and the joint index `a` over its own sums."""

    name: str
    clusters: list[_Cluster]
    weights: Array  # (a,)
    shared_present: Array  # (shared, a): coupling of each shared cause, present
    shared_absent: Array
    values: Array  # (clusters, outer, a): the value of each cluster
    alone: dict[int, tuple[int, Array]]  # cause -> its cluster, and that cluster's value with the cause present
    others: Array  # (clusters, outer, a): the product of all other clusters
    table: Array  # (outer, a): weights times the product of all clusters
    coupling: Array  # (configurations, a)
    given: Array  # (outer, configurations): likelihood of the block's findings


class Engine:
    """A network made ready: its posterior at once, and what further factors would change.

    `tolerance` is relative: sets of three and more shared causes are listed only while they grow from one whose weight
    is at least that share of all found so far; pairs grow from singles of a hundredth of that.
    """

    def __init__(self, network: Network, tolerance: float = 1e-9) -> None:
        self.network = network
        self._causes = network.causes
        self._index = network.index
        self._folded = self._fold()
        self._chances: dict[int, Array] = {}
        self._shares: dict[tuple[int, ...], dict[int, tuple[list[int], Array]]] = {}
        self._shared = [i for i, cause in enumerate(self._causes) if cause.block is None and i not in self._folded]
        self._slot = {i: slot for slot, i in enumerate(self._shared)}
        self._split_links()
        self._split_sums()
        self._make_outer_index()
        self._blocks = [self._make_block(name) for name in self._block_names]
        self._at = {block.name: b for b, block in enumerate(self._blocks)}
        self._list_configurations(tolerance)
        self._combine()

    # ---------------------------------------------------------------- structure

    def _fold(self) -> dict[int, list[int]]:
        """Shared roots that are seen only through shared children of their own: summed out, recovered afterwards."""
        children: dict[int, list[int]] = {}
        for i, cause in enumerate(self._causes):
            for parent, _ in cause.parents:
                children.setdefault(self._index[parent], []).append(i)
        seen = {self._index[name] for finding in self.network.findings for name, _ in finding.causes}
        return {
            i: children[i]
            for i, cause in enumerate(self._causes)
            if cause.block is None and not cause.parents and i in children and i not in seen
            and all(self._causes[c].block is None and len(self._causes[c].parents) == 1 for c in children[i])
            and not any(c in children for c in children[i])
        }  # fmt: skip

    def _split_links(self) -> None:
        """Decide for each linked cause: inside a cluster, among shared causes, or through a sum of two terms."""
        self._link_sums: list[_Sum] = []
        self._through_sum: set[int] = set()
        self._cluster_links: list[int] = []
        for i, cause in enumerate(self._causes):
            blocks = {self._causes[self._index[parent]].block for parent, _ in cause.parents} | {cause.block}
            if not cause.parents or blocks == {None}:
                continue
            if len(blocks) == 1:
                self._cluster_links.append(i)
            else:
                self._link_by_sum(i, cause)
        self._break_large_clusters()

    def _link_by_sum(self, i: int, cause: Cause) -> None:
        keep = 1.0 - cause.leak
        present: dict[int, Array] = {i: np.array([1.0, -keep])}
        for parent, chance in cause.parents:
            present[self._index[parent]] = np.array([1.0, 1.0 - chance])
        self._link_sums.append(_Sum(np.ones(2), present, {i: np.array([0.0, keep])}))
        self._through_sum.add(i)

    def _break_large_clusters(self) -> None:
        while True:
            self._groups = self._linked_groups()
            large = [group for group in self._groups if len(group) > LARGEST_CLUSTER]
            if not large:
                return
            children = [i for i in self._cluster_links if i in large[0]]
            widest = max(children, key=lambda i: len(self._causes[i].parents))
            self._cluster_links.remove(widest)
            self._link_by_sum(widest, self._causes[widest])

    def _linked_groups(self) -> list[list[int]]:
        """Private causes, grouped by the links that stay inside clusters; in network order."""
        root = {i: i for i, cause in enumerate(self._causes) if cause.block is not None}

        def find(i: int) -> int:
            while root[i] != i:
                i = root[i]
            return i

        for child in self._cluster_links:
            for parent, _ in self._causes[child].parents:
                root[find(child)] = find(self._index[parent])
        groups: dict[int, list[int]] = {}
        for i in root:
            groups.setdefault(find(i), []).append(i)
        return [sorted(group) for group in groups.values()]

    def _split_sums(self) -> None:
        """Sort findings and link sums by what they touch: nothing, shared causes only, one block, or several."""
        self._shared_sums: list[_Sum] = []
        self._outer_sums: list[_Sum] = []
        self._block_sums: dict[str, list[_Sum]] = {}
        self._constant = 1.0
        for total in [*(_sum_of(finding, self._index) for finding in self.network.findings), *self._link_sums]:
            blocks = {self._causes[i].block for i in total.touches()} - {None}
            if not total.touches():
                self._constant *= float(total.coefficients.sum())
            elif not blocks:
                self._shared_sums.append(total)
            elif len(blocks) == 1:
                self._block_sums.setdefault(str(blocks.pop()), []).append(total)
            else:
                self._outer_sums.append(total)
        self._block_names = sorted({str(c.block) for c in self._causes if c.block is not None})

    def _make_outer_index(self) -> None:
        count, index = _joint_index(self._outer_sums)
        if count > LARGEST_OUTER:
            raise TooManyFindings("The engine as a whole", count)
        self._outer_size = count
        self._outer_weights = np.ones(count)
        for total, at in zip(self._outer_sums, index, strict=True):
            self._outer_weights = self._outer_weights * total.coefficients[at]
        self._outer = list(zip(self._outer_sums, index, strict=True))

    # ---------------------------------------------------------------- blocks

    def _make_block(self, name: str) -> _Block:
        sums = self._block_sums.get(name, [])
        count, index = _joint_index(sums)
        if count * self._outer_size > LARGEST_BLOCK_TABLE:
            raise TooManyFindings(name[:1].upper() + name[1:], count)
        indexed = list(zip(sums, index, strict=True))
        weights = np.ones(count)
        for total, at in indexed:
            weights = weights * total.coefficients[at]
        groups = [group for group in self._groups if self._causes[group[0]].block == name]
        clusters = [self._make_cluster(group, indexed, count) for group in groups]
        values = np.array([cluster.value() for cluster in clusters])
        alone = {
            member: (c, cluster.value(only=at))
            for c, cluster in enumerate(clusters)
            for at, member in enumerate(cluster.members)
        }
        others, product = _products_without_each(values)
        nothing = np.empty(0)
        return _Block(
            name, clusters, weights, *self._shared_couplings(indexed, count), values, alone, others,
            product * weights, nothing, nothing,
        )  # fmt: skip

    def _make_cluster(self, members: list[int], indexed: list[tuple[_Sum, Index]], count: int) -> _Cluster:
        states = _all_subsets(len(members))
        place = {member: at for at, member in enumerate(members)}
        weights = np.ones(len(states))
        for at, i in enumerate(members):
            cause = self._causes[i]
            if i in self._through_sum:
                continue
            absent = np.full(len(states), 1.0 - cause.leak)
            for parent, chance in cause.parents:
                absent *= np.where(states[:, place[self._index[parent]]], 1.0 - chance, 1.0)
            weights *= np.where(states[:, at], 1.0 - absent, absent)
        possible = weights > 0.0
        shape = (self._outer_size, count)
        table = np.ones((int(possible.sum()), *shape))
        for at, i in enumerate(members):
            on = states[possible][:, at]
            inner = _coupling(i, indexed, count)
            outer = _coupling(i, self._outer, self._outer_size)
            table[on] *= outer[0][:, None] * inner[0][None, :]
            table[~on] *= outer[1][:, None] * inner[1][None, :]
        return _Cluster(members, states[possible], weights[possible], table.reshape(len(table), -1), shape)

    def _shared_couplings(self, indexed: list[tuple[_Sum, Index]], count: int) -> tuple[Array, Array]:
        pairs = [_coupling(i, indexed, count) for i in self._shared]
        present = np.array([pair[0] for pair in pairs]).reshape(len(pairs), count)
        absent = np.array([pair[1] for pair in pairs]).reshape(len(pairs), count)
        return present, absent

    # ---------------------------------------------------------------- shared causes

    def _list_configurations(self, tolerance: float) -> None:
        """List configurations of the shared causes and weigh each: prior, shared findings, and every block."""
        size = len(self._shared)
        if tolerance <= 0.0:
            if 1 << size > LARGEST_LIST:
                raise TooManyFindings("The list of shared causes", 1 << size)
            listed = _all_subsets(size)
            rim = np.zeros(len(listed), dtype=bool)
        else:
            listed, rim = self._grow(size, tolerance)
        self._rim = rim
        self._config = listed
        self._base = self._weigh_shared(listed)
        for block in self._blocks:
            block.coupling = _rows(listed, block.shared_present, block.shared_absent)
            block.given = block.table @ block.coupling.T

    def _grow(self, size: int, tolerance: float) -> tuple[Bits, Bits]:
        """The empty configuration, all single causes, and layer by layer what grows from those that carry weight."""
        layers = [np.zeros((1, size), dtype=bool), np.eye(size, dtype=bool)]
        weight = self._weight_of(layers[1])
        total = float(self._weight_of(layers[0]).sum() + weight.sum())
        threshold = tolerance * SINGLES_ARE_KEPT_LONGER
        while True:
            grown = _one_more(layers[-1][weight > threshold * total])
            grown = grown[self._prior_of(grown) > 0.0] if len(grown) else grown
            if not len(grown):
                break
            if sum(map(len, layers)) + len(grown) > LARGEST_LIST:
                raise TooManyFindings("The list of shared causes", sum(map(len, layers)) + len(grown))
            layers.append(grown)
            weight = self._weight_of(grown)
            total += float(weight.sum())
            threshold = tolerance
        rim = np.zeros(sum(map(len, layers)), dtype=bool)
        rim[len(rim) - len(layers[-1]) :] = len(layers) > 2 or not size
        return np.concatenate(layers), rim

    def _weight_of(self, listed: Bits) -> Array:
        """P(configuration, findings) for each listed configuration."""
        total = self._weigh_shared(listed)
        for block in self._blocks:
            total = total * (block.table @ _rows(listed, block.shared_present, block.shared_absent).T)
        return np.asarray(total.sum(axis=0))

    def _prior_of(self, listed: Bits) -> Array:
        """Prior of each configuration; causes whose link runs through a sum have their prior there."""
        weight = np.ones(len(listed))
        below_folded = {child for children in self._folded.values() for child in children}
        for slot, i in enumerate(self._shared):
            if i in self._through_sum or i in below_folded:
                continue
            cause = self._causes[i]
            absent = np.full(len(listed), 1.0 - cause.leak)
            for parent, chance in cause.parents:
                absent = absent * np.where(listed[:, self._slot[self._index[parent]]], 1.0 - chance, 1.0)
            weight *= np.where(listed[:, slot], 1.0 - absent, absent)
        for i in self._folded:
            present, without = self._folded_weights(i, listed)
            weight *= present + without
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
                self._chances[i] = self._config[:, self._slot[i]].astype(float)
            else:
                present, without = self._folded_weights(i, self._config)
                total = present + without
                self._chances[i] = np.divide(present, total, out=np.zeros_like(total), where=total > 0.0)
        return self._chances[i]

    def _weigh_shared(self, listed: Bits) -> Array:
        """Prior of each configuration, the findings on shared causes alone, and the outer weights: (outer, listed)."""
        weight = self._prior_of(listed) * self._constant
        for total in self._shared_sums:
            index = np.arange(len(total.coefficients))
            pairs = [_coupling(i, [(total, index)], len(index)) for i in self._shared]
            rows = _rows(listed, np.array([p[0] for p in pairs]), np.array([p[1] for p in pairs]))
            weight = weight * (rows @ total.coefficients)
        if not self._outer:
            return weight[None, :]
        pairs = [_coupling(i, self._outer, self._outer_size) for i in self._shared]
        present = np.array([pair[0] for pair in pairs]).reshape(len(pairs), self._outer_size)
        absent = np.array([pair[1] for pair in pairs]).reshape(len(pairs), self._outer_size)
        return (_rows(listed, present, absent) * self._outer_weights).T * weight[None, :]

    # ---------------------------------------------------------------- answers

    def _combine(self) -> None:
        given = np.array([block.given for block in self._blocks]).reshape(len(self._blocks), *self._base.shape)
        without, product = _products_without_each(given) if self._blocks else (given, np.ones_like(self._base))
        self._outside = self._base[None] * without
        self._joint = self._base * product
        self._z = float(self._joint.sum())
        if not self._z > 0.0:
            raise Contradiction()

    def _message(self, block: _Block, outside: Array) -> Array:
        """For each (outer, a) of a block the weight that the rest of the network gives it, block weights included."""
        return np.asarray((outside @ block.coupling) * block.weights)

    def posterior(self) -> Posterior:
        """Probability of every cause given all findings."""
        joint = np.zeros(len(self._causes))
        by_configuration = self._joint.sum(axis=0)
        for i, cause in enumerate(self._causes):
            if cause.block is None:
                joint[i] = float(by_configuration @ self._chance_of(i))
        for b, block in enumerate(self._blocks):
            around = self._message(block, self._outside[b])[None] * block.others
            for member, (c, value) in block.alone.items():
                joint[member] = float(np.vdot(around[c], value))
        values = np.clip(joint / self._z, 0.0, 1.0)
        return Posterior(
            self.network,
            {cause.id: float(values[i]) for i, cause in enumerate(self._causes)},
            self._z,
            max(0.0, 1.0 - float(self._prior_of(self._config).sum())) if not self._through_sum else 0.0,
            float(self._joint[:, self._rim].sum() / self._z),
        )

    def with_extras(self, extras: Sequence[Extra], wanted: Sequence[str]) -> tuple[Array, Array]:
        """For each extra: P(extra | evidence) and, for each wanted cause, P(extra, cause | evidence).

        Shapes (extras,) and (extras, wanted).
        """
        wanted_at = [self._index[name] for name in wanted]
        shares = self._shares_given_shared(wanted_at)
        z = np.empty(len(extras))
        joint = np.zeros((len(extras), len(wanted)))
        for e, extra in enumerate(extras):
            factors = {self._index[name]: value for name, value in extra.when_present.items() if value != 1.0}
            z[e], joint[e] = self._one_extra(factors, wanted_at, shares)
        return z / self._z, joint / self._z

    def _shares_given_shared(self, wanted: Sequence[int]) -> dict[int, tuple[list[int], Array]]:
        """By block: slots of its wanted causes; P(cause | findings of the block, shared), (slots, outer * listed)."""
        key = tuple(wanted)
        if key not in self._shares:
            self._shares[key] = self._find_shares(wanted)
        return self._shares[key]

    def _find_shares(self, wanted: Sequence[int]) -> dict[int, tuple[list[int], Array]]:
        found: dict[int, tuple[list[int], Array]] = {}
        for b, block in enumerate(self._blocks):
            slots = [w for w, i in enumerate(wanted) if i in block.alone]
            if slots:
                safe = np.where(block.given != 0.0, block.given, 1.0)
                parts = []
                for w in slots:
                    c, value = block.alone[wanted[w]]
                    parts.append((((block.others[c] * block.weights * value) @ block.coupling.T) / safe).ravel())
                found[b] = (slots, np.array(parts))
        return found

    def _one_extra(
        self, factors: Mapping[int, float], wanted: Sequence[int], shares: Mapping[int, tuple[list[int], Array]]
    ) -> tuple[float, Array]:
        touched = sorted({self._at[str(self._causes[i].block)] for i in factors if self._causes[i].block is not None})
        on_shared = np.ones(len(self._config))
        for i, factor in factors.items():
            if self._causes[i].block is None:
                on_shared = on_shared * (1.0 - self._chance_of(i) * (1.0 - factor))
        changed = {b: self._changed(self._blocks[b], factors) for b in touched}
        joint = self._without_blocks(touched) * on_shared
        for b in touched:
            joint = joint * changed[b][1]
        result = np.zeros(len(wanted))
        by_configuration = joint.sum(axis=0)
        for w, i in enumerate(wanted):
            if self._causes[i].block is None:
                chance = self._chance_of(i)
                if i in factors:
                    left = 1.0 - chance * (1.0 - factors[i])
                    chance = np.divide(chance * factors[i], left, out=np.zeros_like(left), where=left > 0.0)
                result[w] = float(by_configuration @ chance)
        for b, (slots, share) in shares.items():
            if b not in changed:
                result[slots] = share @ joint.ravel()
                continue
            block = self._blocks[b]
            outside = self._without_blocks(touched) * on_shared
            for other in touched:
                if other != b:
                    outside = outside * changed[other][1]
            around = self._message(block, outside)[None] * changed[b][0]
            for w in slots:
                c, value = block.alone[wanted[w]]
                cluster = block.clusters[c]
                if any(m in factors for m in cluster.members):
                    value = cluster.value(cluster.members.index(wanted[w]), factors)
                result[w] = float(np.vdot(around[c], value))
        return float(joint.sum()), result

    def _without_blocks(self, left_out: Sequence[int]) -> Array:
        """Everything but these blocks: (outer, listed)."""
        if not left_out:
            return self._joint
        if len(left_out) == 1:
            return np.asarray(self._outside[left_out[0]])
        rest: Array = self._base
        for b, block in enumerate(self._blocks):
            if b not in left_out:
                rest = rest * block.given
        return rest

    def _changed(self, block: _Block, factors: Mapping[int, float]) -> tuple[Array, Array]:
        """The products without each cluster, and the likelihood of the block, under extra factors."""
        values = block.values.copy()
        for c in {block.alone[i][0] for i in factors if i in block.alone}:
            cluster = block.clusters[c]
            if len(cluster.members) == 1:
                member = cluster.members[0]
                values[c] += (factors[member] - 1.0) * block.alone[member][1]
            else:
                values[c] = cluster.value(factors=factors)
        others, product = _products_without_each(values)
        return others, (product * block.weights) @ block.coupling.T


def _sum_of(finding: Finding, index: Mapping[str, int]) -> _Sum:
    """A finding as a signed sum: sum_m (w_m - w_{m+1}) leak_m product of cumulatives_m; negligible terms left out."""
    weights = np.array([*finding.weights, 0.0])
    coefficients = (weights[:-1] - weights[1:]) * np.array(finding.leak)
    keep = np.abs(coefficients) > SMALLEST_TERM * np.abs(coefficients).max()
    if not keep.any():
        keep[0] = True
    present = {index[name]: np.array(cumulative)[keep] for name, cumulative in finding.causes}
    return _Sum(coefficients[keep], {i: q for i, q in present.items() if (q != 1.0).any()}, {})


def _joint_index(sums: Sequence[_Sum]) -> tuple[int, list[Index]]:
    """All combinations of the sums' terms: how many, and for each sum which of its terms stands in each."""
    sizes = [len(total.coefficients) for total in sums]
    count = prod(sizes)
    if count > LARGEST_BLOCK_TABLE:
        return count, []
    return count, list(np.indices(sizes).reshape(len(sizes), -1)) if sizes else []


def _coupling(i: int, indexed: Sequence[tuple[_Sum, Index]], count: int) -> tuple[Array, Array]:
    """Coupling of one cause to a joint index: when present, and when absent."""
    present, absent = np.ones(count), np.ones(count)
    for total, at in indexed:
        if i in total.present:
            present = present * total.present[i][at]
        if i in total.absent:
            absent = absent * total.absent[i][at]
    return present, absent


def _rows(listed: Bits, present: Array, absent: Array) -> Array:
    """For each configuration the product over shared causes of their couplings: (listed, a)."""
    rows = np.ones((len(listed), present.shape[1]))
    for slot in range(listed.shape[1]):
        if (present[slot] != 1.0).any():
            on = listed[:, slot]
            rows[on] *= present[slot]
        if (absent[slot] != 1.0).any():
            rows[~listed[:, slot]] *= absent[slot]
    return rows


def _one_more(listed: Bits) -> Bits:
    """Each configuration with one further cause, without doubles."""
    if not len(listed):
        return listed
    grown = np.repeat(listed, listed.shape[1], axis=0)
    extra = np.tile(np.eye(listed.shape[1], dtype=bool), (len(listed), 1))
    fresh = (grown | extra)[~(grown & extra).any(axis=1)]
    seen: dict[bytes, int] = {}
    for at, packed in enumerate(np.packbits(fresh, axis=1)):
        seen.setdefault(packed.tobytes(), at)
    return np.asarray(fresh[list(seen.values())])


def _products_without_each(values: Array) -> tuple[Array, Array]:
    """Along the first axis: for each entry the product of all others, and the product of all. No division."""
    ones = np.ones_like(values[:1])
    before = np.concatenate([ones, np.cumprod(values, axis=0)])
    after = np.concatenate([np.cumprod(values[::-1], axis=0)[::-1], ones])
    return before[:-1] * after[1:], before[-1]


def _all_subsets(size: int) -> Bits:
    return np.asarray((np.arange(1 << size)[:, None] >> np.arange(size)[None, :] & 1).astype(bool))
