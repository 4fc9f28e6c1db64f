"""Back at the freeze frame, misfires counted there, what the records still need, and the drawings."""

from __future__ import annotations

import json
import re
import xml.etree.ElementTree as ET
from dataclasses import replace
from types import MappingProxyType

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from firstcause.roadtest.conditions import _span, judge_bounds, minimum_drive, surroundings, warm_up
from firstcause.roadtest.drivelog import DriveLog, ImpossibleDrive
from firstcause.roadtest.judgement import DriveFacts, judge_drive
from firstcause.roadtest.permanent import NotACode, code_forecasts, code_kind, lamp_forecast, permanent_forecast
from firstcause.roadtest.picture import drive_over_time_svg, drive_title, speed_load_plane_svg
from firstcause.roadtest.rules import MINIMUM_DRIVE, WARM_UP_RISE, rules_table
from firstcause.roadtest.timeline import MAYBE, NO, YES, Timeline
from firstcause.roadtest.trips import split_trips
from firstcause.roadtest.window import FreezeFrame, ImpossibleFreezeFrame, judge_window

FRAME = FreezeFrame(rpm=1500, load_percent=40, coolant_c=90)


def steady(
    seconds: int = 700, *, rpm: float = 1500, load: float = 40, coolant: float = 90, speed: float = 60
) -> DriveLog:
    time_s = np.arange(seconds + 1.0)
    full = np.ones(seconds + 1)
    return DriveLog(time_s, rpm=rpm * full, load_percent=load * full, coolant_c=coolant * full, speed_kmh=speed * full)


def the_trip(log: DriveLog):  # type: ignore[no-untyped-def]
    (trip,) = split_trips(log)
    return trip


def test_eighteen_minutes_at_1500_rpm_are_13500_events() -> None:
    """18 min at 1,500 rpm: 13,500 events of one cylinder, bound 2.2e-4 (computed from the rule, reference 1.9)."""
    log = steady(18 * 60)
    window = judge_window(the_trip(log), FRAME)
    assert window.events_per_cylinder == pytest.approx(13500)
    judged = judge_drive(log, FRAME, DriveFacts(misfires={2: 0}))
    assert [rate.upper_share for rate in judged.hidden] == [pytest.approx(2.2e-4, abs=0.05e-4)] * 2


@pytest.mark.parametrize(
    ("change", "verdict"),
    [
        ({}, "met"),
        ({"rpm": 1875}, "met"),
        ({"rpm": 1876}, "missed"),
        ({"rpm": 1124}, "missed"),
        ({"load": 60}, "met"),
        ({"load": 61}, "missed"),
        ({"coolant": 60}, "missed"),
    ],
)
def test_the_edges_of_similar_conditions(change: dict[str, float], verdict: str) -> None:
    """Within 375 rpm, within 20 points of load, same warm-up status (13 CCR 1968.2(c), from memory; our reading)."""
    assert judge_window(the_trip(steady(**change)), FRAME).verdict == verdict


def test_within_20_percent_has_two_readings() -> None:
    """50 % load is 10 points from 40 % but 25 % of it: inside by one reading, outside by the other."""
    trip = the_trip(steady(load=50))
    assert judge_window(trip, FRAME, load_reading="points").verdict == "met"
    assert judge_window(trip, FRAME, load_reading="relative").verdict == "missed"


def test_a_window_crossed_between_two_readings_is_undecided() -> None:
    """900 then 2,400 rpm: it must have passed 1,500, but no reading proves for how long."""
    time_s = np.array([0.0, 1.0, 2.0, 3.0])
    log = DriveLog(time_s, rpm=np.array([900.0, 900.0, 2400.0, 2400.0]))
    window = judge_window(the_trip(log), FreezeFrame(1500))
    assert (window.verdict, window.seconds, window.seconds_at_most) == ("undecided", 0.0, 1.0)


def test_what_was_not_recorded_is_not_evaluated_and_what_the_rest_says_is_kept() -> None:
    time_s = np.arange(100.0)
    window = judge_window(the_trip(DriveLog(time_s, rpm=np.full(100, 1500.0))), FRAME)
    assert window.verdict == "not evaluated"
    assert window.missing == ("load", "coolant temperature")
    assert (window.if_assumed, window.seconds) == ("met", 99.0)


def test_nothing_is_counted_over_a_gap() -> None:
    """Two minutes, 100 s of silence, two minutes at 1,500 rpm: 240 s and 3,000 events, not 340 s."""
    time_s = np.concatenate([np.arange(121.0), np.arange(220.0, 341.0)])
    log = DriveLog(time_s, rpm=np.full(time_s.size, 1500.0))
    window = judge_window(the_trip(log), FreezeFrame(1500))
    assert window.seconds == 240
    assert window.seconds_at_most == 340
    assert window.events_per_cylinder == pytest.approx(240 * 1500 / 120)


def test_misfires_are_told_apart_inside_and_outside_the_window() -> None:
    """Counter of cylinder 2: +5 at idle, a reset to 2 on the way to the window, +3 in it: 10, 5 of them near."""
    rpm = np.concatenate([np.full(100, 700.0), np.full(100, 1500.0)])
    counter = np.concatenate([np.full(50, 10.0), np.full(50, 15.0), np.full(50, 2.0), np.full(50, 5.0)])
    log = DriveLog(np.arange(200.0), rpm=rpm, misfires=MappingProxyType({2: counter}))
    judged = judge_drive(log, FreezeFrame(1500))
    assert judged.misfires == {2: 10}
    assert judged.trips[0].misfires_in_window == {2: 5}
    assert judged.silence is None
    assert any("not proven" in line for line in judged.sentences())


def test_nobody_counted_means_no_bound() -> None:
    judged = judge_drive(steady(), FRAME)
    assert judged.misfires is None
    assert judged.hidden == ()
    assert any("Nobody counted" in line for line in judged.sentences())


def test_engine_off_rows_are_neither_run_time_nor_idle() -> None:
    """60 s key on with the engine standing, then 40 s of idle: the idle is 40 s, the start is seen."""
    rpm = np.concatenate([np.zeros(60), np.full(41, 800.0), np.full(20, 1500.0)])
    speed = np.concatenate([np.zeros(101), np.full(20, 20.0)])
    trip = the_trip(DriveLog(np.arange(121.0), rpm=rpm, speed_kmh=speed))
    assert trip.start_seen
    run, _, idle = minimum_drive(trip).items
    assert (run.at_least, run.at_most) == (60, 61)
    assert (idle.at_least, idle.at_most, idle.verdict) == (40, 42, "met")


def test_a_lost_engine_speed_may_have_run_and_is_never_a_stop() -> None:
    """Key on, 400 s running, 250 s of 0 rpm at 60 km/h, 100 s running: 400 + 100 s for sure, 752 s at most."""
    rpm = np.concatenate([[0.0], np.full(401, 1500.0), np.zeros(250), np.full(101, 1500.0)])
    speed = np.full(rpm.size, 60.0)
    speed[0] = 0.0
    trip = the_trip(DriveLog(np.arange(float(rpm.size)), rpm=rpm, speed_kmh=speed))
    run = minimum_drive(trip).items[0]
    assert (run.at_least, run.at_most, run.verdict) == (500, 752, "undecided")


def test_a_pressed_accelerator_ends_the_idle() -> None:
    """Idle means accelerator released (13 CCR 1968.2(d)(2.5.2)(B), from memory)."""
    pedal = np.full(61, 15.0)
    pedal[30] = 40.0
    log = DriveLog(np.arange(61.0), rpm=np.full(61, 800.0), speed_kmh=np.zeros(61), pedal_percent=pedal)
    idle = minimum_drive(the_trip(log)).items[2]
    assert (idle.at_least, idle.at_most, idle.verdict) == (29, 30, "missed")
    unpressed = DriveLog(log.time_s, rpm=log.rpm, speed_kmh=log.speed_kmh)
    assert minimum_drive(the_trip(unpressed)).items[2].verdict == "met"


def test_the_cars_own_run_timer_is_believed() -> None:
    """A recording of 100 s that begins 560 s after the start reaches 660 s by the car's own timer."""
    log = DriveLog(np.arange(101.0), rpm=np.full(101, 800.0), run_time_s=np.arange(560.0, 661.0))
    run = minimum_drive(the_trip(log)).items[0]
    assert (run.reached, run.verdict) == (660, "met")


def test_a_short_stop_is_one_trip_a_long_one_two() -> None:
    """Ours, judgement: 180 s parts stop-start from the end of a trip."""
    for stop, count in ((60, 1), (200, 2)):
        rpm = np.concatenate([np.full(100, 800.0), np.zeros(stop), np.full(100, 800.0)])
        log = DriveLog(np.arange(float(rpm.size)), rpm=rpm, speed_kmh=np.zeros(rpm.size))
        assert len(split_trips(log)) == count


def test_warm_up_needs_the_rise_and_the_temperature() -> None:
    """Rise of 40 degF (22.2 K) and 160 degF (71.1 degC): 13 CCR 1968.2(c), from memory."""
    assert pytest.approx(22.2, abs=0.05) == WARM_UP_RISE.value

    def judged(first: float, last: float, *, key_on: bool) -> list[str]:
        coolant = np.linspace(first, last, 100)
        rpm = np.full(100, 1500.0)
        rpm[0] = 0.0 if key_on else 1500.0
        return [item.verdict for item in warm_up(the_trip(DriveLog(np.arange(100.0), rpm=rpm, coolant_c=coolant)))]

    assert judged(20, 90, key_on=True) == ["met", "met"]
    assert judged(49, 71, key_on=True) == ["missed", "missed"]
    assert judged(80, 95, key_on=True) == ["missed", "met"]
    assert judged(80, 95, key_on=False) == ["undecided", "met"]


def test_the_general_denominators_limits_are_a_second_reading() -> None:
    """20 degF = -6.67 degC, 8,000 ft = 2438 m (13 CCR 1968.2(d)(4.3.2)(B), from memory)."""
    trip = the_trip(steady())
    cold, high = surroundings(trip, ambient_c=-7.0, altitude_m=2438.5)
    assert (cold.verdict, high.verdict) == ("missed", "missed")
    cold, high = surroundings(trip, ambient_c=-6.6, altitude_m=2438.0)
    assert (cold.verdict, high.verdict) == ("met", "met")
    assert {item.verdict for item in surroundings(trip)} == {"not evaluated"}


@given(st.floats(0, 100), st.floats(0, 100), st.floats(0, 100))
def test_bounds_never_say_both(low: float, extra: float, needed: float) -> None:
    """Met needs the lower bound, missed the upper one; with no upper bound nothing is missed."""
    verdict = judge_bounds(low, low + extra, needed)
    assert (verdict == "met") == (low >= needed - 1e-6)
    assert judge_bounds(low, None, needed) != "missed"


@given(st.lists(st.sampled_from([NO, MAYBE, YES]), min_size=1, max_size=12), st.lists(st.integers(0, 12), max_size=4))
def test_a_timeline_joined_with_itself_or_with_always_is_itself(states: list[int], breaks: list[int]) -> None:
    line = Timeline(
        np.arange(len(states) + 1.0), np.array(states, dtype=np.int8), np.array(sorted(set(breaks)), dtype=float)
    )
    for other in (line, Timeline.all_of(0.0, float(len(states)), YES)):
        both = line & other
        for least in (MAYBE, YES):
            assert both.total_s(least) == line.total_s(least)
            assert both.longest(least)[1] == line.longest(least)[1] <= line.total_s(least)


def test_a_drive_that_cannot_be_is_refused() -> None:
    with pytest.raises(ImpossibleDrive):
        DriveLog(np.array([0.0, 2.0, 1.0]))
    with pytest.raises(ImpossibleDrive):
        DriveLog(np.array([0.0, 1.0]), rpm=np.array([1.0]))
    with pytest.raises(ImpossibleFreezeFrame):
        FreezeFrame(1500, 140)


@pytest.mark.parametrize(
    ("code", "kind"),
    [
        ("P0302", "misfire"),
        ("p0300", "misfire"),
        ("P0171", "fuel system"),
        ("P0420", "ratio monitor"),
        ("P0351", "other"),
    ],
)
def test_which_rule_a_code_follows(code: str, kind: str) -> None:
    """Misfire, fuel system and components are non-ratio: 13 CCR 1968.2(d)(2.5.2)(B) (read); ranges of SAE J2012."""
    assert code_kind(code) == kind


def test_a_permanent_misfire_code_needs_two_things_after_an_erase() -> None:
    """13 CCR 1968.2(d)(2.5.2): ratio monitor one passing cycle (A, read); misfire also a minimum drive (B, memory)."""

    def states(code: str, **facts: object) -> dict[str, str]:
        given_facts = {
            "erased": True,
            "monitor_passed": None,
            "minimum_drive": "met",
            "with_surroundings": "not evaluated",
        } | facts
        return {step.id: step.state for step in permanent_forecast(code, **given_facts).steps}  # type: ignore[arg-type]

    assert states("P0302") == {"monitor-pass": "not known", "minimum-drive": "done"}
    assert states("P0302", minimum_drive="missed") == {"monitor-pass": "not known", "minimum-drive": "open"}
    assert states("P0420", monitor_passed=True) == {"monitor-pass": "done"}
    assert states("P0302", erased=False) == {"lamp-rule": "open"}
    both = permanent_forecast(
        "P0302", erased=True, monitor_passed=True, minimum_drive="met", with_surroundings="missed"
    )
    assert both.readings
    assert "the drive is missed" in both.sentence
    assert "$0A" in both.sentence


def test_open_readings_of_the_lamp_rule_are_both_shown() -> None:
    """Three cycles (13 CCR 1968.2(e)(3.4.5), from memory): in a row among all, or among those that came back."""
    assert len(lamp_forecast("P0302", erased=False, quiet_cycles_in_window=1).readings) == 2
    assert "2 to go" in lamp_forecast("P0302", erased=False, quiet_cycles_in_window=1).sentence
    assert lamp_forecast("P0351", erased=False, quiet_cycles_in_window=0).readings == ()
    confirmed, pending = code_forecasts("P0302", erased=False, came_back="met")
    assert "40 warm-up cycles" in confirmed.sentence
    assert "80 drives" in pending.sentence
    with pytest.raises(NotACode):
        code_kind("oil")


def test_every_rule_carries_its_paragraph_and_its_mark() -> None:
    table = rules_table()
    assert table["minimum_drive.run"] is MINIMUM_DRIVE.run
    assert len(table) >= 20
    for limit in table.values():
        assert limit.cite
        assert limit.mark in ("read in the official text", "from memory", "judgement")


def test_the_judgement_is_plain_json() -> None:
    judged = judge_drive(steady(), FRAME, DriveFacts(code="P0302", misfires={1: 0, 2: 4}, bout_spacing_min=20))
    plain = json.loads(json.dumps(judged.to_dict(), allow_nan=False))
    assert plain["minimum_drive"] == judged.minimum_drive
    assert plain["misfires"] == {"1": 0, "2": 4}
    assert [f["record"] for f in plain["forecasts"]] == ["permanent", "lamp", "confirmed", "pending"]


def shapes(svg: str, tag: str, kind: str) -> int:
    return sum(e.get("class") == kind for e in ET.fromstring(svg).iter(f"{{http://www.w3.org/2000/svg}}{tag}"))


def test_the_drawings_say_what_they_show() -> None:
    """Well-formed, named and described for a screen reader; target hatched; a misfire ringed; a gap breaks the line."""
    counter = np.concatenate([np.zeros(300), np.full(401, 2.0)])
    log = steady()
    marked = DriveLog(
        log.time_s,
        rpm=log.rpm,
        load_percent=log.load_percent,
        coolant_c=log.coolant_c,
        misfires=MappingProxyType({2: counter}),
        name="<b>",
    )
    svg = drive_over_time_svg(marked, FRAME)
    root = ET.fromstring(svg)
    assert "<b>" in (root.findtext("{http://www.w3.org/2000/svg}title") or "")
    assert "Ringed: misfire counters rose at 1 rows, cylinders 2" in (
        root.findtext("{http://www.w3.org/2000/svg}desc") or ""
    )
    assert (shapes(svg, "rect", "target"), shapes(svg, "circle", "miss"), shapes(svg, "polyline", "line")) == (1, 1, 2)
    plane = speed_load_plane_svg(log, FRAME)
    assert plane is not None
    assert (shapes(plane, "rect", "target"), shapes(plane, "circle", "dot")) == (1, 1)
    ringed = speed_load_plane_svg(marked, FRAME)
    assert ringed is not None
    assert shapes(ringed, "circle", "miss") == 2  # the place, and the legend
    assert "Misfires: a counter rose (cylinder 2)" in svg
    assert speed_load_plane_svg(DriveLog(np.arange(3.0), rpm=np.full(3, 800.0))) is None
    gap = np.concatenate([np.arange(50.0), np.arange(100.0, 150.0)])
    assert shapes(drive_over_time_svg(DriveLog(gap, rpm=np.full(100, 800.0))), "polyline", "line") == 2


def test_the_sentences_of_one_drive_agree_and_never_round_up() -> None:
    """Proven time and events are floors, so that adjacent sentences name the same number, and none too high."""
    log = steady(18 * 60, rpm=1499.95)
    judged = judge_drive(log, FRAME, DriveFacts(misfires={2: 0}))
    said = " ".join(judged.sentences())
    events = re.findall(r"(\d+) ignition events of", said)

    assert judged.events_in_window % 1 > 0.5  # rounded to the nearest it would be one more
    assert set(events) == {str(int(judged.events_in_window))}
    assert len(events) == 3
    assert "With no misfire in" in said
    assert "(s)" not in said
    assert "The engine ran 1080 s; 600 s needed;" in said


@pytest.mark.parametrize(
    ("least", "most", "words"),
    [
        (205.6, 206.4, "between 205 and 207 s"),
        (599.8, 599.9, "599 s"),
        (600.0, 600.0, "600 s"),
        (12.9, None, "12 s or more"),
        (30.0, 41.2, "between 30 and 42 s"),
    ],
)
def test_a_span_of_seconds_never_has_two_equal_ends(least: float, most: float | None, words: str) -> None:
    """Proven rounded down, possible rounded up: a drive just short of a limit is not said to have reached it."""
    assert _span(least, most) == words


def test_a_drive_without_a_name_of_its_own_is_called_the_drive() -> None:
    assert drive_title(steady()).startswith("The drive")
    assert drive_title(replace(steady(), name="drive")) == "The drive"
    assert drive_title(replace(steady(), name="ring road")) == "The drive ring road"


def test_the_pooled_bound_is_that_of_all_firings_together() -> None:
    """
    18 min at 1,500 rpm, four cylinders with 0, 1, 2 and 0 misfires: 3 in 54,000 firings. Printed table of Poisson
    limits: 3 counted, 95 % one-sided upper limit 7.754 (Garwood 1936; from memory), so 7.754 / 54,000 = 1.436e-4.
    """
    judged = judge_drive(steady(18 * 60), FRAME, DriveFacts(misfires={1: 0, 2: 1, 3: 2, 4: 0}, cylinders=4))
    (whole,) = judged.pooled
    assert (whole.where, whole.cylinders, whole.misfires, whole.firings) == ("whole drive", 4, 3, 54000)
    assert whole.upper_share == pytest.approx(1.436e-4, abs=0.0005e-4)
    assert judged.more == ()
    quiet = judge_drive(steady(18 * 60), FRAME, DriveFacts(misfires=dict.fromkeys((1, 2, 3, 4), 0)))
    assert [pool.where for pool in quiet.pooled] == ["whole drive", "near the freeze frame"]


def test_minutes_more_for_the_next_rarer_share() -> None:
    """13,500 quiet firings rule out 1 in 1,000 (2,995); 1 in 10,000 needs 29,956: 16,456 more, 21.9 min."""
    judged = judge_drive(steady(18 * 60), FRAME, DriveFacts(misfires={2: 0}))
    (whole, window) = judged.more
    assert (whole.share, window.share) == (0.0001, 0.0001)
    assert whole.minutes == pytest.approx(21.94, abs=0.005)
    assert any("22 quiet minutes more" in words for words in judged.sentences())
