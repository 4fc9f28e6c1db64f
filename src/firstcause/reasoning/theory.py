"""The published rules of troubleshooting, over many beliefs at once: expected bill, its bounds, when to ask.

Notation of the literature: ECR = expected cost of repair, P/C = probability over cost ("efficiency").
Sources: Heckerman, Breese & Rommelse 1994; Jensen et al. 2001 (AI EDAM 15); Langseth & Jensen 2003 (RESS 80).
Decision 0010 tells what was added to them and why.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning import orders

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]

NO_CHANCE = 1e-12
# Of what going on looking seems to save, so much is counted on. Chosen on 20 small random problems with an exact
# optimum (all of it: mean gap 0.72 %, 0.25 of it: 0.41 %, 0.1: 0.21 %, 0.05: 0.26 %, nothing: 0.41 %), others than
# those on which the gap is reported.
COUNTED_ON = 0.1


def worth_asking_now(ecr_never: float, ecr_now: float, ecr_after_best_action: float) -> bool:
    """Ask now only if that beats both never asking and asking after the best action has failed.

    Source: Langseth & Jensen 2003, eq. 4 and 5.
    """
    return ecr_now < min(ecr_never, ecr_after_best_action)


@dataclass(frozen=True, eq=False)
class Bill:
    """What repairs cost and cure, over the roots in question. Prices in the shop's currency.

    `price` (repairs,) with what stands open now, `shut` (repairs,) with everything shut again, as it is after a
    proving drive; `solves` (repairs, roots) chance that a repair removes a root, `hides` (roots,) chance that a
    root which still stands stays unseen in the proving drive, `refer` (roots,) price of handing the car on with
    that root in it, `comeback` price of a wrong "cured", `verify` price of the proving drive.
    """

    price: Array
    shut: Array
    solves: Array
    hides: Array
    refer: Array
    comeback: float
    verify: float

    @cached_property
    def known(self) -> Array:
        """(roots,) what each root costs at the least if it were known: its cheapest repair once, or handing on."""
        able = np.where(self.solves > 0.0, (self.price + self.verify)[:, None], np.inf)
        return np.asarray(np.minimum(able.min(axis=0, initial=np.inf), self.refer))

    @cached_property
    def reached(self) -> tuple[Index, Index, Array, Index, Index]:
        """Which roots each repair solves and with what chance, and which repairs each root has: see `orders`."""
        repair, root = np.nonzero(self.solves)
        begin, of_root = (
            np.searchsorted(np.sort(at), np.arange(size + 1)).astype(np.int64)
            for at, size in zip((repair, root), self.solves.shape, strict=True)
        )
        return begin, root, self.solves[repair, root], of_root, repair[np.argsort(root, kind="stable")]

    def only(self, repairs: Mask) -> Bill:
        """The bill when only these repairs are to be had."""
        return replace(self, price=self.price[repairs], shut=self.shut[repairs], solves=self.solves[repairs])

    @cached_property
    def all_shut(self) -> Bill:
        """The same with nothing standing open."""
        if self.price is self.shut:
            return self
        shut = replace(self, price=self.shut)
        shut.__dict__["reached"] = self.reached
        return shut


def expected_bill(bill: Bill, weights: Array, cured: Array, failed: Mask | None = None) -> Array:
    """Expected cost of the best plain course for many beliefs at once: repair in order, hand on at the best moment.

    `weights` (beliefs, roots) is the chance of each root being the cause that still stands, `cured` (beliefs,) that
    none does; a row and its `cured` add up to that belief's own chance, so results may be summed. `failed` (beliefs,
    repairs) marks repairs that have been done in vain and are not done again.
    Repairs are taken by updating P/C, none twice, each proven by a drive (which shuts what stood open), until handing
    on: the sum over actions of C_i P(not yet solved) of Jensen et al. 2001, definition 1, with the call service of
    Heckerman et al. 1994, section 3, at the point of this order where it is cheapest. A root that a passed drive leaves
    standing costs a comeback; so does stopping at once while some cause may stand (both ours). The value is that of a
    course which can be taken, so it is an upper bound of the best there is.
    """
    weights, cured = np.asarray(weights, dtype=float), np.asarray(cured, dtype=float)
    usable = np.empty((0, len(bill.price)), dtype=bool) if failed is None else ~failed
    result = _in_order(bill, weights, cured, usable)
    some_cured = np.flatnonzero(cured > 0.0)
    if len(some_cured):
        rows = weights[some_cured]
        stop_now = rows.sum(axis=1) * bill.comeback + _in_order(
            bill.all_shut, rows, np.zeros(len(rows)), usable if failed is None else usable[some_cured]
        )
        result[some_cured] = np.minimum(result[some_cured], stop_now)
    return result


def _in_order(bill: Bill, weights: Array, cured: Array, usable: Mask) -> Array:
    best = np.empty(len(weights))
    if not len(bill.price):
        return np.asarray(weights @ bill.refer)
    orders.in_order(
        bill.price + bill.verify, bill.shut + bill.verify, bill.refer, bill.known, bill.hides, bill.comeback,
        *bill.reached, np.ascontiguousarray(weights), np.ascontiguousarray(cured), usable, NO_CHANCE, best,
    )  # fmt: skip
    return best


def perfect_information(bill: Bill, weights: Array) -> Array:
    """Lower bound of the expected cost: each root is known at once and repaired, or handed on where that is cheaper.

    Source: Jensen et al. 2001, definition 4 (after Sochorova & Vomlel).
    """
    return np.asarray(weights @ bill.known)


def entropy_bits(weights: Array) -> Array:
    """For each row its total times the entropy of the row normalised, in bits."""
    total = weights.sum(axis=1)
    safe = np.where(weights > 0.0, weights, 1.0)
    plain = np.where(total > 0.0, total, 1.0)
    return np.asarray(-(weights * np.log2(safe / plain[:, None])).sum(axis=1))


def expected_course(
    bill: Bill, weights: Array, cured: Array, price_per_bit: Array | float, plain: Array | None = None
) -> Array:
    """Expected cost when one may go on looking: below the course without looking (`plain`) by part of what that saves.

    Going on looking seems to cost what perfect information would cost, plus the price of getting it: the entropy of
    the belief times what one bit costs with the tests at hand (one figure, or one for each belief; infinite where
    nothing at hand tells anything). That is the entropy heuristic of the troubleshooting literature (Warnquist 2011,
    2015, read in abstract) in a form of our own. It promises too much, for tests run out and overlap, so
    COUNTED_ON of the saving is counted. An estimate between the two bounds, no bound itself; decision 0010.
    """
    plain = expected_bill(bill, weights, cured) if plain is None else plain
    per_bit = np.broadcast_to(np.asarray(price_per_bit, dtype=float), plain.shape)
    able = np.isfinite(per_bit)
    bits = entropy_bits(np.column_stack([weights, cured]))
    looking = perfect_information(bill, weights) + np.where(able, per_bit, 0.0) * bits + bill.verify * cured
    return np.asarray(plain - np.where(able, COUNTED_ON * np.maximum(plain - looking, 0.0), 0.0))
