"""Findings that can hardly be right together, said aloud instead of being averaged away.

The measure is that of Jensen, Chamberlain, Nordahl and Jensen (1991, from memory): log10 of P(a) P(b) / P(a, b), here
given everything else that was found. Above nought the two are less likely together than each by itself; a rare cause
that explains both is in the model and takes the conflict away by itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from itertools import combinations
from math import expm1, log

from firstcause.reasoning.because import WeighedSets
from firstcause.reasoning.compiled import Model
from firstcause.reasoning.history import Counted, Found
from firstcause.reasoning.jobs import openings
from firstcause.reasoning.steps import open_now

LogEvidence = Callable[[frozenset[str]], float]
TEN = log(10.0)
LEAST = log(1e-12)
"""What is less likely than this is no more than rounding: it cannot be."""


@dataclass(frozen=True)
class Conflict:
    """Happenings that can hardly be right together: two, or one against all the rest.

    `powers_of_ten`: how much less likely they are together than apart. `doubtful` is the one that is more likely
    misread; `again` the one that is sooner read again, with its minutes (None where neither can be).
    """

    happenings: tuple[str, ...]
    powers_of_ten: float
    doubtful: str
    again: tuple[str, float] | None

    @property
    def times(self) -> float:
        """How many times less likely together than apart."""
        return float(10.0**self.powers_of_ten)


def evidence_of(model: Model) -> LogEvidence:
    """Log of the probability of any set of the happenings, each set weighed once, right to about one in a thousand."""
    return WeighedSets(model, {}, ()).log_evidence


def conflicts(model: Model, log_evidence: LogEvidence) -> tuple[Conflict, ...]:
    """Pairs that contradict each other by more than the knowledge base's limit, the worst first; then single
    happenings that contradict all the rest together.

    Only happenings that the others make improbable are paired: a conflict of c powers of ten makes either of the two
    that much less likely than 1, so none is missed.
    """
    limit = model.knowledge.model.conflict.powers_of_ten
    everything = frozenset(model.happening_of.values())
    whole = log_evidence(everything)
    without = {name: log_evidence(everything - {name}) for name in sorted(everything)}
    scales = _scales(model)
    expected = {name: (whole - without[name] - scales[name]) / TEN for name in without}
    surprising = [name for name, tens in expected.items() if tens <= -limit]
    order = {happening.id: at for at, happening in enumerate(model.history)}
    surprising.sort(key=lambda name: order.get(name, len(order)))
    found = []
    for pair in combinations(surprising, 2):
        tens = (sum(without[name] for name in pair) - log_evidence(everything - set(pair)) - whole) / TEN
        if tens >= limit:
            found.append((tens, pair))
    paired = {name for _, pair in found for name in pair}
    alone: list[tuple[float, tuple[str, ...]]] = []
    for name in surprising if len(everything) > 1 else ():
        if name not in paired:
            tens = (log_evidence(frozenset({name})) + without[name] - whole) / TEN
            if tens >= limit:
                alone.append((tens, (name,)))
    misread = {name: _misread(model, name, without[name], expected[name]) for name in surprising}
    return tuple(
        Conflict(names, tens, max(names, key=lambda name: misread[name]), _again(model, names))
        for tens, names in (*sorted(found, reverse=True), *sorted(alone, reverse=True))
    )


def culprits(model: Model, log_evidence: LogEvidence) -> tuple[str, ...]:
    """Happenings that exclude each other, none of which could be left out, in the order of the story; empty if none do.

    One is added after the other until it cannot be; what could not is kept, and the others are tried again beside it.
    Source: the linear way to one minimal contradictory set, from memory (QuickXplain is its quicker sister).
    """
    story = list(dict.fromkeys(model.happening_of.values()))
    scales = _scales(model)
    kept: list[str] = []
    while (last := _first_impossible(kept, story, scales, log_evidence)) is not None and last not in kept:
        kept.append(last)
        story = story[: story.index(last)]
    return tuple(sorted(kept, key=[*dict.fromkeys(model.happening_of.values())].index)) if last is not None else ()


def _first_impossible(
    kept: list[str], story: list[str], scales: Mapping[str, float], log_evidence: LogEvidence
) -> str | None:
    """The first that cannot be after those before it; `kept` come first."""
    so_far: frozenset[str] = frozenset()
    before = 0.0
    for name in (*kept, *story):
        so_far |= {name}
        now = log_evidence(so_far)
        if now - before - scales[name] < LEAST:
            return name
        before = now
    return None


def _scales(model: Model) -> Mapping[str, float]:
    """By happening: log of the greatest likelihood that it could have. A count of 200 in 900 is rare in any engine."""
    scales = dict.fromkeys(model.happening_of.values(), 0.0)
    for finding in model.network.findings:
        scales[model.happening_of[finding.id]] += log(max(finding.weights)) if max(finding.weights) > 0.0 else 0.0
    return scales


def _misread(model: Model, name: str, without: float, expected: float) -> tuple[float, float]:
    """What speaks for a happening having been misread: how unsure the technician was, then how well everything would
    fit had it come out another way (each other way alike)."""
    happening = next(h for h in model.history if h.id == name)
    if not isinstance(happening, Found):
        return 0.0, without + log(-expm1(expected * TEN))
    weights = happening.weights.values()
    unsure = 1.0 - max(weights) / sum(weights)
    return round(unsure, 9), without + log(-expm1(expected * TEN)) - log(max(len(weights) - 1, 1))


def _again(model: Model, names: tuple[str, ...]) -> tuple[str, float] | None:
    minutes = {name: took for name in names if (took := _minutes_again(model, name)) is not None}
    return min(minutes.items(), key=lambda pair: pair[1]) if minutes else None


def _minutes_again(model: Model, name: str) -> float | None:
    """What reading it again takes now; a code cannot be read again before the car has stored it again."""
    happening = next(h for h in model.history if h.id == name)
    if isinstance(happening, Counted):
        return model.knowledge.model.money.verify_minutes
    if not isinstance(happening, Found):
        return None
    test = model.knowledge.tests[happening.test]
    shut = openings(model.knowledge, test.access, happening.place, model.car)
    return test.minutes + sum(took for opening, took in shut.items() if opening not in open_now(model))
