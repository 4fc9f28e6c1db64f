"""Where the car drives the engine nothing fires, so nothing of it may make the bound look better."""

from __future__ import annotations

import numpy as np
import pytest

from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.judgement import judge_drive
from firstcause.roadtest.overrun import fired_timeline
from firstcause.roadtest.plan import PlanNeeds, make_plan
from firstcause.roadtest.ticking import LiveSample, advance, begin
from firstcause.roadtest.timeline import YES
from firstcause.roadtest.window import FreezeFrame

ROWS = 301


def rolling_out(*, load: bool = True, pedal: bool = False, speed: bool = True) -> DriveLog:
    """60 s of idle, 120 s of pull at 2,400 rpm, 120 s rolling down in gear: by its rows, one a second."""
    at = np.arange(ROWS)
    idle, pull = at < 60, (at >= 60) & (at < 180)
    kmh = np.where(idle, 0.0, np.where(pull, 80.0, 80.0 - (at - 180) * 0.6))
    return DriveLog(
        time_s=at.astype(float),
        rpm=np.where(idle, 750.0, 2400.0),
        speed_kmh=kmh if speed else None,
        load_percent=np.where(idle, 20.0, np.where(pull, 45.0, 4.0)) if load else None,
        pedal_percent=np.where(pull, 20.0, 0.0) if pedal else None,
        misfires={1: np.zeros(ROWS), 2: np.zeros(ROWS)},
    )


@pytest.mark.parametrize(
    ("load", "pedal", "speed"), [(True, False, True), (False, True, True), (False, False, True), (True, False, False)]
)
def test_what_rolls_down_in_gear_is_no_proof(load: bool, pedal: bool, speed: bool) -> None:
    """60 s at 750 rpm and 120 s at 2,400 rpm are 375 and 2,400 firings of a cylinder; the last two minutes are none."""
    judged = judge_drive(rolling_out(load=load, pedal=pedal, speed=speed), FreezeFrame(2400, None, None))
    assert judged.events_per_cylinder == pytest.approx(375 + 2400, abs=60)
    assert judged.events_in_window == pytest.approx(2400, abs=45)
    assert judged.hidden[0].events == int(judged.events_per_cylinder)


def test_without_load_accelerator_and_speed_nothing_is_left_out() -> None:
    log = rolling_out(load=False, speed=False)
    assert fired_timeline(log) is None
    assert judge_drive(log).events_per_cylinder == pytest.approx(375 + 2400 + 2400, abs=60)


def test_idle_counts_even_where_its_load_is_low() -> None:
    log = rolling_out()
    fired = fired_timeline(log)
    assert fired is not None
    assert fired.total_s(YES) == pytest.approx(180, abs=2)


def test_the_live_page_does_not_count_it_either() -> None:
    log = rolling_out()
    progress = begin(make_plan(PlanNeeds(frame=FreezeFrame(2400, None, None))))
    assert log.rpm is not None
    assert log.speed_kmh is not None
    assert log.load_percent is not None
    for at in range(ROWS):
        progress = advance(
            progress, LiveSample(float(at), log.rpm[at], log.speed_kmh[at], log.load_percent[at])
        )  # fmt: skip
    assert progress.tracks["window"].firings == pytest.approx(2400, abs=45)
    assert progress.tracks["window"].seconds == pytest.approx(240, abs=2)
