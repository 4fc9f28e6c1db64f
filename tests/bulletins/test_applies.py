"""Which records concern a car, with the reason in words. Cars and notices invented."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest

from firstcause.bulletins.applies import LIKELIHOOD_RATIO, CarSeen, judge, ranked
from firstcause.bulletins.records import Record

CAR = CarSeen("Norvik", "Halden", 2016, "NK20", 143_000.0, date(2026, 11, 25))
NOTICE = Record(
    "bulletin", "k", "B-7", "NORVIK", "HALDEN ESTATE", (2014, 2017), "IGNITION:COIL",
    "Coil may crack and misfire at idle.", date(2018, 3, 1), "NK20",
)  # fmt: skip
WORDS = ("misfire", "ignition coil")


def test_the_same_model_year_and_complaint_apply() -> None:
    told = judge(NOTICE, CAR, WORDS)
    assert told.verdict == "applies"
    assert told.reasons == (
        "same model: NORVIK HALDEN ESTATE",
        "model year 2016 is covered (2014 to 2017)",
        "it speaks of: misfire, ignition coil",
    )  # fmt: skip
    assert told.likelihood_ratio == LIKELIHOOD_RATIO["bulletin"]


@pytest.mark.parametrize(
    ("record", "said"),
    [
        (replace(NOTICE, years=(2010, 2014)), "other model year: it names 2010 to 2014, this car is of 2016"),
        (replace(NOTICE, model="Sund"), "same engine NK20, in another model: NORVIK Sund"),
        (replace(NOTICE, engine="NK24"), "same model, other engine: it names NK24, this one is NK20"),
        (replace(NOTICE, until=date(2026, 1, 31)), "its time limit has passed (2026-01-31); ask all the same"),
        (replace(NOTICE, until_km=120_000.0), "its distance limit has passed (120,000 km); ask all the same"),
        (replace(NOTICE, years=None), "it names no model year"),
    ],
)
def test_one_thing_off_by_a_little_is_nearly(record: Record, said: str) -> None:
    told = judge(record, CAR, WORDS)
    assert told.verdict == "nearly"
    assert told.reasons[0] == said
    assert told.likelihood_ratio == pytest.approx(LIKELIHOOD_RATIO["bulletin"] ** 0.5)


@pytest.mark.parametrize(
    ("record", "said"),
    [
        (replace(NOTICE, years=(2008, 2010)), "other model years: 2008 to 2010, this car is of 2016"),
        (replace(NOTICE, make="Other", engine=""), "another make: Other"),
        (replace(NOTICE, model="Sund", engine=""), "another model: Sund"),
        (replace(NOTICE, component="BRAKES", text="Pedal feels soft."), "it speaks of other things than this"),
        (replace(NOTICE, model="Sund", years=(2010, 2014)), "same engine NK20, in another model: NORVIK Sund"),
    ],
)
def test_what_is_far_off_moves_nothing(record: Record, said: str) -> None:
    told = judge(record, CAR, WORDS)
    assert told.verdict == "does-not"
    assert told.reasons[0].startswith(said)
    assert told.likelihood_ratio == 1.0


def test_built_outside_the_named_days_does_not_apply() -> None:
    record = replace(NOTICE, built=(date(2015, 1, 1), date(2015, 12, 31)))
    assert judge(record, replace(CAR, built=date(2016, 5, 1)), WORDS).verdict == "does-not"
    assert judge(record, replace(CAR, built=date(2015, 5, 1)), WORDS).verdict == "applies"


def test_a_word_in_the_middle_of_another_is_not_that_word() -> None:
    record = replace(NOTICE, component="BODY", text="The recoil spring of the hood is weak.")
    assert judge(record, CAR, ("coil",)).verdict == "does-not"


def test_recalls_come_before_complaints_and_what_applies_before_all() -> None:
    recall = judge(replace(NOTICE, kind="recall", key="r"), CAR, WORDS)
    complaint = judge(replace(NOTICE, kind="complaint", key="c"), CAR, WORDS)
    near = judge(replace(NOTICE, kind="recall", key="n", years=None), CAR, WORDS)
    assert [each.record.key for each in ranked([near, complaint, recall])] == ["r", "c", "n"]
