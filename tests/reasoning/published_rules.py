"""The rules of the troubleshooting literature as they were published: what the engine's own arithmetic is held against.

Notation of the literature: ECR = expected cost of repair, P/C = probability over cost ("efficiency").
Sources: Heckerman, Breese & Rommelse 1994; Jensen et al. 2001 (AI EDAM 15); Langseth & Jensen 2003 (RESS 80);
Vomlelova 2003 (IJIS 18); Lin 2014 (IJAR 55).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence, Set
from itertools import permutations


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
