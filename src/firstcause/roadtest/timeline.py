"""Spans of time in which a condition held, did not hold, or may have held: what sampling can and cannot know."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firstcause.roadtest.drivelog import gap_limit_s

Floats = NDArray[np.float64]
NO, MAYBE, YES = 0, 1, 2
LOST = 99  # the level of a reading that tells nothing


def together(some: Floats, others: Floats) -> Floats:
    """All moments of two rising rows, in order, each once; one of them as it is where the other brings nothing new."""
    if not some.size or not others.size:
        return others if not some.size else some
    if some.size < others.size:
        some, others = others, some
    new = others[some[np.minimum(np.searchsorted(some, others), some.size - 1)] != others]
    return some if not new.size else np.union1d(some, new)


@dataclass(frozen=True, eq=False)
class Timeline:
    """`edges_s`: shape (n + 1,), rising. `states`: shape (n,), NO, MAYBE or YES between two edges.

    `breaks_s`: shape (m,), moments of readings outside the condition: no unbroken run can pass them.
    """

    edges_s: Floats
    states: NDArray[np.int8]
    breaks_s: Floats

    @classmethod
    def all_of(cls, start_s: float, stop_s: float, state: int) -> Timeline:
        """One state from start to stop."""
        return cls(np.array([start_s, stop_s]), np.array([state], dtype=np.int8), np.empty(0))

    @classmethod
    def from_levels(
        cls, time_s: Floats, level: NDArray[np.int_], start_s: float, stop_s: float, gap_s: float | None = None
    ) -> Timeline:
        """From readings: level 0 inside the condition, another number outside (its sign tells the side), or LOST.

        Two readings inside: YES between them. Two on the same outer side: NO. Anything else, a gap (a step
        above `gap_s`, by default that of `gap_limit_s`), and the time before the first and after the last: MAYBE.
        """
        if not time_s.size:
            return cls.all_of(start_s, stop_s, MAYBE)
        steps = np.diff(time_s)
        states = np.full(steps.size, MAYBE, dtype=np.int8)
        same = level[:-1] == level[1:]
        states[same & (level[1:] == 0)] = YES
        states[same & (level[1:] != 0) & (level[1:] != LOST)] = NO
        states[steps > (gap_limit_s(time_s) if gap_s is None else gap_s)] = MAYBE
        outside = time_s[(level != 0) & (level != LOST)]
        if start_s == time_s[0] and stop_s == time_s[-1] and (steps > 0).all():
            return cls(time_s, states, outside)  # the clock itself: nothing is copied
        edges = np.concatenate([[start_s], time_s, [stop_s]])
        states = np.concatenate([[MAYBE], states, [MAYBE]]).astype(np.int8)
        real = np.diff(edges) > 0
        return cls(np.concatenate([edges[:1], edges[1:][real]]), states[real], outside)

    def __and__(self, other: Timeline) -> Timeline:
        """Both conditions at once: the weaker of the two states at each moment of the common span."""
        if np.array_equal(self.edges_s, other.edges_s):  # signals read together: nothing to sort or look up
            return Timeline(
                self.edges_s, np.minimum(self.states, other.states), together(self.breaks_s, other.breaks_s)
            )
        start, stop = max(self.edges_s[0], other.edges_s[0]), min(self.edges_s[-1], other.edges_s[-1])
        edges = np.union1d(self.edges_s, other.edges_s)
        edges = edges[(edges >= start) & (edges <= stop)]
        middle = (edges[:-1] + edges[1:]) / 2
        breaks = together(self.breaks_s, other.breaks_s)
        return Timeline(edges, np.minimum(self.state_at(middle), other.state_at(middle)), breaks)

    def state_at(self, time_s: Floats) -> NDArray[np.int8]:
        """The state at moments inside the span; shape as `time_s`."""
        at = np.clip(np.searchsorted(self.edges_s, time_s, side="right") - 1, 0, self.states.size - 1)
        return np.asarray(self.states[at], dtype=np.int8)

    def total_s(self, least: int) -> float:
        """Seconds in which the state was `least` (YES: surely, MAYBE: at most) or better."""
        return float(np.diff(self.edges_s)[self.states >= least].sum())

    def longest(self, least: int) -> tuple[float, float]:
        """Start and length in seconds of the longest unbroken run of `least` or better; (0.0, 0.0) without one."""
        good = self.states >= least
        if not good.any():
            return 0.0, 0.0
        broken = np.isin(self.edges_s[1:-1], self.breaks_s)
        parted = ~good[:-1] | ~good[1:] | broken
        starts = self.edges_s[:-1][good & np.concatenate([[True], parted])]
        stops = self.edges_s[1:][good & np.concatenate([parted, [True]])]
        best = int(np.argmax(stops - starts))
        return float(starts[best]), float(stops[best] - starts[best])
