"""How a probability is said: never as certain, with no false precision, with a caution where it is high."""

from __future__ import annotations

from firstcause.tongue import N_, _

HIGH = 0.8
CAUTION = N_(
    "Shares above 80 in 100 are strong suspicion, not proof: they have not been counted against real cars yet. In a "
    "trial with numbers wrong on purpose, what was called 82 in 100 was so in 63 to 74."
)
"""Source: ours, simulated cases under a misspecified model, 27 to 42 of about 360 a row called that high."""


def in_words(probability: float) -> str:
    """`47 in 100`; `under 1 in 100` and `over 99 in 100` at the ends."""
    return _rounded(probability, _(" in 100"))


def percent(probability: float) -> str:
    """`47 %`; `under 1 %` and `over 99 %` at the ends."""
    return _rounded(probability, " %")


def one_in(probability: float) -> str:
    """A small share as `1 in 630`, two digits; from 1 in 100 on as `in_words`."""
    if probability >= 0.01:
        return in_words(probability)
    if probability < 1e-6:
        return _("under 1 in 1,000,000")
    many = 1.0 / probability
    step = 10 ** (len(str(int(many))) - 2)
    return _("1 in {round:,}", round=round(many / step) * step)


def share(probability: float) -> str:
    """`47 %`, and a small share as `1 in 630`."""
    return percent(probability) if probability >= 0.01 else one_in(probability)


def drawn(probability: float) -> float:
    """The share of a bar to fill, 0 to 1: something is always left open, and something always there."""
    return min(0.99, max(0.005, probability))


def decibans(weight: float) -> str:
    """`+11 dB`, `-4 dB`; `0 dB` where it rounds to nothing."""
    return f"{weight:+.0f} dB" if abs(weight) >= 0.5 else _("0 dB")


def _rounded(probability: float, unit: str) -> str:
    whole = round(probability * 100)
    return (
        _("over 99{unit}", unit=unit)
        if whole > 99
        else _("under 1{unit}", unit=unit)
        if whole < 1
        else f"{whole}{unit}"
    )
