"""Where the car's records stand by the events of a case, and that a drive, an erase and a reading move them."""

from __future__ import annotations

from datetime import UTC, date, datetime

import numpy as np
import pytest

from firstcause.casebook.case import Case, replay
from firstcause.casebook.evidence import drive_facts, drove_event, freeze_frame_of
from firstcause.casebook.records_ahead import FreshDrive, coming_of, standing_of, usual_of
from firstcause.casebook.written import event_text, read_case, write_case
from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.judgement import DriveJudgement, judge_drive
from firstcause.roadtest.records import RuleReading

NOW = datetime(2026, 3, 2, 9, tzinfo=UTC)
OPENING = """
[car]
make = "Calder"
model = "Arvo"
model_year = 2021
distance_km = 60000
[car.engine]
shape = "I4"

[[event]]
kind = "snapshot"
stored = ["P0303"]
pending = ["P0303"]
permanent = ["P0303"]
readiness_incomplete = []
freeze_frame = { code = "P0303", rpm = 1500, load_percent = 40, coolant_c = 90, speed_kmh = 60 }
"""
ERASE = '\n[[event]]\nkind = "erased"\nsaved = "e2"\n'


def case_of(*more: str) -> Case:
    return replay(read_case(OPENING + "".join(more), at=NOW).events)


def log() -> DriveLog:
    at = np.arange(801.0)
    idle = at < 60
    return DriveLog(
        time_s=at, rpm=np.where(idle, 750.0, 1500), speed_kmh=np.where(idle, 0.0, 60.0),
        load_percent=np.where(idle, 20.0, 40.0), coolant_c=np.minimum(15 + at / 4, 90), run_time_s=at,
        misfires={number: np.zeros(at.size) for number in (1, 2, 3, 4)},
    )  # fmt: skip


def judged(case: Case) -> DriveJudgement:
    return judge_drive(log(), freeze_frame_of(case.freeze_frame), drive_facts(case))


def driven(case: Case) -> str:
    return "\n" + event_text(drove_event(judged(case), log(), None))


def test_a_quiet_drive_ends_the_pending_code_and_counts_towards_the_lamp() -> None:
    case = case_of()
    before = standing_of(case, freeze_frame_of(case.freeze_frame), RuleReading())
    after = standing_of(
        case, freeze_frame_of(case.freeze_frame), RuleReading(), [FreshDrive(judged(case).to_dict())]
    )  # fmt: skip
    assert before.at_worst.pending == ("P0303",)
    assert before.at_worst.lamp
    assert after.at_worst.pending == ()
    assert after.at_worst.codes[0].quiet == 1
    assert after.before == before.at_worst


def test_a_drive_of_the_case_counts_like_a_fresh_one_and_never_twice() -> None:
    case = case_of()
    inside = case_of(driven(case))
    fresh = FreshDrive(judged(case).to_dict())
    frame, how = freeze_frame_of(case.freeze_frame), RuleReading()
    assert standing_of(inside, frame, how).at_worst == standing_of(case, frame, how, [fresh]).at_worst
    assert standing_of(inside, frame, how, [fresh]).at_worst == standing_of(inside, frame, how).at_worst


def test_after_an_erase_the_permanent_record_waits_for_its_evidence() -> None:
    case = case_of(ERASE)
    found = coming_of(case, NOW.date())
    assert found is not None
    assert found.items[0].kind == "permanent"
    assert {item.name for item in found.of("self-check")} >= {"catalyst", "misfire", "evap"}
    later = coming_of(case_of(ERASE, driven(case_of(ERASE))), NOW.date())
    assert later is not None
    assert later.of("permanent")[0].span.done


def test_what_is_read_from_the_car_goes_before_what_was_worked_out() -> None:
    read = '\n[[event]]\nkind = "snapshot"\nsource = "wire"\nreadiness_incomplete = ["evap"]\n'
    found = coming_of(case_of(ERASE, read), NOW.date())
    assert found is not None
    assert found.of("permanent") == ()
    assert [item.name for item in found.of("self-check")] == ["evap"]


def test_the_owners_week_is_told_kept_and_used() -> None:
    told = '\n[[event]]\nkind = "told"\nusual_week = { starts = 4, cold_starts = 4, km = 24 }\n'
    case = case_of(ERASE, told)
    assert usual_of(case).told
    assert read_case(write_case(case.events), at=NOW).events == case.events
    hops, usual = (coming_of(each, date(2026, 3, 2)) for each in (case, case_of(ERASE)))
    assert hops is not None
    assert usual is not None
    slow, fast = (each.of("permanent")[0].span.latest for each in (hops, usual))
    assert fast is not None
    assert slow is None or slow > fast
    assert "4 starts a week, 4 of them cold, 24 km (as told)" in " ".join(hops.sentences())


def test_without_anything_read_nothing_is_forecast() -> None:
    bare = OPENING.partition("[[event]]")[0]
    assert coming_of(replay(read_case(bare, at=NOW).events), NOW.date()) is None


@pytest.mark.parametrize("year", [None, 2021])
def test_inspections_need_the_model_year(year: int | None) -> None:
    text = OPENING if year else OPENING.replace("model_year = 2021\n", "")
    found = coming_of(replay(read_case(text, at=NOW).events), NOW.date())
    assert found is not None
    assert bool(found.of("inspection")) is bool(year)
