"""What the car's records do next, and when: drives made into cycles, spans of days, both readings, inspections."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import date, timedelta

import numpy as np
import pytest

from firstcause.roadtest.coming import OPEN_READINGS, Coming, coming
from firstcause.roadtest.coming_days import ALL_CHECKS, Asked, Standing
from firstcause.roadtest.cycles import cycles_of, where_of
from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.inspection import INSPECTIONS
from firstcause.roadtest.judgement import DriveFacts, judge_drive
from firstcause.roadtest.records import CodeRecord, PermanentRecord, Ran, Records, RuleReading, Sighting, after_cycle
from firstcause.roadtest.usual import ImpossibleDriving, UsualDriving
from firstcause.roadtest.window import FreezeFrame, most_misfires_in

FRAME = FreezeFrame(1500, 40, 90)
TODAY = date(2026, 3, 2)
READY = frozenset(ALL_CHECKS)
LIT = Records(
    (CodeRecord("P0303", "misfire", where_of(FRAME), None, confirmed=True, lamp=True),),
    (PermanentRecord("P0303", "misfire"),), READY,
)  # fmt: skip
ERASED = Records((), (PermanentRecord("P0303", "misfire", after_erase=True),), frozenset())


def drive(seconds: int = 800, *, rpm: float = 1500, load: float = 40, every: int = 0) -> DriveLog:
    """Cold start, 60 s of idle, the rest at 60 km/h; cylinder 3 misses once in `every` seconds."""
    at = np.arange(seconds + 1.0)
    idle = at < 60
    counter = np.floor(at / every) if every else np.zeros(at.size)
    return DriveLog(
        time_s=at, rpm=np.where(idle, 750.0, rpm), speed_kmh=np.where(idle, 0.0, 60.0),
        load_percent=np.where(idle, 20.0, load), coolant_c=np.minimum(15 + at / 4, 90), run_time_s=at,
        ambient_c=np.full(at.size, 12.0), altitude_m=np.full(at.size, 200.0),
        misfires={number: counter if number == 3 else np.zeros(at.size) for number in (1, 2, 3, 4)},
    )  # fmt: skip


def standing(records: Records, before: Records | None = None) -> Callable[[RuleReading], Standing]:
    return lambda reading: Standing(records, records, before or records)


def ahead(
    records: Records, *, frame: FreezeFrame | None = FRAME, usual: UsualDriving | None = None, year: int | None = None
) -> Coming:
    asked = Asked(frame, usual or UsualDriving(), TODAY, () if year is None else INSPECTIONS, year, draws=60)
    return coming(standing(records), asked)


def test_a_quiet_drive_back_at_the_freeze_frame_is_one_whole_cycle() -> None:
    judged = judge_drive(drive(), FRAME, DriveFacts(code="P0303", cylinders=4)).to_dict()
    (seen,) = cycles_of(judged, ("P0303",), FRAME, cylinders=4, ran={"misfire": True, "catalyst": False})
    assert seen.at_best == seen.at_worst
    assert where_of(FRAME) in seen.at_worst.happened
    assert Ran("misfire") in seen.at_worst.happened
    assert Ran("catalyst") not in seen.at_best.happened
    assert seen.at_worst.minimum_drive(with_limits=True)
    assert seen.at_worst.warm_up
    assert not seen.open_points


@pytest.mark.parametrize(("every", "may"), [(0, False), (20, False), (1, True)])
def test_only_one_percent_in_1000_revolutions_can_make_the_monitor_find_it(every: int, may: bool) -> None:
    """
    1,000 revolutions of four cylinders are 2,000 firings, 1 % is 20: (e)(3.2.2). At 1,500 rpm they last 40 s, so one in
    20 s is 2 of them, one a second 40.
    """
    judged = judge_drive(drive(every=every), FRAME, DriveFacts(code="P0303", cylinders=4)).to_dict()
    (seen,) = cycles_of(judged, ("P0303",), FRAME, cylinders=4, ran={"misfire": True})
    assert any(isinstance(each, Sighting) for each in seen.at_worst.happened) is may
    assert not any(isinstance(each, Sighting) for each in seen.at_best.happened)


def test_the_most_misfires_in_so_many_revolutions_by_hand() -> None:
    """600 rpm are 10 revolutions a second; one misfire a second: any 1,000 revolutions touch 101 of these steps."""
    at = np.arange(301.0)
    log = DriveLog(time_s=at, rpm=np.full(at.size, 600.0), misfires={1: at, 2: np.zeros(at.size)})
    assert most_misfires_in(log, 1000) == pytest.approx(101, abs=1)
    assert most_misfires_in(replace(log, misfires={1: np.zeros(at.size)}), 1000) == 0
    assert most_misfires_in(replace(log, misfires={}), 1000) is None


def test_what_the_recording_leaves_open_counts_both_ways() -> None:
    log = replace(drive(), load_percent=None, run_time_s=None)
    judged = judge_drive(log, FRAME, DriveFacts(code="P0303", cylinders=4)).to_dict()
    (seen,) = cycles_of(judged, ("P0303",), FRAME, cylinders=4)
    assert where_of(FRAME) in seen.at_best.happened
    assert where_of(FRAME) not in seen.at_worst.happened
    assert any("came back" in point for point in seen.open_points)
    assert any("self-checks" in point for point in seen.open_points)


def test_three_drives_to_the_lamp_and_forty_warm_ups_more() -> None:
    """13 CCR 1968.2(d)(2.3), (d)(2.4), (e)(3.4.5), from memory: 3 drives, then 40 warm-ups with the lamp out."""
    found = ahead(LIT)
    assert [(item.kind, item.drives) for item in found.items] == [("lamp", 3), ("confirmed", 43), ("permanent", 3)]
    lamp, stored, permanent = found.items
    assert lamp.span == permanent.span
    assert lamp.span.earliest is not None
    assert lamp.span.latest is not None
    assert stored.span.earliest is not None
    assert TODAY < lamp.span.earliest <= lamp.span.latest
    assert stored.span.earliest > lamp.span.earliest + timedelta(days=20)  # 40 of at most 7 a week


def test_both_readings_of_the_three_quiet_cycles_are_told() -> None:
    (lamp,) = ahead(LIT).of("lamp")
    assert set(lamp.reads_apart) == {"load", "lamp-cycles"}
    latest = dict(lamp.other_readings)["lamp-cycles"].latest
    assert lamp.span.latest is not None
    assert latest is None or latest > lamp.span.latest
    text = " ".join(ahead(LIT).sentences())
    assert "as “three such drives in a row among all drives”: the lamp goes out" in text


def test_the_five_open_readings_are_those_of_the_rules() -> None:
    assert len(OPEN_READINGS) == 5
    for each in OPEN_READINGS:
        assert getattr(replace(RuleReading(), **{each.field: each.value}), each.field) != getattr(
            RuleReading(), each.field
        )


def test_limits_of_cold_and_height_are_an_open_reading_of_the_permanent_record() -> None:
    (permanent,) = ahead(ERASED, usual=UsualDriving(10, 5, 60)).of("permanent")
    assert permanent.drives == 1
    assert permanent.reads_apart == ("permanent-limits",)


def test_the_fifth_reading_misfire_bit_by_model_year() -> None:
    """Before about model year 2019 the misfire and fuel bits always read complete: (g)(4.1), from memory."""
    named = {year: {item.name for item in ahead(ERASED, year=year).of("self-check")} for year in (2010, 2024)}
    assert "misfire" not in named[2010]
    assert "misfire" in named[2024]
    near = ahead(ERASED, year=2018)
    assert "The rule is open here. Read as “the misfire and fuel checks always read complete" in " ".join(
        near.sentences()
    )


def test_what_would_happen_if_it_returns_is_worked_out() -> None:
    text = " ".join(ahead(LIT).sentences())
    assert "P0303 is pending after the first drive" in text
    assert "read the other way, confirmed by the very next drive only" in text


@pytest.mark.parametrize(
    ("year", "rule", "open_checks", "passes"),
    [
        (1998, "us-federal", ["catalyst", "evap"], True),
        (1998, "us-federal", ["catalyst", "evap", "egr-or-vvt"], False),
        (2001, "us-federal", ["evap"], True), (2001, "us-federal", ["catalyst", "evap"], False),
        (2005, "us-california", ["evap"], True), (2005, "us-california", ["catalyst"], False),
        (1998, "us-california", ["catalyst"], True), (2010, "united-kingdom", ["catalyst", "evap"], True),
    ],
)  # fmt: skip
def test_open_self_checks_by_place_and_model_year(year: int, rule: str, open_checks: list[str], passes: bool) -> None:
    """
    16 CCR 3340.42.2(b): more than 2 open fail for 1996-2000, more than 1 for 2001 and newer (read); the same numbers
    for 40 CFR 85.2222(c) and the later California practice (only evap from 2000) from memory.
    """
    (found,) = (each for each in INSPECTIONS if each.id == rule)
    assert found.passes(year, lamp=False, open_checks=open_checks, permanent=False, warm_ups=0, km=0.0) is passes


def test_a_permanent_code_fails_in_california_until_15_warm_ups_and_200_miles() -> None:
    """16 CCR 3340.42.2(c)(5), since 1 July 2019 (read); 15 warm-ups and 200 miles, from 2010, from memory."""
    (rule,) = (each for each in INSPECTIONS if each.id == "us-california")
    asked = {"lamp": False, "open_checks": (), "permanent": True}
    assert not rule.passes(2012, **asked, warm_ups=15, km=320.0)  # type: ignore[arg-type]
    assert not rule.passes(2012, **asked, warm_ups=14, km=322.0)  # type: ignore[arg-type]
    assert rule.passes(2012, **asked, warm_ups=15, km=322.0)  # type: ignore[arg-type]
    assert rule.passes(2009, **asked, warm_ups=0, km=0.0)  # type: ignore[arg-type]


def test_short_hops_take_longer_than_a_commute() -> None:
    far, hops = (
        ahead(ERASED, usual=UsualDriving(10, 5, km)).of("permanent")[0].span for km in (300.0, 40.0)
    )  # fmt: skip
    assert far.latest is not None
    assert hops.latest is None or hops.latest > far.latest + timedelta(days=20)


def test_what_was_driven_has_done_it() -> None:
    judged = judge_drive(drive(), FRAME, DriveFacts(code="P0303", cylinders=4)).to_dict()
    (seen,) = cycles_of(judged, ("P0303",), FRAME, cylinders=4, ran={"misfire": True})
    after = after_cycle(ERASED, seen.at_worst)
    found = coming(standing(after, ERASED), Asked(FRAME, UsualDriving(), TODAY, draws=20))
    (permanent,) = found.of("permanent")
    assert permanent.span.done
    assert "done by what was driven. Read service $0A at the next start" in permanent.sentence()


def test_the_same_seed_gives_the_same_days() -> None:
    assert ahead(LIT).to_dict() == ahead(LIT).to_dict()


@pytest.mark.parametrize("week", [(0, 0, 100), (5, 6, 100), (5, 1, 0)])
def test_a_week_that_cannot_be_is_refused(week: tuple[float, float, float]) -> None:
    with pytest.raises(ImpossibleDriving, match="Nothing was forecast"):
        UsualDriving(*week)
