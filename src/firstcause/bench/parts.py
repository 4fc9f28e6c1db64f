"""Numbers that are compared with a specification, with the sisters on the same engine, or with nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from math import isfinite
from statistics import median

from firstcause.bench.bands import (
    Circumstances,
    Judged,
    judge,
    meaning_of,
    measures_of,
    strongest_of,
    verdict,
    weights_in_bands,
)
from firstcause.bench.reading import BenchJudgement, ImpossibleReading, require_positive
from firstcause.knowledge.schema import TestEntry
from firstcause.tongue import _

FEWEST_SISTERS = 2


def judge_share(
    test: TestEntry, value: float, whole: float, unit: str, circumstances: Circumstances | None = None
) -> BenchJudgement:
    """A number as its share (%) of the one that the test asks for first, such as the specified one; both in `unit`.

    Raises ImpossibleReading for a negative value or a whole that is not above 0.
    """
    measures = measures_of(test)
    require_positive((whole,), next(iter(measures.asks.values())).lower())
    if not (isfinite(value) and value >= 0):
        raise ImpossibleReading(f"a value of {value:g}")
    share = 100.0 * value / whole
    what = next(iter(measures.asks.values())).lower()
    words = _(
        "{first}: {value:.4g} {unit}, {share:.0f} % of {whole:.4g} {unit2} ({what})",
        first=_first(measures.quantity),
        value=value,
        unit=unit,
        share=share,
        whole=whole,
        unit2=unit,
        what=what,
    )
    return judge(test, Judged(share, "%", words, (), circumstances or {}))


def judge_distance(
    test: TestEntry, values: Mapping[int, float], cylinder: int, unit: str, circumstances: Circumstances | None = None
) -> BenchJudgement:
    """One cylinder's number against the median of its sisters on the same engine; numbers in `unit` by cylinder.

    Judged by the distance in %, or in the unit itself where the test is judged by `distance-in-unit`. The median,
    not the mean or the highest: one bad sister must not hide another. Infinity (an open circuit) is as far as can be.

    Raises ImpossibleReading for fewer than two sisters, a missing cylinder, or, for %, sisters that are not above 0.

    Source: common practice, no source.
    """
    measures = measures_of(test)
    sisters = [value for number, value in values.items() if number != cylinder]
    if cylinder not in values:
        raise ImpossibleReading(f"cylinder {cylinder} was not measured")
    if len(sisters) < FEWEST_SISTERS:
        raise ImpossibleReading("fewer than two sisters to compare with; write others = { 1 = …, 2 = … }")
    value, middle = values[cylinder], median(sisters)
    if measures.judged_by == "distance-in-unit":
        away, away_unit, shown = value - middle, unit, f"{value - middle:+.3g} {unit}"
    else:
        require_positive(sisters, measures.quantity.lower())
        if not value >= 0:
            raise ImpossibleReading(f"a value of {value:g}")
        away, away_unit = 100.0 * (value / middle - 1.0), "%"
        shown = f"{away:+.0f} %"
    said = (
        _("an open circuit")
        if value == float("inf")
        else _("{value:.4g} {unit}, {shown} from its sisters", value=value, unit=unit, shown=shown)
    )
    words = _(
        "{first} at cylinder {cylinder}: {said} ({middle:.4g} {unit})",
        first=_first(measures.quantity),
        cylinder=cylinder,
        said=said,
        middle=middle,
        unit=unit,
    )
    return judge(test, Judged(away, away_unit, words, (), circumstances or {}))


def judge_readings(
    test: TestEntry, value: float, also: Mapping[str, float], circumstances: Circumstances | None = None
) -> BenchJudgement:
    """A reading in the test's own unit, and such readings taken in other states, by the state (`at`).

    Each is judged with the circumstance of its state; the most striking is what one sees.

    Raises ImpossibleReading beyond what the test holds possible.
    """
    measures, under = measures_of(test), dict(circumstances or {})
    each = [(value, under), *((number, {**under, "at": state}) for state, number in also.items())]
    for number, __ in each:
        if not isfinite(number):
            raise ImpossibleReading(f"{number:g} {measures.unit}")
        if measures.possible is not None and not measures.possible[0] <= number <= measures.possible[1]:
            low, high = measures.possible
            raise ImpossibleReading(f"{number:g} {measures.unit} is outside {low:g} to {high:g} {measures.unit}")
    meanings = [meaning_of(measures, state) for __, state in each]
    weights = [
        weights_in_bands(measures, number, meaning) for (number, __), meaning in zip(each, meanings, strict=True)
    ]
    least = test.outcomes[0].id
    telling = min(range(len(each)), key=lambda n: weights[n].get(least, 0.0))
    shown = ", ".join(f"{number:.4g} {measures.unit}{_state(state)}" for number, state in each)
    judged = Judged(each[telling][0], measures.unit, f"{_first(measures.quantity)}: {shown}")
    return verdict(test, judged, meanings[telling], strongest_of(test, weights))


def _state(state: Circumstances) -> str:
    return f" {state['at']}" if state.get("at") else ""


def _first(words: str) -> str:
    return words[:1].upper() + words[1:]
