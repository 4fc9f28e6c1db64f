"""Recordings on the page: columns shown, corrected once and remembered; what the drive says to the case; the car."""

from __future__ import annotations

import json
from html import unescape

import pytest

from firstcause.casebook.events import Drove, Renewed, Snapshot
from firstcause.signals.identity import InUseCounters, MonitorUse
from firstcause.signals.readiness import Monitor, Readiness
from firstcause.signals.snapshot import Snapshot as WireSnapshot
from firstcause.signals.snapshot import UnitRecord

STRANGE = "time (s),Spd,rpm\n" + "".join(f"{t},{20 if t > 60 else 0},{1500 if t > 4 else 0}\n" for t in range(900))
NO_CLOCK = "moment,kmh\n" + "".join(f"{t},60\n" for t in range(300))


def drives(shop, case_id) -> list[Drove]:
    return [event.body for event in shop.desk.store.case(case_id).effective if isinstance(event.body, Drove)]


def fields(page: str, *, of: dict[str, tuple[str, str]]) -> dict[str, str]:
    """A form of the columns page as it stands, with these headings corrected to (signal, unit)."""
    import re

    found = {}
    for name, value in re.findall(r'<input type="hidden" name="([^"]+)" value="([^"]*)"', page):
        found[name] = unescape(value)
    for name, options in re.findall(r'<select name="((?:signal|unit)-[^"]+)".*?>(.*?)</select>', page):
        chosen = re.search(r'<option(?: value="([^"]*)")? selected>([^<]*)', options)
        found[name] = "" if chosen is None else chosen.group(1) or chosen.group(2)
    for name in [each for each in found if each.startswith("heading-")]:
        if found[name] in of:
            place = name.removeprefix("heading-")
            found[f"signal-{place}"], found[f"unit-{place}"] = of[found[name]]
    return found


def test_a_column_corrected_once_is_remembered(shop):
    case_id = shop.misfiring()
    shop.client.post(f"/cases/{case_id}/drives", files={"log": ("a.csv", STRANGE.encode())})
    (before,) = drives(shop, case_id)
    assert before.minutes == {}  # no speed: the column was not understood
    page = shop.client.get(f"/cases/{case_id}/columns?drive=e6").text
    assert "Spd" in page
    assert page.count("guessed") == 2

    answer = shop.post(f"/cases/{case_id}/columns", **fields(page, of={"Spd": ("speed_kmh", "m/s")}))
    assert answer.status_code == 303, answer.text
    (after,) = drives(shop, case_id)
    assert after.judgement["reading"]["columns_used"][1]["unit"] == "m/s"
    fast = next(item for item in after.judgement["trips"][0]["minimum_drive"]["items"] if item["id"] == "fast")
    assert fast["verdict"] == "met"  # 20 m/s are 72 km/h
    assert "as you said before" in shop.client.get(f"/cases/{case_id}/columns?drive=e6").text

    shop.client.post(f"/cases/{case_id}/drives", files={"log": ("b.csv", STRANGE.encode() + b"900,20,1500\n")})
    assert drives(shop, case_id)[-1].judgement["trips"][0]["minimum_drive"]["items"][1]["verdict"] == "met"


def test_a_recording_without_a_clock_asks_which_column_it_is(shop):
    case_id = shop.misfiring()
    answer = shop.client.post(f"/cases/{case_id}/drives", files={"log": ("a.csv", NO_CLOCK.encode())})
    assert answer.status_code == 303
    assert drives(shop, case_id) == []
    page = shop.client.get(answer.headers["location"]).text
    assert "cannot be judged as it stands" in page
    answer = shop.post(f"/cases/{case_id}/columns", **fields(page, of={"moment": ("time_s", "s")}))
    assert answer.status_code == 303, answer.text
    (drove,) = drives(shop, case_id)
    assert drove.minutes["cruise"] == pytest.approx(5.0, abs=0.1)


def test_a_column_that_cannot_be_is_refused_and_nothing_is_remembered(shop):
    case_id = shop.misfiring()
    shop.client.post(f"/cases/{case_id}/drives", files={"log": ("a.csv", STRANGE.encode())})
    page = shop.client.get(f"/cases/{case_id}/columns?drive=e6").text
    answer = shop.post(f"/cases/{case_id}/columns", **fields(page, of={"Spd": ("speed_kmh", "degC")}))
    assert answer.status_code == 422
    assert "is not a unit of speed_kmh" in unescape(answer.text)
    assert shop.desk.columns()["columns"] == {}
    assert shop.client.get(f"/cases/{case_id}/columns?drive=e99").status_code == 422


def reading(starts: int, drives_counted: int, *, catalyst: bool) -> Snapshot:
    """What the car says: counters, and which self-checks ran in this driving cycle."""
    cycle = Readiness("this-cycle", False, 0, "spark", (Monitor("catalyst", True, catalyst),))
    counters = InUseCounters(drives_counted, starts, (MonitorUse("catalyst-b1", 3, 4),))
    whole = WireSnapshot(0.0, 1.0, (UnitRecord("7E8", counters=counters, readiness_this_cycle=cycle),))
    return Snapshot(source="wire", stored=("P0303",), record=json.loads(whole.to_json()))


def test_the_car_and_the_case_speak_of_the_drive(shop):
    case_id = shop.misfiring()
    shop.desk.record(case_id, Renewed(part="coil", cylinder=3), "Ada")
    shop.desk.record(case_id, reading(100, 40, catalyst=False), "Ada")
    rows = "".join(f"{t},{1500 if t > 4 else 0},{60 if t > 60 else 0},85,0,0,0,0\n" for t in range(900))
    log = "time_s,rpm,speed_kmh,coolant_c," + ",".join(f"misfires cyl {n}" for n in range(1, 5)) + "\n" + rows
    shop.client.post(f"/cases/{case_id}/drives", files={"log": ("d.csv", log.encode())})
    page = unescape(shop.client.get(f"/cases/{case_id}/roadtest").text)
    assert "What it says to the case" in page
    assert "after this drive" in page
    assert "What the car itself says" not in page

    shop.desk.record(case_id, reading(101, 41, catalyst=True), "Ada")
    page = unescape(shop.client.get(f"/cases/{case_id}/roadtest").text)
    assert "The car itself counts 1 minimum drive: its own condition for it was met." in page
    assert "before and after the drive: ran in it: catalyst." in page
    assert "Between the readings e6 and e9." in page
