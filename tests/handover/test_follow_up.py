"""The follow-up of a case: which looks, on which day, and the calendar as another library reads it back."""

from __future__ import annotations

from datetime import UTC, date, datetime
from functools import cache

import pytest
import vobject
from tests.casebook.case_values import opened, story

from firstcause.casebook.case import replay
from firstcause.casebook.events import Body, Counted, Found, Snapshot
from firstcause.casebook.follow_up import follow_up
from firstcause.casebook.weighing import WeighedCase, weigh_case
from firstcause.casebook.who_pays import who_else_pays
from firstcause.errors import RequestError
from firstcause.handover.calendar import calendar_of
from firstcause.knowledge.base import load, pack_names

BAD_THREE = Counted(minutes={"idle": 3.0}, rpm=750, misfires={1: 0, 2: 0, 3: 260, 4: 0})
OILY = Found(test="plug-look", place="cylinder 3", outcome="oil-wet")
CODES = Snapshot(stored=("P0303",), permanent=("P0303",))
LEAVES = date(2026, 3, 2)


@cache
def weighed(oily: bool = True) -> WeighedCase:
    bodies: list[Body] = [BAD_THREE, CODES, *([OILY] if oily else [])]
    return weigh_case(replay(story(opened(), *bodies)), load())


def test_oil_is_looked_at_while_it_may_be_the_oil() -> None:
    oily = {look.key.rpartition("-")[0] for look in follow_up(weighed(), LEAVES, 1_000.0)}
    plain = {look.key.rpartition("-")[0] for look in follow_up(weighed(oily=False), LEAVES, 1_000.0)}
    assert {"oil-level", "oil-consumption-test", "counters-again"} <= oily
    assert "oil-level" not in plain
    assert "counters-again" in plain


def test_the_day_follows_from_the_distance() -> None:
    """Arithmetic: 1,000 km at 2,000 km a month is half a month of 30.44 days, so 15 days; the clock shows 149,000."""
    look = next(each for each in follow_up(weighed(), LEAVES, 2_000.0) if each.key == "oil-level-1000")
    assert (look.on, look.at_km) == (date(2026, 3, 17), 149_000.0)
    with pytest.raises(RequestError, match="km a month"):
        follow_up(weighed(), LEAVES, 0.0)


def test_a_forecast_of_the_permanent_record_gives_its_day() -> None:
    day = date(2026, 3, 9)
    looks = {each.key: each for each in follow_up(weighed(), LEAVES, 1_000.0, record_gone_on=day)}
    assert looks["permanent-record"].on == day
    assert "P0303" in looks["permanent-record"].what


def test_another_library_reads_the_calendar_back() -> None:
    """vobject against what icalendar wrote: days, words and UIDs of every entry; lines of 75 octets (RFC 5545, 3.1)."""
    looks = follow_up(weighed(), LEAVES, 1_000.0)
    made_at = datetime(2026, 3, 2, 17, 0, tzinfo=UTC)
    written = calendar_of(weighed().case, looks, made_at)
    read = vobject.readOne(written.decode())
    entries = {entry.uid.value: entry for entry in read.vevent_list}
    assert len(entries) == len(looks) > 5
    assert [entry.dtstart.value for entry in read.vevent_list] == [look.on for look in looks]
    for look, entry in zip(looks, read.vevent_list, strict=True):
        assert entry.summary.value == f"{look.what} (Velmora Tessin)"
        assert look.how in entry.description.value
        assert (entry.dtend.value - entry.dtstart.value).days == 1
    assert all(len(line) <= 75 for line in written.split(b"\r\n"))
    again = vobject.readOne(calendar_of(weighed().case, looks, made_at).decode())
    assert [e.uid.value for e in again.vevent_list] == [e.uid.value for e in read.vevent_list]


def test_each_look_of_each_pack_belongs_to_faults_that_exist() -> None:
    for pack in pack_names():
        knowledge = load(pack)
        for look in knowledge.model.afterwards.looks:
            assert set(look.faults) <= set(knowledge.faults), (pack, look.id)


def test_limits_of_age_and_distance_are_held_against_the_car() -> None:
    """The car of the tests has 148,000 km and model year 2016: goodwill (8 years, 160,000 km) is doubtful in 2024."""
    by_cite = {each.cite: each for each in who_else_pays(weighed(), date(2024, 6, 1))}
    goodwill = next(each for cite, each in by_cite.items() if "goodwill" in cite)
    assert goodwill.standing == "not known", "built 2015 or sold 2017: nine or seven years"
    assert next(each for cite, each in by_cite.items() if "usual limits" in cite).standing == "has passed"
    assert next(each for cite, each in by_cite.items() if "30120" in cite).standing == "may still run"
    late = {each.cite: each.standing for each in who_else_pays(weighed(), date(2040, 6, 1))}
    assert set(late.values()) == {"has passed"}
