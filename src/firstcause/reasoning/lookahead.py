"""Thinking one step further: the best options refined by a full second sweep behind each outcome, with honest bounds.

Pure and without a clock: whoever calls `think` decides when to stop listening. What was thought so far always stands.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Protocol

MOST_REFINED = 8
NO_CHANCE = 1e-6


@dataclass(frozen=True)
class Branch:
    """One thing to do: what is paid at once, how likely each outcome is, and the whole expected cost between bounds.

    `after` is what each outcome leaves to pay, times its chance. Lower bound: as if the cause were known from there on
    (Jensen et al. 2001, definition 4). Upper bound: a course that can be taken. A refined branch is expected to cost
    its upper bound: estimates of what might still be learnt, minimised twice, would flatter what was looked at longest.
    """

    key: str
    price: float
    chances: tuple[float, ...]
    after: tuple[float, ...]
    expected: float
    lower: float
    upper: float


class Scene(Protocol):
    """A moment at which one chooses: its branches, cheapest first, and the scene behind an outcome of one of them."""

    def branches(self) -> Sequence[Branch]: ...

    def after(self, key: str, outcome: int) -> Scene: ...


@dataclass(frozen=True)
class Thought:
    """Where the thinking stands: all branches, the refined ones first and cheapest first, and how far it has come.

    `could_save`: the best course there is undercuts the best that is known by no more than this.
    """

    branches: tuple[Branch, ...]
    refined: frozenset[str]
    swept: int
    to_sweep: int

    @property
    def best(self) -> Branch:
        return self.branches[0]

    @property
    def could_save(self) -> float:
        return max(0.0, min(b.upper for b in self.branches) - min(b.lower for b in self.branches))

    @property
    def finished(self) -> bool:
        return self.swept >= self.to_sweep


def think(scene: Scene, most: int = MOST_REFINED) -> Iterator[Thought]:
    """Refine the `most` best branches one after the other, and say before each sweep and at the end where it stands.

    The first thought is the plain ranking. A branch that cannot be the best any more (its lower bound lies above the
    upper bound of another) is not refined. Refined and plain estimates are not compared: an unrefined branch stands
    behind all refined ones, and one whose bounds meet is as good as refined.
    """
    branches = {branch.key: branch for branch in scene.branches()}
    order = sorted(branches, key=lambda key: branches[key].expected)[:most]
    outcomes = {key: [k for k, p in enumerate(branches[key].chances) if p > NO_CHANCE] for key in order}
    exact = {key for key, branch in branches.items() if branch.lower >= branch.upper}
    refined: set[str] = set()
    swept, to_sweep = 0, sum(len(found) for found in outcomes.values())

    def stands() -> Thought:
        comparable = refined | exact if refined else set()
        ranked = sorted(branches.values(), key=lambda b: (b.key not in comparable, b.expected))
        return Thought(tuple(ranked), frozenset(refined), swept, to_sweep)

    for key in order:
        branch = branches[key]
        if branch.lower >= min(b.upper for b in branches.values()):
            to_sweep -= len(outcomes[key])
            continue
        behind: dict[int, tuple[float, float]] = {}
        for outcome in outcomes[key]:
            yield stands()
            behind[outcome] = _best_behind(scene.after(key, outcome), branch.chances[outcome])
            swept += 1
        branches[key] = _refined(branch, behind)
        refined.add(key)
    yield stands()


def _best_behind(scene: Scene, chance: float) -> tuple[float, float]:
    """Bounds of going on from a scene in the best way, times the chance of getting there."""
    found = scene.branches()
    return chance * min(branch.lower for branch in found), chance * min(branch.upper for branch in found)


def _refined(branch: Branch, behind: dict[int, tuple[float, float]]) -> Branch:
    """The branch with the bounds that were found behind its outcomes."""
    lower = max(branch.lower, branch.price + sum(low for low, _ in behind.values()))
    upper = min(branch.upper, branch.price + sum(high for _, high in behind.values()))
    after = tuple(behind[k][1] if k in behind else 0.0 for k in range(len(branch.chances)))
    return replace(branch, after=after, expected=upper, lower=lower, upper=upper)
