"""A case of another pack on the page: its form, its questions, its counts, its papers."""

from __future__ import annotations

import pytest

from firstcause.casebook.events import Counted, Found

CAR = {"make": "Norvane", "model": "Tessel", "distance_km": "171000", "shape": "I4"}


def opened(shop, **more: str) -> str:
    answer = shop.client.post("/cases", data={**CAR, **more}, follow_redirects=False)
    assert answer.status_code == 303, answer.text
    return answer.headers["location"].rpartition("/")[2]


def test_the_new_case_form_names_every_pack_and_asks_the_questions_of_the_one_chosen(shop) -> None:
    plain, starting = shop.client.get("/new").text, shop.client.get("/new?pack=no-start").text

    for text in (plain, starting):
        assert all(name in text for name in ("Misfire", "No start", "Fuel trim"))
    assert "answer-battery-older-than-five-years" in starting
    assert "answer-battery-older-than-five-years" not in plain
    assert 'name="pack" value="no-start"' in starting


def test_a_pack_that_is_not_there_is_refused_in_a_sentence(shop) -> None:
    assert "There is no knowledge pack" in shop.client.get("/new?pack=brakes").text
    answer = shop.client.post("/cases", data={**CAR, "pack": "brakes"})
    assert answer.status_code == 422
    assert "There is no knowledge pack" in answer.text


def test_failed_starts_are_recorded_by_condition_and_weighed(shop) -> None:
    case = opened(shop, pack="no-start")
    form = shop.client.get(f"/cases/{case}/record?kind=counted").text
    assert "After a cold night" in form
    assert "Engine speed, rpm" not in form

    shop.client.post(f"/cases/{case}/record", data={"kind": "counted", "minutes-cold": "4", "misfires-1": "4"})
    shop.client.post(
        f"/cases/{case}/record", data={"kind": "found", "test": "earth-drop", "place": "engine", "outcome": "large"}
    )

    stored = [event.body for event in shop.desk.store.case(case).effective]
    assert stored[1] == Counted(minutes={"cold": 4.0}, misfires={1: 4})
    assert isinstance(stored[2], Found)
    page = shop.client.get(f"/cases/{case}").text
    assert "Starts tried, 4 starts after a cold night" in page
    told = shop.client.get(f"/api/cases/{case}/weighing").json()
    assert told["knowledge"]["pack"] == "no-start"
    assert {s["fault"] for s in told["suspects"][:2]} == {"earth-strap-bad", "terminals-corroded"}
    assert told["complaint_on"] == ["engine"]


SCREENS = ["", "/steps", "/parts", "/evidence", "/roadtest", "/closing", "/record", "/handover"]


@pytest.mark.parametrize("screen", SCREENS)
def test_every_screen_of_such_a_case_can_be_opened(shop, screen: str) -> None:
    case = opened(shop, pack="no-start")
    shop.client.post(f"/cases/{case}/record", data={"kind": "counted", "minutes-cold": "4", "misfires-1": "4"})

    answer = shop.client.get(f"/cases/{case}{screen}")

    assert answer.status_code == 200
    assert "misfire counters" not in answer.text.lower()
