"""Which rows of a very long log are kept when it does not fit into memory: at most one in each step of time."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
STEPS_S = (0.05, 0.1, 0.2, 0.5, 1.0)


def rows_to_keep(
    time_s: Floats, columns: Sequence[Floats], counters: Sequence[Floats], parts: NDArray[np.int32], step_s: float
) -> NDArray[np.bool_]:
    """Which rows stay, shape (n,), so that each signal keeps its first reading in every `step_s` of time.

    `columns`: all signals, shape (n,) each, NaN where a row lacks it. Of `counters` (those that only rise) every row
    where one changes stays, so no count and no reset is lost. `parts` tells drivers or trips apart; they are never
    joined. The first and the last row stay. `time_s` must be finite, but may run backwards.

    What it costs: a crossing of a limit is seen up to `step_s` late. The judgement reckons with the spacing of the rows
    it gets, so such a drive may become "undecided" by that margin, and never wrongly decided.
    """
    new = np.ones(time_s.size, dtype=np.bool_)
    new[1:] = (np.diff(np.floor(time_s / step_s)) != 0) | (np.diff(parts) != 0)
    keep = new.copy()
    keep[-1] = True
    run = np.cumsum(new, dtype=np.int64)
    for column in columns:
        held = np.flatnonzero(np.isfinite(column))
        if held.size < time_s.size:
            keep[held[np.flatnonzero(np.diff(run[held], prepend=0))]] = True
    for column in counters:
        held = np.flatnonzero(np.isfinite(column))
        changed = np.flatnonzero(np.diff(column[held]))
        keep[held[changed]] = keep[held[changed + 1]] = True
    return keep
