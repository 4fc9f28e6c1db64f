"""What the car says of a drive beside our reading of its recording: where they agree, and where they do not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.judgement import DriveFacts, DriveJudgement, judge_drive
from firstcause.roadtest.testimony import CarWord, car_testimony
from firstcause.signals.identity import InUseCounters, MonitorUse
from firstcause.signals.readiness import Monitor, Readiness
from firstcause.signals.snapshot import Snapshot, UnitRecord


def drive(seconds: int = 700, fast: int = 400, ambient: float | None = 15.0) -> DriveJudgement:
    """Engine off for 5 s, 60 s of idle, so many seconds at 60 km/h, the rest at 20."""
    time_s = np.arange(seconds + 1.0)
    speed = np.where(time_s < 65, 0.0, np.where(time_s < 65 + fast, 60.0, 20.0))
    rpm = np.where(time_s < 5, 0.0, 1500.0)
    return judge_drive(
        DriveLog(time_s, speed_kmh=speed, rpm=rpm), None, DriveFacts(ambient_c=ambient, altitude_m=200.0)
    )


def snapshot(general: int, starts: int, catalyst: tuple[int, int] = (7, 9), **status: Readiness) -> Snapshot:
    counters = InUseCounters(general, starts, (MonitorUse("catalyst-b1", *catalyst),))
    return Snapshot(0.0, 1.0, (UnitRecord("7E8", counters=counters, **status),))  # type: ignore[arg-type]


def ready(scope: str, **done: bool) -> Readiness:
    monitors = tuple(Monitor(name.replace("_", "-"), True, complete) for name, complete in done.items())
    return Readiness(scope, False, 0, "spark", monitors)  # type: ignore[arg-type]


def words(before: Snapshot, after: Snapshot, judged: DriveJudgement) -> dict[str, CarWord]:
    return {word.id: word for word in car_testimony(before, after, judged).words}


@pytest.mark.parametrize(
    ("fast", "ambient", "rise", "agreement"),
    [
        (400, 15.0, 1, "agrees"), (200, 15.0, 0, "agrees"), (200, 15.0, 1, "differs"), (400, 15.0, 0, "differs"),
        (400, -20.0, 0, "agrees"), (400, -20.0, 1, "differs"), (400, None, 1, "open"), (400, None, 0, "open"),
    ],
)  # fmt: skip
def test_the_counter_of_minimum_drives_beside_our_reading(
    fast: int, ambient: float | None, rise: int, agreement: str
) -> None:
    """General denominator: 600 s, 300 s at 25 mph, 30 s of idle, 20 degF, 8,000 ft: (d)(4.3.2)(B), from memory."""
    found = words(snapshot(40, 100), snapshot(40 + rise, 101), drive(fast=fast, ambient=ambient))["minimum-drive"]
    assert found.agreement == agreement


def test_counters_over_several_drives_prove_nothing_of_this_one() -> None:
    testimony = car_testimony(snapshot(40, 100), snapshot(42, 103), drive())
    found = {word.id: word for word in testimony.words}
    assert found["starts"].agreement == "differs"
    assert found["minimum-drive"].agreement == "open"
    assert "of this and other drives" in found["minimum-drive"].sentence
    assert testimony.sentences()[0].startswith("They differ.")


def test_a_self_check_that_ran_and_stays_open_points_to_the_pending_codes() -> None:
    """Complete when passed, or failed as often as the lamp's rule asks: (g)(4.1), from memory."""
    before = snapshot(40, 100, readiness=ready("since-erase", catalyst=False, evap=False))
    after = snapshot(
        41, 101, (8, 10), readiness=ready("since-erase", catalyst=True, evap=False),
        readiness_this_cycle=ready("this-cycle", catalyst=True, evap=True),
    )  # fmt: skip
    found = words(before, after, drive())
    assert "is complete now" in found["ready-catalyst"].sentence
    assert "read the pending codes" in found["ready-evap"].sentence
    assert "ran 1 time between" in found["ran-catalyst-b1"].sentence


def test_another_unit_or_none_says_nothing() -> None:
    before = snapshot(40, 100)
    other = replace(before, units=(replace(before.units[0], unit="7E9"),))
    assert car_testimony(before, other, drive()).unit is None
    assert "says nothing" in car_testimony(before, other, drive()).sentences()[0]
