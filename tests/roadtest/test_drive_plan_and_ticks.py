"""The plan of a proving drive, and its ticks beside the judgement of the whole recording."""

from __future__ import annotations

import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from firstcause.roadtest.conditions import minimum_drive
from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.plan import LONGEST_BACK_MIN, PlanNeeds, make_plan
from firstcause.roadtest.reading import read_drive_file
from firstcause.roadtest.ticking import LiveSample, Tick, advance, aim, begin, so_far, ticks, ticks_of
from firstcause.roadtest.trips import split_trips
from firstcause.roadtest.window import FreezeFrame, judge_window

CYCLES = Path(__file__).parent.parent / "data" / "cycles"
FRAME = FreezeFrame(rpm=1500, load_percent=40, coolant_c=90)
PLAN = make_plan(PlanNeeds(frame=FRAME, incomplete=("catalyst",)))


def samples(log: DriveLog) -> list[LiveSample]:
    """Each row of a recording as it would have come in; what a row does not hold is None."""
    keys = ("rpm", "speed_kmh", "load_percent", "coolant_c", "pedal_percent", "run_time_s")
    columns = {key: values for key in keys if (values := getattr(log, key)) is not None}
    return [
        LiveSample(
            float(at), **{key: float(c[row]) for key, c in columns.items() if np.isfinite(c[row])},
            misfires={cylinder: int(c[row]) for cylinder, c in log.misfires.items()} or None,
        )
        for row, at in enumerate(log.time_s)
    ]  # fmt: skip


def by_id(found: tuple[Tick, ...]) -> dict[str, Tick]:
    return {tick.id: tick for tick in found}


def test_minutes_for_certainty_are_those_of_the_textbook() -> None:
    """
    Bouts 35 min apart: 95 % needs 3.00 spacings, 105 min (exponential waiting time; -ln 0.05 = 2.9957); 40 min in one
    drive show 1 - e^(-40/35) = 68 in 100. A steady 1 in 1,000 needs 2,995 firings (0.999^2995 = 0.04997), 3.99 min at
    1,500 rpm.
    """
    made = make_plan(PlanNeeds(frame=FRAME, suspect="a loose contact", spacing_min=35.0))
    bouts = {row.chance: row.minutes for row in made.certainties if row.of == "bouts"}
    assert bouts[0.95] == pytest.approx(104.85, abs=0.005)
    assert bouts[0.5] == pytest.approx(24.26, abs=0.005)
    shares = {row.size: row.minutes for row in made.certainties if row.of == "share"}
    assert shares[0.001] == pytest.approx(3.99, abs=0.005)
    window = next(item for item in made.items if item.id == "window")
    assert (window.minutes, made.drives) == (LONGEST_BACK_MIN.value, 3)
    assert "68 of 100" in window.why
    assert any("3 drives" in words for words in made.cannot_show)


@pytest.mark.parametrize(
    ("needs", "cold"),
    [
        (PlanNeeds(frame=FRAME), False),
        (PlanNeeds(frame=replace(FRAME, coolant_c=20.0)), True),
        (PlanNeeds(frame=FRAME, codes=("P0316",)), True),
        (PlanNeeds(frame=FRAME, incomplete=("evap",)), True),
        (PlanNeeds(frame=FRAME, acts={"cold-start": 0.9, "idle": 0.2}), True),
        (PlanNeeds(frame=FRAME, acts={"cold-start": 0.1, "load": 0.9}), False),
    ],
)
def test_a_cold_start_is_asked_for_only_where_it_matters(needs: PlanNeeds, cold: bool) -> None:
    """Common practice, no source."""
    order = [item.id for item in make_plan(needs).items]
    assert ("cold-start" in order) == cold
    assert order[-1] == "run"
    if needs.frame is not None and needs.frame.warm is False:
        assert order.index("window") < order.index("warm-up")


def test_nothing_asks_for_more_than_the_posted_limit() -> None:
    """A fault stored at 150 km/h: no item names a speed above the limit given, and the way there says why."""
    made = make_plan(PlanNeeds(frame=FRAME, frame_speed_kmh=150.0, speed_limit_kmh=50.0))
    window = next(item for item in made.items if item.id == "window")
    assert "do not drive so fast" in window.how
    assert "about 50 km/h" in next(item for item in made.items if item.id == "fast").how
    assert "From 50 km/h" in next(item for item in made.items if item.id == "decelerations").how
    assert any("passenger" in words for words in made.cautions)


def test_a_silent_suspect_without_a_frame_is_left_to_the_owner_s_words() -> None:
    made = make_plan(PlanNeeds(suspect="a weak pump", spacing_min=6.0))
    assert by_id(ticks(made, begin(made)))["old-conditions"].state == "by hand"
    assert not any(item.measure == "window" for item in make_plan(PlanNeeds()).items)


@pytest.mark.parametrize("name", ["udds", "hwfet", "us06", "wltc_3b"])
def test_ticks_of_a_certification_cycle_are_those_of_the_whole_recording(name: str) -> None:
    """Traces: PyPI package fastsim 2.1.5, with the engine at 1,500 rpm and 40 % throughout; two codes, one answer."""
    (drive,) = read_drive_file(CYCLES / f"{name}.csv").drives
    flat = np.ones(drive.time_s.size)
    log = replace(drive, rpm=1500 * flat, load_percent=40 * flat, coolant_c=90 * flat)
    (trip,) = split_trips(log)
    found = by_id(ticks_of(PLAN, samples(log)))
    judged = {item.id: item for item in minimum_drive(trip).items}
    for which in ("run", "idle", "fast"):
        assert found[which].reached == pytest.approx(judged[which].at_least)
        assert (found[which].state == "done") == (judged[which].verdict == "met")
    assert found["window"].reached == pytest.approx(judge_window(trip, FRAME).seconds)


def test_misfires_and_gaps_while_driving() -> None:
    """A counter that falls was reset; a silence of 60 s counts for nothing; the bound is that of 1 in 2,000 firings."""
    rows = [LiveSample(float(s), rpm=1500.0, load_percent=40.0, coolant_c=90.0, misfires={1: 5}) for s in range(81)]
    rows += [replace(row, at_s=row.at_s + 140, misfires={1: int(row.at_s > 40)}) for row in rows]
    progress = begin(PLAN)
    for row in rows:
        progress = advance(progress, row)
    told = so_far(PLAN, progress)
    assert told.minutes == pytest.approx(160 / 60)
    assert told.firings == 2000
    assert told.misfires == 1
    assert told.upper_share == pytest.approx(0.00237, abs=0.000005)  # scipy.stats.beta.ppf(0.95, 2, 1999) = 0.0023699
    late = advance(progress, replace(rows[0], at_s=3.0))
    assert late == progress


def test_a_deceleration_in_gear_is_told_from_braking() -> None:
    """20 km/h lost from 50 km/h or more in 4 s or more, accelerator released; our definition."""

    def rolls(speeds: list[float], pedal: float) -> float | None:
        rows = [LiveSample(float(s), speed_kmh=v, pedal_percent=pedal if s else 0.0) for s, v in enumerate(speeds)]
        return by_id(ticks_of(PLAN, rows))["decelerations"].reached

    coast = [70.0, *np.arange(70.0, 40.0, -3.0)]
    assert rolls(coast, 0.0) == 1
    assert rolls(coast, 20.0) == 0
    assert rolls([70.0, *np.arange(70.0, 20.0, -9.0)], 0.0) == 0
    assert rolls([*coast, 45.0, 60.0, *coast], 0.0) == 2


def test_the_car_s_own_self_check_ticks_its_item() -> None:
    rows = [LiveSample(0.0, rpm=900.0), LiveSample(1.0, rpm=900.0, monitors=frozenset({"catalyst"}))]
    assert by_id(ticks_of(PLAN, rows[:1]))["monitor-catalyst"].state == "open"
    assert by_id(ticks_of(PLAN, rows))["monitor-catalyst"].state == "done"


def test_the_passenger_is_told_where_the_target_lies() -> None:
    assert aim(PLAN, LiveSample(0.0, rpm=1500.0, load_percent=40.0, coolant_c=90.0)).inside
    off = aim(PLAN, LiveSample(0.0, rpm=1000.0, load_percent=70.0, coolant_c=60.0))
    assert off.words == ("125 rpm more engine speed", "10 points less load", "not warm yet")
    assert aim(PLAN, LiveSample(0.0, rpm=1500.0)).inside is None


def test_a_sample_costs_the_same_late_in_the_drive() -> None:
    """72,000 samples are an hour at 20 a second; the state does not grow and the last ones are no slower (3 times)."""
    progress = begin(PLAN)
    spent = []
    for part in range(4):
        started = time.perf_counter()
        for at in range(4000):
            row = LiveSample(part * 200 + at / 20, rpm=1500.0, speed_kmh=60.0, load_percent=40.0, coolant_c=90.0)
            progress = advance(progress, row)
        spent.append(time.perf_counter() - started)
    assert spent[3] < 3 * min(spent)
    assert spent[3] / 4000 < 0.005  # a tenth of the 50 ms between two updates
