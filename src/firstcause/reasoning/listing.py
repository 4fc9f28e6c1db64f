"""Lists of configurations (which causes are present together), grown from the empty one towards what carries weight."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bits = NDArray[np.bool_]


GROWN_IS_LIGHTER = 5.0


@dataclass(frozen=True)
class Listing:
    """Configurations as rows of bits, with the positions of their set bits gathered for quick products."""

    bits: Bits
    picked: NDArray[np.intp]
    """(rows, most set bits): positions, filled up with the number of columns"""

    @classmethod
    def of(cls, bits: Bits) -> Listing:
        rows, columns = np.nonzero(bits)
        counts = bits.sum(axis=1)
        picked = np.full((len(bits), int(counts.max(initial=0))), bits.shape[1], dtype=np.intp)
        picked[rows, np.arange(len(rows)) - np.repeat(np.cumsum(counts) - counts, counts)] = columns
        return cls(bits, picked)

    def __len__(self) -> int:
        return len(self.bits)

    def products(self, present: Array, absent: Array | None = None) -> Array:
        """For each row the product of the factors of its causes; factors (columns, k), result (rows, k)."""
        padded = np.concatenate([present, np.ones((1, present.shape[1]))])
        either = np.flatnonzero((absent != 1.0).any(axis=1)) if absent is not None else np.empty(0, dtype=np.intp)
        padded[either] = 1.0
        first = self.picked[:, 0] if self.picked.shape[1] else np.full(len(self.bits), len(present))
        result = padded[first]
        for at in range(1, self.picked.shape[1]):
            result *= padded[self.picked[:, at]]
        for column in either:
            assert absent is not None
            result *= np.where(self.bits[:, column, None], present[column], absent[column])
        return result


def all_subsets(size: int) -> Bits:
    """Every configuration of so many causes."""
    return np.asarray((np.arange(1 << size)[:, None] >> np.arange(size)[None, :] & 1).astype(bool))


@dataclass(frozen=True)
class Grown:
    """A layer of new configurations: row `frontier[row]` with `items[item]` added (they have no cause in common)."""

    listing: Listing
    frontier: Listing
    items: Listing
    row: NDArray[np.intp]
    item: NDArray[np.intp]

    def only(self, chosen: NDArray[np.intp]) -> Grown:
        """Some of the layer."""
        return Grown(
            Listing.of(self.listing.bits[chosen]), self.frontier, self.items, self.row[chosen], self.item[chosen]
        )


def grow(
    items: Bits, seeds: Bits, weigh: Callable[[Grown], Array], tolerance: float, largest: int
) -> tuple[Bits, float]:
    """List configurations layer by layer: first the seeds, then one item more on each that still carries weight.

    An item is one cause, or a cause with what it brings about (which has no weight without it). `weigh` gives weights
    (variants, rows). What is struck from the list at the end adds up to less than `tolerance` of all weight, in each
    variant; what a layer does not pass on to less than GROWN_IS_LIGHTER times that, for one cause more is a
    rare thing, and what would have grown from it is lighter by that much. Where more than `largest` would have to be
    weighed the tolerance is raised tenfold, as often as needed. Returns the list and the tolerance it was made with.
    """
    while True:
        grown = _grow_once(Listing.of(items), seeds, weigh, tolerance, largest)
        if grown is not None:
            return grown, tolerance
        tolerance *= 10.0


def _grow_once(
    items: Listing, seeds: Bits, weigh: Callable[[Grown], Array], tolerance: float, largest: int
) -> Bits | None:
    nothing = np.zeros((1, items.bits.shape[1]), dtype=bool)
    first = _distinct(np.concatenate([nothing, items.bits, seeds]))
    layer = Grown(
        Listing.of(first),
        Listing.of(nothing),
        Listing.of(first),
        np.zeros(len(first), dtype=np.intp),
        np.arange(len(first)),
    )
    seen, weights = first[:0], []
    while len(layer.listing):
        if len(layer.listing) + len(seen) > largest and len(seen):
            return None
        weights.append(weigh(layer))
        seen = np.concatenate([seen, layer.listing.bits])
        total = np.asarray(sum(w.sum(axis=1) for w in weights))
        passed_on = _worth_keeping(weights[-1], tolerance * GROWN_IS_LIGHTER * total)
        layer = _one_more(layer.listing.bits[passed_on], items, seen)
    everything = np.concatenate(weights, axis=1)
    keep = _worth_keeping(everything, tolerance * everything.sum(axis=1))
    keep |= (seen.sum(axis=1) <= 1) & (everything > 0.0).any(axis=0)
    return np.asarray(seen[keep])


def _worth_keeping(weights: Array, loss: Array) -> Bits:
    """All but the least, which together stay below the loss that is allowed in each variant."""
    keep = np.zeros(weights.shape[1], dtype=bool)
    for weight, allowed in zip(weights, loss, strict=True):
        order = np.argsort(weight)
        keep[order[np.cumsum(weight[order]) > allowed]] = True
    return keep


def _one_more(frontier: Bits, items: Listing, seen: Bits) -> Grown:
    """Each frontier row with each item that it has no cause in common with; what is seen or doubled is left out."""
    row, item = np.nonzero(~(frontier.astype(np.float32) @ items.bits.astype(np.float32).T > 0.0))
    fresh = frontier[row] | items.bits[item]
    _, first = np.unique(_keys(fresh), return_index=True)
    first = np.sort(first[~np.isin(_keys(fresh[first]), _keys(seen))])
    return Grown(Listing.of(fresh[first]), Listing.of(frontier), items, row[first], item[first])


def _keys(bits: Bits) -> NDArray[np.void]:
    packed = np.ascontiguousarray(np.packbits(bits, axis=1))
    return packed.view(np.dtype((np.void, max(packed.shape[1], 1)))).ravel()


def _distinct(bits: Bits) -> Bits:
    if not bits.shape[1]:
        return bits[:1]
    return np.asarray(bits[np.sort(np.unique(_keys(bits), return_index=True)[1])])
