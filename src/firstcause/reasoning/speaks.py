"""What each test says for or against one fault by itself, in decibans, from the numbers of a pack alone.

The scale is that of `because`: ten times the decimal logarithm of a ratio of chances, 10 dB make the odds ten times as
high. The fault is alone, with the victims it may have made, against a car on which nothing is that the test shows.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import inf, log10

import numpy as np
from numpy.typing import NDArray

from firstcause.knowledge.base import Knowledge
from firstcause.knowledge.ground import Fitted
from firstcause.knowledge.schema import FaultEntry, Shows, TestEntry
from firstcause.reasoning.shown import axes_of, cumulative_of, leak_of, shown_at, terms_of

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Speaks:
    """What one outcome of one test says about one fault.

    `decibans`: positive for the fault; infinite where the outcome is impossible on one of the two sides.
    `through`: ids of the victims that show it; the fault's own block is `own` (None when only victims show it).
    """

    test: str
    outcome: str
    fitted: Fitted
    if_present: float
    otherwise: float
    decibans: float
    own: Shows | None
    through: tuple[str, ...]


def victims_of(knowledge: Knowledge, fault: str) -> dict[str, float]:
    """The faults that this one makes, with the chance that it has done so by the time the car comes in."""
    links = ((other.id, link) for other in knowledge.faults.values() for link in other.caused_by)
    return {victim: link.chance for victim, link in links if link.fault == fault}


def decibans(if_present: float, otherwise: float) -> float:
    """Ten times the decimal logarithm of the ratio; nothing is said where neither can be (0.0)."""
    if if_present == otherwise:
        return 0.0
    if otherwise <= 0.0:
        return inf
    return 10.0 * log10(if_present / otherwise) if if_present > 0.0 else -inf


def outcomes_of(test: TestEntry, *shown: Array) -> dict[str, float]:
    """P(outcome) when each of `shown` (at most these levels, as `cumulative_of` has it) comes on top of chance."""
    at_most = np.array(leak_of(test))
    for one in shown:
        at_most = at_most * one
    chances = np.clip(terms_of(shown_at(test), axes_of(test)) @ at_most, 0.0, 1.0)
    return {outcome.id: float(chance) for outcome, chance in zip(test.outcomes, chances, strict=True)}


def speaks(knowledge: Knowledge, fault: str) -> tuple[Speaks, ...]:
    """Every outcome of every test that the fault, or a victim of it, shows: the strongest for it first.

    A fault with blocks for engines built one way or another has each of them. Victims are at the place that is tested,
    made one without regard to the other (exact unless two of them have a victim in common).

    Source: ours; I. J. Good, Probability and the Weighing of Evidence (1950), for the scale.
    """
    entry = knowledge.faults[fault]
    shown = {shows.test for one in (fault, *_below(knowledge, fault)) for shows in knowledge.faults[one].shows}
    found = [
        word
        for test in (knowledge.tests[name] for name in knowledge.tests if name in shown)
        for own in _own_blocks(entry, test.id)
        for word in _of_test(knowledge, entry, test, own)
    ]
    return tuple(sorted(found, key=lambda word: (-word.decibans, word.test, word.outcome)))


def _of_test(knowledge: Knowledge, fault: FaultEntry, test: TestEntry, own: Shows | None) -> Iterator[Speaks]:
    fitted = Fitted() if own is None else own.fitted
    healthy = outcomes_of(test)
    present = outcomes_of(test, _with_victims(knowledge, fault, test, own, fitted))
    through = tuple(
        victim
        for victim in _below(knowledge, fault.id)
        if _block(knowledge.faults[victim], test.id, fitted) is not None
    )
    for outcome in test.outcomes:
        seen, otherwise = present[outcome.id], healthy[outcome.id]
        said = 0.0 if abs(seen - otherwise) < 1e-9 else decibans(seen, otherwise)
        yield Speaks(test.id, outcome.id, fitted, seen, otherwise, said, own, through)


def _with_victims(knowledge: Knowledge, fault: FaultEntry, test: TestEntry, own: Shows | None, fitted: Fitted) -> Array:
    """P(at most these levels | the fault and what it may have made), chance left out."""
    at_most = np.array(cumulative_of(test, {} if own is None else own.outcomes))
    for victim, chance in victims_of(knowledge, fault.id).items():
        below = knowledge.faults[victim]
        its = _with_victims(knowledge, below, test, _block(below, test.id, fitted), fitted)
        at_most = at_most * (1.0 - chance + chance * its)
    return at_most


def _below(knowledge: Knowledge, fault: str) -> tuple[str, ...]:
    """All victims, and their victims, nearest first, each once."""
    found: list[str] = []
    waiting = [fault]
    while waiting:
        for victim in victims_of(knowledge, waiting.pop(0)):
            if victim not in found:
                found.append(victim)
                waiting.append(victim)
    return tuple(found)


def _own_blocks(fault: FaultEntry, test: str) -> list[Shows | None]:
    return [shows for shows in fault.shows if shows.test == test] or [None]


def _block(fault: FaultEntry, test: str, fitted: Fitted) -> Shows | None:
    """What the fault shows on an engine of this kind; for any engine its block for all goes first."""
    blocks = [s for s in fault.shows if s.test == test and s.fitted.never_meets(fitted) is None]
    special = fitted.says_something()
    return min(blocks, key=lambda s: s.fitted.says_something() != special, default=None)
