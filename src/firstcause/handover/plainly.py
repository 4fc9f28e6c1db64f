"""Numbers said plainly: chances, rates, distances, money, dates and places in an owner's words, the figure beside."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from math import floor, log10
from typing import Literal

from firstcause import tongue
from firstcause.casebook.words import place_said
from firstcause.tongue import N_, _
from firstcause.units import MILE_KM
from firstcause.vehicle.layout import EngineLayout
from firstcause.vehicle.place import Place

DistanceUnit = Literal["km", "mi"]

# Which word for which chance: judgement (ours). The figure always stands beside the word.
_CHANCE_WORDS: tuple[tuple[float, str], ...] = N_(
    (
        (0.95, "very likely"),
        (0.75, "likely"),
        (0.55, "more likely than not"),
        (0.45, "as likely as not"),
        (0.20, "possible"),
        (0.05, "unlikely"),
        (0.0, "very unlikely"),
    )
)


def chance_figure(probability: float) -> str:
    """`about 6 in 10` between 0.15 and 0.85, `about 4 in 100` outside, `less than 1 in 100`, `more than 99 in 100`."""
    if probability < 0.01:
        return _("less than 1 in 100")
    if probability > 0.99:
        return _("more than 99 in 100")
    if 0.15 <= probability <= 0.85:
        return _("about {round} in 10", round=round(10 * probability))
    return _("about {round} in 100", round=round(100 * probability))


def chance_number(probability: float) -> str:
    """A chance to three places for the record: `0.412`, `under 0.001`, `over 0.999`; never 0 or 1."""
    if probability < 0.001:
        return _("under 0.001")
    return _("over 0.999") if probability > 0.999 else tongue.number(probability, ".3f")


def chance_words(probability: float) -> str:
    """A chance in words and figure: `likely (about 8 in 10)`."""
    word = next(_(word) for least, word in _CHANCE_WORDS if probability >= least)
    return f"{word} ({chance_figure(probability)})"


def one_in(share: float) -> int:
    """The 1-in-N of a rate, N rounded down to two figures, so that the rate said is never below the rate meant.

    `share` lies above 0 and is at most 1.
    """
    many = 1.0 / share
    step = 10 ** max(0, floor(log10(many)) - 1)
    return int(many // step * step)


def count_words(number: int) -> str:
    """`13,500`."""
    return tongue.number(number, ",")


def distance_words(km: float, unit: DistanceUnit) -> str:
    """A distance in the owner's unit, to the unit: `148,000 km`."""
    value = km if unit == "km" else km / MILE_KM
    return f"{tongue.number(value)} {unit}"


def about_distance(km: float, unit: DistanceUnit) -> str:
    """A rough distance, to two figures: `2,400 km`, `1,500 mi`."""
    value = km if unit == "km" else km / MILE_KM
    step = 10 ** max(0, floor(log10(value)) - 1) if value >= 10 else 1
    return f"{tongue.number(round(value / step) * step)} {unit}"


def span_words(from_km: float, to_km: float, unit: DistanceUnit) -> str:
    """`2,400 to 9,700 km`; a span that begins at nothing is `within 20,000 km`."""
    last = about_distance(to_km, unit)
    if from_km <= 0:
        return _("within {last}", last=last)
    return _("{first} to {last}", first=about_distance(from_km, unit).rpartition(" ")[0], last=last)


def money_words(amount: float, currency: str) -> str:
    """An amount without cents: `USD 1,250`."""
    return _("{currency} {amount:,.0f}", currency=currency, amount=amount)


def time_words(minutes: float) -> str:
    """`8 min`; from two hours on in hours: `7.5 h`."""
    return f"{minutes:.0f} min" if minutes < 120 else f"{tongue.number(minutes / 60, '.2g')} h"


def date_words(moment: datetime) -> str:
    """`4 March 2026`."""
    return tongue.date(moment)


def moment_words(moment: datetime) -> str:
    """`2026-03-04 16:30`, as the clock of the workshop showed it."""
    return f"{moment:%Y-%m-%d %H:%M}"


def place_words(place: Place, layout: EngineLayout) -> str:
    """Where on the engine: `cylinder 3`, `between cylinders 2 and 3`, `the whole engine`.

    `bank 1` only where there are two: an engine in line has no banks to its owner.
    """
    if place.kind == "joint":
        return _("between cylinders {numbers} and {numbers2}", numbers=place.numbers[0], numbers2=place.numbers[1])
    whole = place.kind == "engine" or (place.kind == "bank" and len(layout.banks) == 1)
    return _("the whole engine") if whole else place_said(place)


def listed(items: Sequence[str], last: str | None = None) -> str:
    """`a`, `a and b`, `a, b and c`."""
    if len(items) < 2:
        return "".join(items)
    return f"{', '.join(items[:-1])} {last or _('and')} {items[-1]}"


def sentence(text: str) -> str:
    """A text with a capital at its beginning and a stop at its end."""
    text = text.strip()
    if not text:
        return text
    return f"{text[0].upper()}{text[1:]}{'' if text[-1] in '.!?”' else '.'}"
