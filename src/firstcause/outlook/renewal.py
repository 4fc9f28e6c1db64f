"""How often something is renewed within a distance: the renewal function, to a stated step."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


def expected_renewals(survival: Callable[[Array], Array], distance_km: float, steps: int = 1000) -> Array:
    """M at 0, h, 2h, ..., distance: the expected number of renewals of something new at 0. Shape (steps + 1,).

    M(t) = F(t) + integral of F(t - x) dM(x), by the mid-point Riemann-Stieltjes sum of Xie, "On the solution of
    renewal-type integral equations" (1989), from memory. Checked in the tests against the closed forms of the
    exponential and the Erlang life.
    """
    step = distance_km / steps
    at: Array = step * np.arange(2 * steps + 1, dtype=np.float64) / 2.0
    failed, middle = 1.0 - survival(at[::2]), 1.0 - survival(at[1::2])
    renewals, gains = np.zeros(steps + 1), np.zeros(steps + 1)
    for i in range(1, steps + 1):
        earlier = float(middle[1:i][::-1] @ gains[1:i])
        renewals[i] = (failed[i] + earlier - middle[0] * renewals[i - 1]) / (1.0 - middle[0])
        gains[i] = renewals[i] - renewals[i - 1]
    return renewals
