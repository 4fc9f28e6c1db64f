"""Cranking compression: each cylinder against the best one, dry, and wet against a good cylinder's own rise."""

from __future__ import annotations

from collections.abc import Mapping

from firstcause.bench.reading import BenchJudgement, ImpossibleReading, require_positive
from firstcause.units import KPA_PER_PSI
from firstcause.vehicle.layout import EngineLayout

# 75 % of the highest: US Army TM 5-4210-230-14&P-1, compression test (read in an excerpt).
LOW_SHARE = 0.75
LOW_SOURCE = "US Army TM 5-4210-230-14&P-1: the lowest cylinder at least 75 % of the highest"
SOMEWHAT_LOW_SHARE = 0.90
_ON_THE_LINE = 1e-9  # a reading exactly on a limit stays on its good side after a change of unit
# The wet rise of a good cylinder with the same oil is volume only; a tenth more than that is sealing.
WET_MARGIN = 1.10
WET_SOURCE = "common practice, no source: a tenth more than a good cylinder rises with the same oil"
# US Army TM 10-3930-647-14&P: a wet rise of 10 psi or more points to rings (read in an excerpt).
WET_RISE_KPA = 10 * KPA_PER_PSI


def judge_dry(
    compression_kpa: Mapping[int, float], cylinder: int, layout: EngineLayout | None = None
) -> BenchJudgement:
    """One cylinder's cranking pressure against the best of all; gauge kPa by cylinder number.

    "even" at 90 % of the best or more, "somewhat-low" from 75 %, "low" below. With a `layout`, a low neighbour
    is pointed out. An engine that is low in every cylinder alike looks even here, and the note says so.

    Raises ImpossibleReading for fewer than two cylinders, a missing one, or a pressure that is not above 0.

    Source: TM 5-4210-230-14&P-1 for 75 %; 90 % is common practice, no source.
    """
    require_positive(compression_kpa.values(), "a compression")
    if cylinder not in compression_kpa:
        raise ImpossibleReading(f"cylinder {cylinder} was not measured")
    if len(compression_kpa) < 2:
        raise ImpossibleReading("one cylinder alone has nothing to be compared with")
    best = max(compression_kpa, key=lambda n: compression_kpa[n])
    share = compression_kpa[cylinder] / compression_kpa[best]
    outcome = (
        "low"
        if share < LOW_SHARE - _ON_THE_LINE
        else "somewhat-low"
        if share < SOMEWHAT_LOW_SHARE - _ON_THE_LINE
        else "even"
    )
    notes = [
        "A small leak costs little at cranking speed: an even reading speaks only weakly against a valve or ring leak."
    ]
    if outcome == "even":
        notes.append("All cylinders low alike would look even too; compare with the engine's own figure.")
    if layout is not None and outcome != "even":
        low = [
            n
            for n in layout.neighbours(cylinder)
            if n in compression_kpa and compression_kpa[n] < LOW_SHARE * compression_kpa[best]
        ]
        if low:
            notes.append(f"Cylinder {low[0]} beside it is low too: think of the head gasket between them.")
    sentence = (
        f"Cylinder {cylinder} reads {compression_kpa[cylinder]:.0f} kPa, {100 * share:.0f} % of the best "
        f"(cylinder {best}, {compression_kpa[best]:.0f} kPa); the limit is 75 %: {outcome.replace('-', ' ')}."
    )
    return BenchJudgement(
        "compression-dry", "share of the best cylinder", 100 * share, "%", 100 * LOW_SHARE, LOW_SOURCE,
        "published, read in an excerpt",
        outcome, sentence, tuple(notes),
    )  # fmt: skip


def judge_wet(
    dry_kpa: float, wet_kpa: float, good_dry_kpa: float | None = None, good_wet_kpa: float | None = None
) -> BenchJudgement:
    """The rise with oil in the bore, corrected by the rise of a good cylinder given the same oil; gauge kPa.

    Oil fills volume, so a sound cylinder rises too. Without a good cylinder's pair the outcome is None.

    Raises ImpossibleReading for pressures that are not above 0 or only half of the good pair.

    Source: TM 10-3930-647-14&P (rise of 10 psi or more = rings); the correction is ours, for the added volume.
    """
    require_positive((dry_kpa, wet_kpa), "a compression")
    rise = wet_kpa / dry_kpa
    caution = "Oil in the bore fouls the plug and changes a leak-down test: do that one first, and clean the plug."
    if good_dry_kpa is None or good_wet_kpa is None:
        if good_dry_kpa is not None or good_wet_kpa is not None:
            raise ImpossibleReading("of the good cylinder only one of its two readings is given")
        published = "reaches" if wet_kpa - dry_kpa >= WET_RISE_KPA else "stays below"
        sentence = (
            f"With oil it rose from {dry_kpa:.0f} to {wet_kpa:.0f} kPa, which {published} the published 10 psi. "
            "Oil takes up room, so a good cylinder rises too: put the same oil into a good one before you judge."
        )
        source = "US Army TM 10-3930-647-14&P: a rise of 10 psi or more"
        return BenchJudgement(
            "compression-wet", "rise with oil", wet_kpa - dry_kpa, "kPa", WET_RISE_KPA, source,
            "published, read in an excerpt",
            None, sentence, (caution,),
        )  # fmt: skip
    require_positive((good_dry_kpa, good_wet_kpa), "a compression")
    good_rise = good_wet_kpa / good_dry_kpa
    beyond = rise / good_rise
    outcome = "rises-clearly" if beyond > WET_MARGIN else "no-more-than-a-good-one"
    meaning = (
        "the oil seals something: rings or bore"
        if outcome == "rises-clearly"
        else "the oil only takes up room: not the rings"
    )
    sentence = f"With oil it rose {rise:.2f} times, a good cylinder {good_rise:.2f} times with the same oil: {meaning}."
    return BenchJudgement(
        "compression-wet", "rise beyond a good cylinder's", beyond, "times", WET_MARGIN, WET_SOURCE, "common practice",
        outcome, sentence, (caution,),
    )  # fmt: skip
