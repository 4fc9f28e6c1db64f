"""An entry that is sent again, because its answer was lost, is recorded once; an entry of several events is one."""

from __future__ import annotations

import json
from pathlib import Path
from threading import Thread

import pytest

from firstcause.casebook.events import Moved, Noted

ENTRY = "0123456789abcdef0123456789abcdef"
PNG = b"\x89PNG\r\n\x1a\n" + b"\0" * 60
DRIVE = (Path(__file__).parent.parent / "data" / "drives" / "survey_day_mph_1.csv").read_bytes()


def swap(part: str, first: int, second: int) -> str:
    return json.dumps({"kind": "moved", "part": part, "first": first, "second": second, "mark": f"from {first}"})


@pytest.mark.parametrize(
    ("address", "fields", "files", "made"),
    [
        ("record", {"kind": "noted", "words": "Plug wet."}, None, 1),
        ("record", {"body": [swap("coil", 1, 3), swap("plug", 1, 2)]}, None, 2),
        ("photos", {"about": "plug"}, {"photo": ("a.png", PNG)}, 1),
        ("drives", {}, {"log": ("drive.csv", DRIVE)}, 2),
    ],
)
def test_an_entry_sent_again_is_answered_with_what_it_made_the_first_time(shop, address, fields, files, made):
    """The head of the answer is that of its own events, whatever came after: what others wrote is still news."""
    case_id = shop.misfiring()
    head, kept = shop.desk.store.head(case_id), len(shop.desk.store.events(case_id))
    sent = {"data": {**fields, "head": head, "entry": ENTRY}, "headers": {"Accept": "application/json"}}

    first = shop.client.post(f"/cases/{case_id}/{address}", files=files, **sent)
    shop.desk.record(case_id, Noted(words="The other device."), "Bo")
    again = shop.client.post(f"/cases/{case_id}/{address}", files=files, **sent)

    assert first.status_code == again.status_code == 200
    assert first.json() == again.json()
    assert first.json()["before"] == head
    assert first.json()["head"] not in (head, shop.desk.store.head(case_id))
    assert len(shop.desk.store.events(case_id)) == kept + made + 1


def test_the_same_entry_in_ten_requests_at_once_is_recorded_once(shop):
    case_id = shop.take_in()
    statuses: list[int] = []

    def send() -> None:
        sent = {"kind": "noted", "words": "Plug wet.", "entry": ENTRY}
        statuses.append(shop.post(f"/cases/{case_id}/record", **sent).status_code)

    threads = [Thread(target=send) for _ in range(10)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    assert statuses == [303] * 10
    assert len(shop.desk.store.events(case_id)) == 2


def test_a_case_is_opened_once_by_one_entry(shop):
    car = {"make": "Velmora", "model": "Tessin", "distance_km": "1000", "shape": "I4"}
    sent = {**car, "words": "Shakes.", "owner-name": "Rue", "entry": ENTRY}
    first, again = shop.post("/cases", **sent), shop.post("/cases", **sent)

    assert first.headers["location"] == again.headers["location"]
    assert len(shop.desk.store.cases()) == 1
    assert [event.body.kind for event in shop.desk.store.events("c-0001")] == ["opened", "told"]


def test_of_two_swaps_in_one_entry_none_stands_alone(shop):
    """The second names a cylinder that this engine does not have: the first must not be recorded either."""
    case_id = shop.misfiring()
    kept = len(shop.desk.store.events(case_id))

    refused = shop.client.post(f"/cases/{case_id}/record", data={"body": [swap("coil", 1, 3), swap("plug", 1, 9)]})
    assert refused.status_code == 422
    assert len(shop.desk.store.events(case_id)) == kept

    shop.client.post(f"/cases/{case_id}/record", data={"body": [swap("coil", 1, 3), swap("plug", 1, 2)]})
    bodies = [event.body for event in shop.desk.store.events(case_id)[kept:]]
    assert [body.part for body in bodies if isinstance(body, Moved)] == ["coil", "plug"]


def test_a_conflict_over_two_swaps_offers_both_again(shop):
    case_id = shop.misfiring()
    head = shop.desk.store.head(case_id)
    shop.desk.record(case_id, Noted(words="The other device."), "Bo")

    sent = {"body": [swap("coil", 1, 3), swap("plug", 1, 2)], "head": head}
    page = shop.client.post(f"/cases/{case_id}/record", data=sent)

    assert page.status_code == 409
    assert page.text.count('name="body"') == 2


@pytest.mark.parametrize("entry", ["short", "x" * 65, "with blank in it", "../../etc/passwd"])
def test_what_is_no_entry_id_is_refused(shop, entry):
    case_id = shop.take_in()
    answer = shop.post(f"/cases/{case_id}/record", kind="noted", words="x", entry=entry)
    assert answer.status_code == 422
    assert len(shop.desk.store.events(case_id)) == 1
