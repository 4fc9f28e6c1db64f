"""Repairs in order of chance over cost, for many beliefs at once: the loop of `theory.expected_bill`, compiled."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning.jit import compiled

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Flags = NDArray[np.bool_]


@compiled
def in_order(
    first_cost: Array, later_cost: Array, refer: Array, known: Array, hides: Array, comeback: float, begin: Index,
    root: Index, solves: Array, of_root: Index, repair: Index, weights: Array, cured: Array, usable: Flags,
    least_gain: float, best: Array,
) -> None:  # fmt: skip
    """Expected cost of each belief (beliefs,) into `best`; what the numbers mean is told in `theory.expected_bill`.

    Repair r solves root[k] with the chance solves[k] for k from begin[r] on; the repairs of root c are repair[k] for k
    from of_root[c] on. `first_cost` and `later_cost` (repairs,): price and proof of the first repair and of any later.
    `usable` (beliefs, repairs); no rows in it: all are.
    """
    many, roots = len(later_cost), len(refer)
    gain, free, left = np.empty(many), np.empty(many, dtype=np.bool_), np.empty(roots)
    for b in range(len(weights)):
        handed, least, still, total = 0.0, 0.0, 0.0, 0.0
        for c in range(roots):
            left[c] = weights[b, c]
            handed += left[c] * refer[c]
            least += left[c] * known[c]
            still += left[c]
        still += cured[b]
        best[b] = handed
        for r in range(many):
            free[r] = usable[b, r] if len(usable) else True
            gain[r] = 0.0
            if free[r]:
                for k in range(begin[r], begin[r + 1]):
                    gain[r] += left[root[k]] * solves[k]
        cost = first_cost
        for _ in range(many):
            pick, most = 0, -1.0
            for r in range(many):
                worth = gain[r] / cost[r]
                if worth > most:
                    pick, most = r, worth
            if not (gain[pick] > least_gain * still and total + least < best[b]):
                break
            free[pick] = False
            gain[pick] = 0.0
            for k in range(begin[pick], begin[pick + 1]):
                c = root[k]
                left[c] *= 1.0 - solves[k]
                for at in range(of_root[c], of_root[c + 1]):
                    r = repair[at]
                    if free[r]:
                        gain[r] = 0.0
                        for j in range(begin[r], begin[r + 1]):
                            gain[r] += left[root[j]] * solves[j]
            total += cost[pick] * still
            handed, least, still = 0.0, 0.0, 0.0
            hidden = 0.0
            for c in range(roots):
                handed += left[c] * refer[c]
                least += left[c] * known[c]
                hidden += left[c] * hides[c]
                still += left[c]
            total += comeback * hidden
            best[b] = min(best[b], total + handed)
            cost = later_cost
