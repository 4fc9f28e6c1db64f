"""Numbers said plainly: chances, rates, distances, money, dates and places in an owner's words, the figure beside."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from math import floor, log10
from typing import Literal

from firstcause.units import MILE_KM
from firstcause.vehicle.layout import EngineLayout
from firstcause.vehicle.place import Place

DistanceUnit = Literal["km", "mi"]

# Which word for which chance: judgement (ours). The figure always stands beside the word.
_CHANCE_WORDS: tuple[tuple[float, str], ...] = (
    (0.95, "very likely"),
    (0.75, "likely"),
    (0.55, "more likely than not"),
    (0.45, "as likely as not"),
    (0.20, "possible"),
    (0.05, "unlikely"),
    (0.0, "very unlikely"),
)


def chance_figure(probability: float) -> str:
    """`about 6 in 10` between 0.15 and 0.85, `about 4 in 100` outside, `less than 1 in 100`, `more than 99 in 100`."""
    if probability < 0.01:
        return "less than 1 in 100"
    if probability > 0.99:
        return "more than 99 in 100"
    if 0.15 <= probability <= 0.85:
        return f"about {round(10 * probability)} in 10"
    return f"about {round(100 * probability)} in 100"


def chance_number(probability: float) -> str:
    """A chance to three places for the record: `0.412`, `under 0.001`, `over 0.999`; never 0 or 1."""
    if probability < 0.001:
        return "under 0.001"
    return "over 0.999" if probability > 0.999 else f"{probability:.3f}"


def chance_words(probability: float) -> str:
    """A chance in words and figure: `likely (about 8 in 10)`."""
    word = next(word for least, word in _CHANCE_WORDS if probability >= least)
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
    return f"{number:,}"


def distance_words(km: float, unit: DistanceUnit) -> str:
    """A distance in the owner's unit, to the unit: `148,000 km`."""
    value = km if unit == "km" else km / MILE_KM
    return f"{value:,.0f} {unit}"


def about_distance(km: float, unit: DistanceUnit) -> str:
    """A rough distance, to two figures: `2,400 km`, `1,500 mi`."""
    value = km if unit == "km" else km / MILE_KM
    step = 10 ** max(0, floor(log10(value)) - 1) if value >= 10 else 1
    return f"{round(value / step) * step:,.0f} {unit}"


def span_words(from_km: float, to_km: float, unit: DistanceUnit) -> str:
    """`2,400 to 9,700 km`; a span that begins at nothing is `within 20,000 km`."""
    last = about_distance(to_km, unit)
    if from_km <= 0:
        return f"within {last}"
    return f"{about_distance(from_km, unit).rpartition(' ')[0]} to {last}"


def money_words(amount: float, currency: str) -> str:
    """An amount without cents: `USD 1,250`."""
    return f"{currency} {amount:,.0f}"


def time_words(minutes: float) -> str:
    """`8 min`; from two hours on in hours: `7.5 h`."""
    return f"{minutes:.0f} min" if minutes < 120 else f"{minutes / 60:.2g} h"


def date_words(moment: datetime) -> str:
    """`4 March 2026`."""
    return f"{moment.day} {moment:%B %Y}"


def moment_words(moment: datetime) -> str:
    """`2026-03-04 16:30`, as the clock of the workshop showed it."""
    return f"{moment:%Y-%m-%d %H:%M}"


def place_words(place: Place, layout: EngineLayout) -> str:
    """Where on the engine: `cylinder 3`, `between cylinders 2 and 3`, `the whole engine`.

    `bank 1` only where there are two: an engine in line has no banks to its owner.
    """
    if place.kind == "joint":
        return f"between cylinders {place.numbers[0]} and {place.numbers[1]}"
    whole = place.kind == "engine" or (place.kind == "bank" and len(layout.banks) == 1)
    return "the whole engine" if whole else str(place)


def listed(items: Sequence[str], last: str = "and") -> str:
    """`a`, `a and b`, `a, b and c`."""
    return items[0] if len(items) == 1 else f"{', '.join(items[:-1])} {last} {items[-1]}" if items else ""


def sentence(text: str) -> str:
    """A text with a capital at its beginning and a stop at its end."""
    text = text.strip()
    if not text:
        return text
    return f"{text[0].upper()}{text[1:]}{'' if text[-1] in '.!?”' else '.'}"
