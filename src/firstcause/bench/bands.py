"""A number against the borders of its test: how likely it is under each outcome, given how such numbers scatter."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import erf, hypot, sqrt

from firstcause.bench.reading import BenchJudgement, ImpossibleReading
from firstcause.knowledge.measure import Measures
from firstcause.knowledge.schema import TestEntry
from firstcause.tongue import _

ALL_BUT_CERTAIN = 0.97
NAMED_FROM = 0.4  # an outcome less likely than this is not named as the one that was seen
_SAME = 1e-6  # of two outcomes that are equally likely the less striking one is named

Circumstances = Mapping[str, str | float]


@dataclass(frozen=True)
class Meaning:
    """What the circumstances do to a number: what is added to it, how it scatters then, and what is said about it."""

    add: float
    spread: float
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class Judged:
    """The value that is compared, in `unit`, and the words before the verdict."""

    value: float
    unit: str
    words: str
    notes: tuple[str, ...] = ()
    circumstances: Circumstances = field(default_factory=dict)


def below(border: float, value: float, spread: float) -> float:
    """P(the true value is below the border | this reading): normal errors, and no place near the border preferred."""
    return 0.5 * (1.0 + erf((border - value) / (spread * sqrt(2.0))))


def meaning_of(measures: Measures, circumstances: Circumstances) -> Meaning:
    """How a number must be read under these circumstances; spreads add as squares. What is not listed changes nothing.

    Source: ours; the figures stand in the knowledge file.
    """
    add, spread, notes = 0.0, measures.spread, []
    for each in measures.circumstances:
        told = circumstances.get(each.name, "")
        if (told.strip().lower() if isinstance(told, str) else f"{told:g}") == each.value.lower():
            add, spread = add + each.add, hypot(spread, each.spread)
            notes.append(
                _("With {replace} {value}: {why}", replace=each.name.replace("-", " "), value=each.value, why=each.why)
            )
    return Meaning(add, spread, tuple(notes))


def weights_in_bands(measures: Measures, value: float, meaning: Meaning) -> dict[str, float]:
    """Likelihood of the value under each outcome, adding up to 1; an outcome on both sides gets both shares."""
    cuts = [below(border, value + meaning.add, meaning.spread) for border in measures.borders]
    found = dict.fromkeys(measures.bands, 0.0)
    for band, low, high in zip(measures.bands, (0.0, *cuts), (*cuts, 1.0), strict=True):
        found[band] += high - low
    return found


def strongest_of(test: TestEntry, several: list[dict[str, float]]) -> dict[str, float]:
    """Several readings of one test taken as one: the most striking of their outcomes is what one sees."""
    result, before = {}, 0.0
    at_most = [0.0] * len(several)
    for outcome in test.outcomes:
        at_most = [total + each.get(outcome.id, 0.0) for total, each in zip(at_most, several, strict=True)]
        together = 1.0
        for total in at_most:
            together *= min(total, 1.0)
        result[outcome.id], before = together - before, together
    return result


def judge(test: TestEntry, judged: Judged) -> BenchJudgement:
    """A value judged by the borders of its test under its circumstances."""
    measures = measures_of(test)
    meaning = meaning_of(measures, judged.circumstances)
    return verdict(test, judged, meaning, weights_in_bands(measures, judged.value, meaning))


def verdict(test: TestEntry, judged: Judged, meaning: Meaning, weights: Mapping[str, float]) -> BenchJudgement:
    """The judgement in words, from the weights on the outcomes."""
    measures = measures_of(test)
    near = min(measures.borders, key=lambda each: abs(each - judged.value - meaning.add)) - meaning.add
    order = [outcome.id for outcome in test.outcomes if outcome.id in weights]
    highest = max(weights.values())
    likeliest = next(each for each in order if weights[each] >= highest - _SAME)
    said = likeliest.replace("-", " ")
    if highest < ALL_BUT_CERTAIN:
        shares = ", ".join(
            f"{each.replace('-', ' ')} {100 * weights[each]:.0f}" for each in order if weights[each] >= 0.005
        )
        said = _(
            "such readings scatter by {spread:.3g} {unit}, so of 100 alike: {shares}",
            spread=meaning.spread,
            unit=judged.unit,
            shares=shares,
        )
    title = next((source.title for source in test.sources if source.id == measures.source), "")
    return BenchJudgement(
        test=test.id,
        quantity=measures.quantity,
        value=judged.value,
        unit=judged.unit,
        limit=_limit(test, measures, judged.value + meaning.add) - meaning.add,
        limit_source=title or _("{replace}, no source", replace=measures.basis.replace("-", " ")),
        mark=measures.basis.replace("-", " "),
        outcome=likeliest if highest >= NAMED_FROM else None,
        sentence=_(
            "{words}; the border is {near:.4g} {unit}: {said}.",
            words=judged.words,
            near=near,
            unit=judged.unit,
            said=said,
        ),
        notes=(*judged.notes, *meaning.notes),
        weights={each.id: weights.get(each.id, 0.0) for each in test.outcomes},
        spread=meaning.spread,
    )


def _limit(test: TestEntry, measures: Measures, value: float) -> float:
    """The border of the most striking outcome: the one that condemns; of two, the nearer."""
    striking = max(measures.bands, key=[outcome.id for outcome in test.outcomes].index)
    sides = [
        border
        for border, low, high in zip(measures.borders, measures.bands[:-1], measures.bands[1:], strict=True)
        if striking in (low, high)
    ]
    return min(sides, key=lambda border: abs(border - value))


def measures_of(test: TestEntry) -> Measures:
    """The test's [measures]; raises ImpossibleReading when it has none."""
    if test.measures is None:
        raise ImpossibleReading(f"the test {test.id!r} has outcomes, no numbers")
    return test.measures
