"""Cranking compression: each cylinder against the best one, dry, and wet against a good cylinder's own rise."""

from __future__ import annotations

from collections.abc import Mapping

from firstcause.bench.bands import Circumstances, Judged, judge, measures_of
from firstcause.bench.reading import BenchJudgement, ImpossibleReading, require_positive
from firstcause.knowledge.schema import TestEntry
from firstcause.tongue import _
from firstcause.units import KPA_PER_PSI, STANDARD_ATMOSPHERE_KPA
from firstcause.vehicle.layout import EngineLayout

# The borders of the knowledge file are meant for a warm engine turned by a good battery.
USUAL_CRANKING_RPM = 200.0
# US Army TM 10-3930-647-14&P: a wet rise of 10 psi or more points to rings (read in an excerpt).
WET_RISE_KPA = 10 * KPA_PER_PSI
WET_SOURCE = "US Army TM 10-3930-647-14&P: a rise of 10 psi or more"
# Polytropic index of compression in a spark-ignition engine: 1.3 +/- 0.05 (Heywood, ch. 9; from memory).
POLYTROPIC = 1.3
# Where compression begins for a usual cam, seen in the swept volume: the inlet closes 65 degrees after bottom centre,
# with a rod of 3.3 cranks some 79 % of the stroke is left. Judgement.
STROKE_LEFT_AT_CLOSING = 0.79
_OIL_CAUTION = "Oil in the bore fouls the plug and changes a leak-down test: do that one first, and clean the plug."


def at_usual_speed(share: float, cranking_rpm: float) -> float:
    """A cylinder's share of the best one as it would be at 200 rpm.

    A leak has less time the faster the engine turns: what is left falls as exp(-time / constant), so the logarithm of
    the share goes with 1 / rpm. Source: ours; within 1 point of a crank-resolved model for 100 to 300 rpm down to
    a share of 0.74, within 2.5 points at 0.59.
    """
    return float(share ** (cranking_rpm / USUAL_CRANKING_RPM))


def judge_dry(
    test: TestEntry,
    compression_kpa: Mapping[int, float],
    cylinder: int,
    layout: EngineLayout | None = None,
    circumstances: Circumstances | None = None,
) -> BenchJudgement:
    """One cylinder's cranking pressure against the best of all; gauge kPa by cylinder number.

    With `cranking-rpm` under the circumstances the share is first turned into that at 200 rpm. With a `layout`, a low
    neighbour is pointed out. An engine that is low in every cylinder alike looks even here, and the note says so.

    Raises ImpossibleReading for fewer than two cylinders, a missing one, a pressure that is not above 0, or a cranking
    speed that no starter gives.
    """
    require_positive(compression_kpa.values(), _("a compression"))
    if cylinder not in compression_kpa:
        raise ImpossibleReading(f"cylinder {cylinder} was not measured")
    if len(compression_kpa) < 2:
        raise ImpossibleReading("one cylinder alone has nothing to be compared with")
    under = dict(circumstances or {})
    best = max(compression_kpa, key=lambda n: compression_kpa[n])
    share = compression_kpa[cylinder] / compression_kpa[best]
    words = _(
        "Cylinder {cylinder} reads {compression_kpa:.0f} kPa, {it:.0f} % of the best "
        "(cylinder {best}, {compression_kpa2:.0f} kPa)",
        cylinder=cylinder,
        compression_kpa=compression_kpa[cylinder],
        it=100 * share,
        best=best,
        compression_kpa2=compression_kpa[best],
    )
    rpm = _cranking_rpm(under)
    if rpm is not None and abs(rpm - USUAL_CRANKING_RPM) > 1.0:
        share = at_usual_speed(share, rpm)
        words += _(
            "; at {rpm:.0f} rpm a leak has other time than at 200, where it would be {it:.0f} %",
            rpm=rpm,
            it=100 * share,
        )
    notes = [
        _(
            "A small leak costs little at cranking speed: an even reading speaks only weakly "
            "against a valve or ring leak."
        )
    ]
    evenly = min(measures_of(test).borders)
    if 100 * share >= max(measures_of(test).borders):
        notes.append(_("All cylinders low alike would look even too; compare with the engine's own figure."))
    elif layout is not None:
        low = [
            n
            for n in layout.neighbours(cylinder)
            if n in compression_kpa and 100 * compression_kpa[n] < evenly * compression_kpa[best]
        ]
        if low:
            notes.append(_("Cylinder {low} beside it is low too: think of the head gasket between them.", low=low[0]))
    return judge(test, Judged(100 * share, "%", words, tuple(notes), under))


def _cranking_rpm(under: Circumstances) -> float | None:
    rpm = under.get("cranking-rpm")
    if rpm is None:
        return None
    try:
        speed = float(rpm)
    except ValueError as error:
        raise ImpossibleReading(f"a cranking speed of {rpm!r}") from error
    if not 40.0 <= speed <= 500.0:
        raise ImpossibleReading(f"a cranking speed of {speed:g} rpm")
    return speed


def oil_rise(oil_ml: float, layout: EngineLayout) -> float:
    """By how many times a sound cylinder's gauge pressure rises when oil takes up room in it; 1.0 without oil.

    `oil_ml` must leave more than half of the clearance volume. Raises ImpossibleReading otherwise.

    Source: polytropic compression, p V^1.3 constant; within 2 % of a crank-resolved model for 2 to 15 ml at 0.5 L.
    """
    swept_ml = 1000.0 * layout.displacement_l / layout.count
    clearance_ml = swept_ml / (layout.compression_ratio - 1.0)
    if not 0 <= oil_ml < 0.5 * clearance_ml:
        raise ImpossibleReading(f"{oil_ml:g} ml of oil in a clearance of {clearance_ml:.0f} ml")
    at_closing = clearance_ml + STROKE_LEFT_AT_CLOSING * swept_ml

    def gauge(oil: float) -> float:
        ratio = (at_closing - oil) / (clearance_ml - oil)
        return float(STANDARD_ATMOSPHERE_KPA * (ratio**POLYTROPIC - 1.0))

    return gauge(oil_ml) / gauge(0.0)


def judge_wet(
    test: TestEntry,
    dry_kpa: float,
    wet_kpa: float,
    good: tuple[float, float] | None = None,
    *,
    oil_ml: float | None = None,
    layout: EngineLayout | None = None,
    circumstances: Circumstances | None = None,
) -> BenchJudgement:
    """The rise with oil in the bore, over the rise of a good cylinder given the same oil; gauge kPa.

    Oil fills volume, so a sound cylinder rises too. `good` is such a cylinder's (dry, wet). Without it, but with
    `oil_ml` and the engine's size, its rise is computed, and the knowledge file says how much wider that scatters.
    With neither the outcome is None.

    Raises ImpossibleReading for pressures that are not above 0.

    Source: TM 10-3930-647-14&P (rise of 10 psi or more = rings); the correction is ours, for the added volume.
    """
    require_positive((dry_kpa, wet_kpa), _("a compression"))
    under = dict(circumstances or {})
    rise = wet_kpa / dry_kpa
    if good is not None:
        require_positive(good, _("a compression"))
        good_rise, whose = good[1] / good[0], _("a good cylinder with the same oil")
    elif oil_ml is not None and layout is not None:
        good_rise, whose = oil_rise(oil_ml, layout), _("a sound one by the room that {oil_ml:g} ml take", oil_ml=oil_ml)
        under["good-cylinder"] = _("not measured")
    else:
        return _alone(test, dry_kpa, wet_kpa)
    beyond = rise / good_rise
    words = _(
        "With oil it rose {rise:.2f} times, {whose} {good_rise:.2f} times: {beyond:.2f} times as much",
        rise=rise,
        whose=whose,
        good_rise=good_rise,
        beyond=beyond,
    )
    return judge(test, Judged(beyond, "times", words, (_OIL_CAUTION,), under))


def _alone(test: TestEntry, dry_kpa: float, wet_kpa: float) -> BenchJudgement:
    published = "reaches" if wet_kpa - dry_kpa >= WET_RISE_KPA else _("stays below")
    sentence = _(
        "With oil it rose from {dry_kpa:.0f} to {wet_kpa:.0f} kPa, which {published} the "
        "published 10 psi. Oil takes up room, so a good cylinder rises too: put the same oil "
        "into a good one, or say how many ml it was.",
        dry_kpa=dry_kpa,
        wet_kpa=wet_kpa,
        published=published,
    )
    return BenchJudgement(
        test.id,
        _("rise with oil"),
        wet_kpa - dry_kpa,
        "kPa",
        WET_RISE_KPA,
        WET_SOURCE,
        _("published, read in an excerpt"),
        None,
        sentence,
        (_OIL_CAUTION,),
    )
