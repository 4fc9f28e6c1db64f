"""Lists of configurations (which causes are present together), grown from the empty one towards what carries weight."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Bits = NDArray[np.bool_]


GROWN_IS_LIGHTER = 5.0
SMALLEST = 1e-300


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


def grow(
    items: Bits, seeds: Bits, weigh: Callable[[Grown], Array], tolerance: float, largest: int, most_kept: int
) -> tuple[Bits, float]:
    """List configurations: first the seeds, then, again and again, one item more or one cause less on those that weigh.

    An item is one cause, or a cause with what it brings about (which has no weight without it). One cause less finds
    what no lighter one leads to: of two causes that act together, one alone in the cold and the other alone under load.
    `weigh` gives weights
    (variants, rows). What is struck from the list at the end adds up to less than `tolerance` of all weight, in each
    variant; what nothing is grown on to less than GROWN_IS_LIGHTER times that, for one cause more is a rare thing, and
    what would have grown is lighter by that much. No more than about `largest` are weighed, the heaviest grown first,
    and no more than `most_kept` kept; where that is not enough the tolerance is what was reached. Returns the list and
    the tolerance.
    """
    with_items = Listing.of(items)
    layers = [_as_they_are(_distinct(np.concatenate([np.zeros((1, items.shape[1]), dtype=bool), items, seeds])))]
    bits, weights = np.zeros((0, items.shape[1]), dtype=bool), np.zeros((0, 0))
    grown_on = np.zeros(0, dtype=bool)
    while layers:
        for layer in layers:
            new = weigh(layer)
            weights = np.concatenate([weights, new], axis=1) if len(bits) else new
            bits = np.concatenate([bits, layer.listing.bits])
            grown_on = np.concatenate([grown_on, np.zeros(new.shape[1], dtype=bool)])
        total = weights.sum(axis=1)
        loss = tolerance * GROWN_IS_LIGHTER * total
        due = np.flatnonzero(_worth_keeping(np.where(grown_on, 0.0, weights), loss) & ~grown_on)
        room = (largest - len(bits)) // max(len(items), 1)
        if len(due) > room // 2:
            heaviest = np.argsort(-(weights[:, due] / np.maximum(total, SMALLEST)[:, None]).max(axis=0))
            due = due[heaviest[: room // 2]]
        grown_on[due] = True
        layers = []
        if len(due):
            more = _one_more(bits[due], with_items, bits)
            layers = [more, _one_less(bits[due], np.concatenate([bits, more.listing.bits]))]
    left = (np.where(grown_on, 0.0, weights).sum(axis=1) / np.maximum(total, SMALLEST)).max(initial=0.0)
    tolerance = max(tolerance, float(left) / GROWN_IS_LIGHTER)
    share = (weights / np.maximum(total, SMALLEST)[:, None]).max(axis=0)
    keep = _worth_keeping(weights, tolerance * total) | ((bits.sum(axis=1) <= 1) & (share > 0.0))
    keep[np.argsort(-share)[most_kept:]] = False
    struck = (weights[:, ~keep].sum(axis=1) / np.maximum(total, SMALLEST)).max(initial=0.0)
    return np.asarray(bits[keep]), max(tolerance, float(struck))


def _as_they_are(bits: Bits) -> Grown:
    """Configurations as items added to nothing."""
    first = Listing.of(bits)
    nothing = Listing.of(np.zeros((1, bits.shape[1]), dtype=bool))
    return Grown(first, nothing, first, np.zeros(len(first), dtype=np.intp), np.arange(len(first)))


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


def _one_less(frontier: Bits, seen: Bits) -> Grown:
    """Each frontier row without each of its causes; what is seen or doubled is left out."""
    row, cause = np.nonzero(frontier)
    fresh = frontier[row]
    fresh[np.arange(len(row)), cause] = False
    fresh = _distinct(fresh)
    return _as_they_are(fresh[~np.isin(_keys(fresh), _keys(seen))])


def _keys(bits: Bits) -> NDArray[np.void]:
    packed = np.ascontiguousarray(np.packbits(bits, axis=1))
    return packed.view(np.dtype((np.void, max(packed.shape[1], 1)))).ravel()


def _distinct(bits: Bits) -> Bits:
    if not bits.shape[1]:
        return bits[:1]
    return np.asarray(bits[np.sort(np.unique(_keys(bits), return_index=True)[1])])
