"""Misfire counts as counts: how likely k misfires in n ignition events are at each strength of misfiring."""

from __future__ import annotations

from collections.abc import Mapping
from functools import lru_cache
from math import exp, lgamma, prod
from typing import Literal

from firstcause.knowledge.schema import CountLevel, Misfires, Spill
from firstcause.reasoning.history import Region

Strength = Literal["none", "light", "heavy", "dead"]
STRENGTHS: tuple[Strength, ...] = ("none", "light", "heavy", "dead")


@lru_cache(maxsize=65536)
def beta_binomial(k: int, n: int, a: float, b: float) -> float:
    """P(k of n) when the share is Beta(a, b): C(n, k) B(k + a, n - k + b) / B(a, b).

    Counts of one car scatter more than a binomial; the beta-binomial is the standard form for that.
    Source: textbook formula; checked against scipy.stats.betabinom in the tests.
    """
    return exp(
        lgamma(n + 1) - lgamma(k + 1) - lgamma(n - k + 1)
        + lgamma(k + a) + lgamma(n - k + b) - lgamma(n + a + b)
        - lgamma(a) - lgamma(b) + lgamma(a + b)
    )  # fmt: skip


def strength_weights(misfires: int, firings: int, levels: Mapping[Strength, CountLevel]) -> tuple[float, ...]:
    """Likelihood of the count under each strength of STRENGTHS."""
    return tuple(beta_binomial(misfires, firings, levels[name].a, levels[name].b) for name in STRENGTHS)


def with_spill(
    weights: tuple[float, ...], misfires: int, elsewhere: int, spill: Spill, chance: float
) -> tuple[float, ...]:
    """The same weights when a sound cylinder may have been given a share of another cylinder's misfires.

    `elsewhere` is the count of the cylinder that misfired most, `chance` how often there is such spill at all.
    """
    if elsewhere <= misfires:
        return weights
    spilt = beta_binomial(misfires, elsewhere, spill.a, spill.b)
    return ((1.0 - chance) * weights[0] + chance * spilt, *weights[1:])


def chance_at_work(behaviour: Misfires, minutes: Mapping[Region, float]) -> float:
    """Chance that a present fault is at work at least once in a reading of so many minutes by region."""
    return 1.0 - prod(1.0 - behaviour.acts[region] * caught(behaviour, watched) for region, watched in minutes.items())


def caught(behaviour: Misfires, watched_min: float) -> float:
    """Chance that so many minutes in its region catch a fault that is able to act there.

    A steady fault shows however short the look; one that comes in bouts needs a bout to fall into it:
    1 - exp(-t / mean time between bouts).
    """
    if watched_min <= 0.0:
        return 0.0
    between = behaviour.minutes_between_bouts
    return 1.0 - exp(-watched_min / between) if between > 0.0 else 1.0


def strength_cumulative(behaviour: Misfires, at_work: float) -> tuple[float, ...]:
    """P(strength <= s) for each of STRENGTHS from one fault that is at work with this chance."""
    light = 1.0 - at_work + at_work * behaviour.strength.get("light", 0.0)
    heavy = light + at_work * behaviour.strength.get("heavy", 0.0)
    return (1.0 - at_work, min(light, 1.0), min(heavy, 1.0), 1.0)
