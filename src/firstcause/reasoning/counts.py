"""Counts as counts: how likely k bad ones out of n are at each strength of the complaint."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache
from math import exp, lgamma, prod

from firstcause.knowledge.model_numbers import CountLevel, Spill
from firstcause.knowledge.schema import Behaviour
from firstcause.reasoning.history import Region


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


def strength_weights(bad: int, out_of: int, levels: Mapping[str, CountLevel]) -> tuple[float, ...]:
    """Likelihood of the count under each strength, from none upwards."""
    return tuple(beta_binomial(bad, out_of, level.a, level.b) for level in levels.values())


def with_spill(weights: tuple[float, ...], bad: int, elsewhere: int, spill: Spill, chance: float) -> tuple[float, ...]:
    """The same weights when a sound unit may have been given a share of another one's count.

    `elsewhere` is the largest count, `chance` how often there is such spill at all.
    """
    if elsewhere <= bad:
        return weights
    spilt = beta_binomial(bad, elsewhere, spill.a, spill.b)
    return ((1.0 - chance) * weights[0] + chance * spilt, *weights[1:])


def chance_at_work(behaviour: Behaviour, watched: Mapping[Region, float]) -> float:
    """Chance that a present fault is at work at least once in a reading of so much by region."""
    return 1.0 - prod(1.0 - behaviour.acts[region] * caught(behaviour, much) for region, much in watched.items())


def caught(behaviour: Behaviour, watched: float) -> float:
    """Chance that so much watched in its region catches a fault that is able to act there.

    A steady fault shows however short the look; one that comes in bouts needs a bout to fall into it:
    1 - exp(-t / mean time between bouts).
    """
    if watched <= 0.0:
        return 0.0
    between = behaviour.between_bouts
    return 1.0 - exp(-watched / between) if between > 0.0 else 1.0


def strength_cumulative(behaviour: Behaviour, at_work: float, strengths: Sequence[str]) -> tuple[float, ...]:
    """P(strength <= s) for each strength, from none upwards, from one fault that is at work with this chance."""
    rising = [1.0 - at_work]
    for strength in strengths[1:-1]:
        rising.append(min(rising[-1] + at_work * behaviour.strength.get(strength, 0.0), 1.0))
    return (*rising, 1.0)
