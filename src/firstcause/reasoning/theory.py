"""The published rules of troubleshooting: order of repairs, expected cost of repair, expected cost of observation.

Notation of the literature: ECR = expected cost of repair, P/C = probability over cost ("efficiency").
Sources: Heckerman, Breese & Rommelse 1994; Jensen et al. 2001 (AI EDAM 15); Langseth & Jensen 2003 (RESS 80);
Vomlelova 2003 (IJIS 18); Lin 2014 (IJAR 55). Worked examples from them are in tests/reasoning/test_theory.py.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from dataclasses import dataclass
from itertools import permutations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def order_single_fault(chances: Sequence[float], costs: Sequence[float]) -> list[int]:
    """Best order when exactly one fault is present and each action repairs its own: by chance / cost, falling.

    Source: Jensen et al. 2001, proposition 2 and theorem 1.
    """
    return sorted(range(len(chances)), key=lambda i: -chances[i] / costs[i])


def order_independent_faults(chances: Sequence[float], costs: Sequence[float]) -> list[int]:
    """Best order when faults are independent, several may be present, and all must be repaired until the thing works.

    By p / (c (1 - p)), falling. Source: Vomlelova 2003, citing Srinivas.
    """
    return sorted(
        range(len(chances)),
        key=lambda i: -(chances[i] / (costs[i] * (1.0 - chances[i])) if chances[i] < 1.0 else float("inf")),
    )


def ecr_single_fault(chances: Sequence[float], costs: Sequence[float], service: float = 0.0) -> float:
    """Expected cost of repairing in the given order, one fault present, perfect own actions; the rest goes to service.

    sum_i C_i (1 - sum_{j<i} p_j) + service (1 - sum p). Source: Heckerman et al. 1994, eq. 5 and section 3.
    """
    total, remaining = 0.0, 1.0
    for chance, cost in zip(chances, costs, strict=True):
        total += remaining * cost
        remaining -= chance
    return total + max(remaining, 0.0) * service


def ecr_of_actions(masses: Mapping[frozenset[str], float], order: Sequence[str], costs: Mapping[str, float]) -> float:
    """Expected cost of a fixed order of actions when `masses` says which sets of actions would each suffice.

    `masses` maps the set of actions that repair the fault present to that fault's probability.
    Source: Jensen et al. 2001, definition 1.
    """
    total, alive = 0.0, dict(masses)
    for action in order:
        total += sum(alive.values()) * costs[action]
        alive = {who: mass for who, mass in alive.items() if action not in who}
    return total


def updating_order(masses: Mapping[frozenset[str], float], costs: Mapping[str, float]) -> list[str]:
    """The order that always takes the best chance per cost given that the actions so far have failed ("updating P/C").

    A 4-approximation for dependent actions under the single-fault assumption. Source: Lin 2014, theorem 1.
    """
    alive, order = dict(masses), []
    while alive:
        best = max(
            (action for action in costs if action not in order),
            key=lambda action: sum(mass for who, mass in alive.items() if action in who) / costs[action],
        )
        order.append(best)
        alive = {who: mass for who, mass in alive.items() if best not in who}
    return order


def best_order(masses: Mapping[frozenset[str], float], costs: Mapping[str, float]) -> tuple[list[str], float]:
    """The cheapest order by trying all; for tests and small problems only."""
    orders = (list(order) for order in permutations(costs))
    best = min(orders, key=lambda order: ecr_of_actions(masses, order, costs))
    return best, ecr_of_actions(masses, best, costs)


def ecr_independent_faults(chances: Sequence[float], costs: Sequence[float], order: Sequence[int]) -> float:
    """Expected cost of an order when faults are independent and work goes on until none is left.

    Given that the thing does not work (at least one fault). After each action it is known whether it works.
    """
    p_all_sound = 1.0
    for chance in chances:
        p_all_sound *= 1.0 - chance
    total, p_rest_sound = 0.0, p_all_sound
    for i in order:
        # The action is taken iff some fault among those not yet repaired is present.
        total += costs[i] * (1.0 - p_rest_sound)
        p_rest_sound = p_rest_sound / (1.0 - chances[i]) if chances[i] < 1.0 else _product_rest(chances, order, i)
    return total / (1.0 - p_all_sound)


def _product_rest(chances: Sequence[float], order: Sequence[int], done: int) -> float:
    rest = 1.0
    for i in order[list(order).index(done) + 1 :]:
        rest *= 1.0 - chances[i]
    return rest


def ecr_of_strategy(tree: Strategy, masses: Mapping[str, float], costs: Mapping[str, float]) -> float:
    """Expected cost of a strategy tree: ECR(S) = C + sum over branches P(branch) ECR(branch).

    `masses`: probability of each fault. Source: Jensen et al. 2001, definition 3; Langseth & Jensen 2003, prop. 8.
    """
    mass = sum(masses.values())
    if tree is None or mass <= 0.0:
        return 0.0
    total = costs[tree.step] * mass
    for branch, faults in tree.branches:
        total += ecr_of_strategy(branch, {f: m for f, m in masses.items() if f in faults}, costs)
    return total


class _Node:
    """One step of a strategy and, for each answer, the faults that give it and what follows (None: done)."""

    def __init__(self, step: str, branches: Sequence[tuple[Strategy, Set[str]]] = ()) -> None:
        self.step, self.branches = step, tuple(branches)


Strategy = _Node | None
step = _Node


def eco(cost: float, outcomes: Sequence[tuple[float, float]]) -> float:
    """Expected cost of observing first: C_o + sum_k P(k) ECR(k). Source: Heckerman et al. 1994, eq. 7."""
    return cost + sum(chance * ecr for chance, ecr in outcomes)


def worth_asking_now(ecr_never: float, ecr_now: float, ecr_after_best_action: float) -> bool:
    """Ask now only if that beats both never asking and asking after the best action has failed.

    Source: Langseth & Jensen 2003, eq. 4 and 5.
    """
    return ecr_now < min(ecr_never, ecr_after_best_action)


@dataclass(frozen=True)
class Bill:
    """What repairs cost and cure, over the roots in question.

    `price` (repairs,), `solves` (repairs, roots) chance that a repair removes a root, `hides` (roots,) chance that a
    root which still stands stays unseen in the proving drive, `refer` (roots,) price of handing the car on with
    that root in it, `comeback` price of a wrong "cured", `verify` price of the proving drive.
    """

    price: Array
    solves: Array
    hides: Array
    refer: Array
    comeback: float
    verify: float


def expected_bill(bill: Bill, weights: Array, cured: Array) -> Array:
    """Expected cost to a proven repair for many beliefs at once: the better of repairing in order, or stopping now.

    `weights` (beliefs, roots) is the chance of each root being the cause that still stands, `cured` (beliefs,) that
    none does; a row and its `cured` add up to that belief's own chance, so results may be summed.
    Repairs are taken by updating P/C, verified one by one, until handing on is cheaper: the sum over actions of
    C_i P(not yet solved) of Jensen et al. 2001, definition 1, with the call service of Heckerman et al. 1994,
    section 3, and the price of a comeback for roots that a passed drive leaves standing (ours).
    """
    left = np.array(weights, dtype=float)
    still = left.sum(axis=1) + cured
    total = np.zeros(len(left))
    cost = bill.price + bill.verify
    going = np.ones(len(left), dtype=bool)
    for _ in range(len(bill.price)):
        gain = left @ bill.solves.T
        best = np.argmax(gain / cost, axis=1)
        rows = np.arange(len(left))
        saved = (left * bill.solves[best]) @ bill.refer
        going &= (gain[rows, best] > 0.0) & (saved > cost[best] * still)
        if not going.any():
            break
        total += np.where(going, cost[best] * still, 0.0)
        left = np.where(going[:, None], left * (1.0 - bill.solves[best]), left)
        total += np.where(going, bill.comeback * (left @ bill.hides), 0.0)
        still = np.where(going, left.sum(axis=1), still)
    total += left @ bill.refer
    not_cured = np.asarray(weights).sum(axis=1)
    if (np.asarray(cured) > 0.0).any():
        stop_now = not_cured * bill.comeback + expected_bill(bill, weights, np.zeros(len(left)))
        return np.asarray(np.minimum(total, stop_now))
    return total


def perfect_information(bill: Bill, weights: Array) -> Array:
    """Lower bound of the expected cost: each root is known at once and repaired, or handed on where that is cheaper.

    Source: Jensen et al. 2001, definition 4 (after Sochorova & Vomlel).
    """
    able = bill.solves > 0.0
    each = np.where(able, (bill.price + bill.verify)[:, None], np.inf).min(axis=0, initial=np.inf)
    return np.asarray(weights @ np.minimum(each, bill.refer))


def entropy_bits(weights: Array) -> Array:
    """For each row its total times the entropy of the row normalised, in bits."""
    total = weights.sum(axis=1)
    safe = np.where(weights > 0.0, weights, 1.0)
    plain = np.where(total > 0.0, total, 1.0)
    return np.asarray(-(weights * np.log2(safe / plain[:, None])).sum(axis=1))


def expected_course(bill: Bill, weights: Array, cured: Array, price_per_bit: float) -> Array:
    """Expected cost when one may go on looking: what perfect information would cost, plus the price of getting it.

    The price of getting it is the entropy of the belief times what one bit costs with the tests at hand. Never
    above the course without further looking. An estimate, not a bound: the entropy heuristic of the troubleshooting
    literature (Warnquist 2011, 2015, read in abstract) in a form of our own; decision 0010.
    """
    if price_per_bit == float("inf"):  # nothing at hand tells anything
        return expected_bill(bill, weights, cured)
    looking = (
        perfect_information(bill, weights)
        + price_per_bit * entropy_bits(np.column_stack([weights, cured]))
        + bill.verify * cured
    )
    return np.asarray(np.minimum(looking, expected_bill(bill, weights, cured)))
