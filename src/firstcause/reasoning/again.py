"""A clean part behind which the cause still stands: how likely it is spoilt again after so many kilometres."""

from __future__ import annotations

from math import exp, log

from firstcause.knowledge.schema import FaultEntry

# [returns] after_km (from, to) is read as: one in ten are back before the first, nine in ten before the second.
# Between them a Weibull distribution: nothing much happens at first, then it gathers. Judgement (the knowledge base
# says only "likely between"); checked in the tests against a model in which the dirt accumulates.
EARLY, LATE = 0.1, 0.9
LEAST_KM = 1.0
LEAST_CHANCE = 1e-3
"""What is less likely than this is not worth a cause of its own."""


def can_come_again(fault: FaultEntry) -> bool:
    """Whether a clean part of this kind may be spoilt again, and the knowledge base says after how many kilometres."""
    return fault.kind == "victim" and fault.returns_after_km is not None


def share_back(returns_after_km: tuple[int, int], driven_km: float) -> float:
    """Of the parts that are spoilt again in the end, the share that is so after this distance."""
    first, last = (max(float(km), LEAST_KM) for km in returns_after_km)
    if driven_km <= 0.0:
        return 0.0
    if last <= first:
        return 1.0 if driven_km >= last else 0.0
    shape = (log(-log(1.0 - LATE)) - log(-log(1.0 - EARLY))) / log(last / first)
    scale = last / (-log(1.0 - LATE)) ** (1.0 / shape)
    return 1.0 - exp(-((driven_km / scale) ** shape))


def chance_again(fault: FaultEntry, chance: float, from_km: float, to_km: float) -> float:
    """Chance that a part still clean at `from_km` since it was fitted is spoilt at `to_km`, by a cause that does so
    with this chance in the end; 0 where it is not worth mentioning."""
    assert fault.returns_after_km is not None
    before, after = (chance * share_back(fault.returns_after_km, km) for km in (from_km, to_km))
    if before >= 1.0:
        return 0.0
    grown = (after - before) / (1.0 - before)
    return grown if grown >= LEAST_CHANCE else 0.0
