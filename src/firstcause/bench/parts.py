"""Parts against their sisters and their specification: resistance out of family, plug gap."""

from __future__ import annotations

from collections.abc import Mapping
from statistics import median

from firstcause.bench.reading import BenchJudgement, ImpossibleReading, require_positive

FAMILY_PERCENT = 15.0  # common practice, no source
WIDE_GAP = 1.4  # times the specified gap; common practice, no source


def judge_resistance(test: str, ohms: Mapping[int, float], cylinder: int) -> BenchJudgement:
    """One part's resistance against the median of its sisters on the same engine; ohms by cylinder number.

    "out-of-family" when it is more than 15 % away. `test` is the id of the knowledge test ("coil-resistance",
    "injector-resistance"). An open circuit is given as infinity and is out of family.

    Raises ImpossibleReading for fewer than two sisters, a missing cylinder, or a value that is not above 0.

    Source: common practice, no source.
    """
    sisters = [value for number, value in ohms.items() if number != cylinder]
    if cylinder not in ohms:
        raise ImpossibleReading(f"the part of cylinder {cylinder} was not measured")
    if len(sisters) < 2:
        raise ImpossibleReading("fewer than two sisters to compare with")
    require_positive(sisters, "a resistance")
    value = ohms[cylinder]
    if not value >= 0:
        raise ImpossibleReading(f"a resistance of {value:g}")
    away = 100 * (value / median(sisters) - 1)
    outcome = "out-of-family" if abs(away) > FAMILY_PERCENT else "in-family"
    shown = (
        "an open circuit"
        if value == float("inf")
        else f"{value:.2f} ohm, {away:+.0f} % from its sisters ({median(sisters):.2f} ohm)"
    )
    sentence = f"The part of cylinder {cylinder} shows {shown}; up to 15 % is family: {outcome.replace('-', ' ')}."
    note = "Measured cold and at rest: a part in family can still fail hot or under load."
    return BenchJudgement(
        test, "distance from the sisters' median", away, "%", FAMILY_PERCENT, "common practice, no source",
        "common practice", outcome, sentence, (note,),
    )  # fmt: skip


def judge_plug_gap(gap_mm: float, specified_mm: float) -> BenchJudgement:
    """A plug gap against its specification: "wide" above 1.4 times, else "in-spec"; mm.

    Raises ImpossibleReading for a gap or a specification that is not above 0.

    Source: common practice, no source; the specified gap is the maker's.
    """
    require_positive((gap_mm, specified_mm), "a plug gap")
    share = gap_mm / specified_mm
    outcome = "wide" if share > WIDE_GAP + 1e-9 else "in-spec"
    sentence = (
        f"The gap is {gap_mm:.2f} mm, {share:.2f} times the specified {specified_mm:.2f} mm; "
        f"above 1.4 times is worn: {outcome.replace('-', ' ')}."
    )
    return BenchJudgement(
        "plug-gap", "gap over specification", share, "times", WIDE_GAP, "common practice, no source", "common practice",
        outcome, sentence, ("Do not scrape or bend tips of precious metal.",),
    )  # fmt: skip
