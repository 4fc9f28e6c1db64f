"""Rows brought into one rising order of time: what goes back, what repeats, where the clock starts again."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
_ROWS_THAT_PROVE_A_RESTART = 5


@dataclass(frozen=True, slots=True)
class Order:
    """`keep`: shape (n,), the rows that stay. `starts`: first row of each recording. `jumps_back`: rows set aside."""

    keep: NDArray[np.bool_]
    starts: tuple[int, ...]
    jumps_back: tuple[int, ...]
    repeated: int


def order_rows(time_s: Floats) -> Order:
    """Decide which rows of a clock can stay; `time_s` has shape (n,), all finite.

    A single row out of line is set aside. Where the clock falls and at least five rows go on from there,
    a new recording has begun. A repeated time is kept and counted: nothing is invented between two equal clocks.
    """
    keep = np.ones(time_s.size, dtype=np.bool_)
    if not (np.diff(time_s) < 0).any():
        return Order(keep, (0,), (), int((np.diff(time_s) == 0).sum()))
    starts, aside = [0], []
    latest, held = float(time_s[0]), 0
    for row in range(1, time_s.size):
        now = float(time_s[row])
        if now >= latest:
            latest, held = now, row
            continue
        after = time_s[row : row + _ROWS_THAT_PROVE_A_RESTART]
        if held == row - 1 and held > starts[-1] and _kept_before(time_s, keep, held) <= now and _goes_on(after):
            keep[held] = False  # the row before was the one that jumped ahead
            aside.append(held)
            latest, held = now, row
        elif after.size == _ROWS_THAT_PROVE_A_RESTART and _goes_on(after) and (after < latest).all():
            starts.append(row)
            latest, held = now, row
        else:
            keep[row] = False
            aside.append(row)
    kept = time_s[keep]
    return Order(keep, tuple(starts), tuple(sorted(aside)), int((np.diff(kept) == 0).sum()))


def _goes_on(after: Floats) -> bool:
    return bool((np.diff(after) >= 0).all())


def _kept_before(time_s: Floats, keep: NDArray[np.bool_], row: int) -> float:
    """The time of the last kept row before `row`; there is one, since the first row of a recording is kept."""
    row -= 1
    while not keep[row]:
        row -= 1
    return float(time_s[row])
