"""The JSON face: the same cases, the same checks, conflicts shown and nothing lost."""

from __future__ import annotations

import threading

import pytest

from firstcause.casebook.events import Noted, Told


def record(shop, case_id: str, body: dict[str, object], **more: object):
    return shop.client.post(f"/api/cases/{case_id}/events", json={"body": body, **more})


def test_cases_and_one_case(shop):
    case_id = shop.take_in(Told(words="Shakes.", lamp="on"))

    (line,) = shop.client.get("/api/cases").json()["cases"]
    case = shop.client.get(f"/api/cases/{case_id}").json()

    assert (line["case_id"], line["state"], line["events"]) == (case_id, "open", 2)
    assert [event["body"]["kind"] for event in case["events"]] == ["opened", "told"]
    assert case["head"] == shop.desk.store.head(case_id)


def test_what_is_recorded_stands_in_the_case_and_moves_the_head(shop):
    case_id = shop.take_in()
    before = shop.client.get(f"/api/cases/{case_id}/head").json()["head"]

    answer = record(shop, case_id, {"kind": "noted", "words": "Plug wet."}, by="Bo", expected_head=before)

    assert answer.status_code == 201
    assert answer.json()["event"]["by"] == "Bo"
    assert answer.json()["head"] == shop.client.get(f"/api/cases/{case_id}/head").json()["head"] != before


def test_a_late_writer_gets_409_with_what_was_written_in_between(shop):
    case_id = shop.take_in()
    seen = shop.desk.store.head(case_id)
    record(shop, case_id, {"kind": "noted", "words": "The other device was quicker."})

    answer = record(shop, case_id, {"kind": "noted", "words": "Mine."}, expected_head=seen)

    assert answer.status_code == 409
    told = answer.json()
    assert [event["body"]["words"] for event in told["since"]] == ["The other device was quicker."]
    assert told["not_recorded"][0]["words"] == "Mine."
    assert record(shop, case_id, told["not_recorded"][0], expected_head=told["head"]).status_code == 201
    assert len(shop.desk.store.case(case_id).events) == 3


def test_news_come_before_a_refusal_that_they_explain(shop):
    """Both devices withdraw the same note: the late one is shown the other's withdrawal, not a riddle."""
    case_id = shop.take_in(Noted(words="wrong car"))
    seen = shop.desk.store.head(case_id)
    withdraw = {"kind": "withdrawn", "event": "e2", "why": "another car"}
    assert record(shop, case_id, withdraw, expected_head=seen).status_code == 201

    answer = record(shop, case_id, withdraw, expected_head=seen)

    assert answer.status_code == 409
    assert [event["body"]["kind"] for event in answer.json()["since"]] == ["withdrawn"]


def test_without_a_head_devices_that_write_at_once_lose_nothing(shop):
    case_id = shop.take_in()
    statuses: dict[str, int] = {}

    def write(n: int) -> None:
        statuses[f"note {n}"] = record(shop, case_id, {"kind": "noted", "words": f"note {n}"}).status_code

    threads = [threading.Thread(target=write, args=(n,)) for n in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()

    kept = [event.body.words for event in shop.desk.store.events(case_id) if isinstance(event.body, Noted)]
    assert sorted(kept) == sorted(words for words, status in statuses.items() if status == 201)
    assert set(statuses.values()) <= {201, 409}
    assert len(statuses) == 6


@pytest.mark.parametrize(
    ("body", "words"),
    [
        ({"kind": "found", "test": "plug-lok", "place": "cylinder 3", "outcome": "x"}, "did you mean 'plug-look'"),
        ({"kind": "found", "test": "plug-look", "place": "cylinder 9", "outcome": "clean"}, "cylinders 1 to 4"),
        ({"kind": "moved", "part": "coil", "first": 2, "second": 2}, "cannot change places with itself"),
        ({"kind": "counted", "minutes": {"idle": 1}, "misfires": {"3": -1}}, "misfires"),
        ({"kind": "dreamt"}, "kind"),
        ({"kind": "noted"}, "words: field required"),
        ({"kind": "erased", "saved": "e1"}, "is no snapshot"),
    ],
)
def test_what_cannot_stand_is_refused_in_one_sentence(shop, body, words):
    case_id = shop.take_in()
    answer = record(shop, case_id, body)

    assert answer.status_code == 422
    assert words in answer.json()["error"]
    assert len(shop.desk.store.case(case_id).events) == 1


def test_a_case_that_is_not_there(shop):
    for address in ("", "/head", "/weighing", "/waits-for"):
        answer = shop.client.get(f"/api/cases/c-4711{address}")
        assert answer.status_code == 404
        assert "There is no case 'c-4711'" in answer.json()["error"]


def test_a_request_that_is_no_json_is_refused(shop):
    case_id = shop.take_in()
    headers = {"Content-Type": "application/json"}
    assert shop.client.post(f"/api/cases/{case_id}/events", content=b"{", headers=headers).status_code == 422
    answer = shop.client.post(f"/api/cases/{case_id}/events", json={"bodi": {}})
    assert answer.status_code == 422
    assert "bodi" in answer.json()["error"]


def test_the_weighing_is_the_one_of_the_casebook(shop):
    case_id = shop.misfiring()

    told = shop.client.get(f"/api/cases/{case_id}/weighing").json()

    assert told["complaint_cylinders"] == [3]
    assert told["safety"]["verdict"] == "move-only"
    assert told["suspects"][0]["probability"] == shop.desk.weighed(case_id).weighing.roots[0].probability
    waits = shop.client.get(f"/api/cases/{case_id}/waits-for").json()["waits_for"]
    assert waits.startswith(told["next_steps"][0]["name"])


def test_cured_is_refused_while_a_hard_objection_stands_also_by_correction(shop):
    case_id = shop.misfiring()
    refused = record(shop, case_id, {"kind": "closed", "state": "cured"})
    assert refused.status_code == 422
    assert "still shows misfires" in refused.json()["error"]

    assert record(shop, case_id, {"kind": "closed", "state": "not-found"}).status_code == 201
    record(shop, case_id, {"kind": "reopened", "why": "once more"})
    again = {"kind": "corrected", "event": "e5", "by": {"kind": "closed", "state": "cured"}, "why": "wishful"}
    assert record(shop, case_id, again).status_code == 422
    assert shop.desk.store.case(case_id).state == "open"


def test_a_weighing_is_made_once_for_each_story(shop, monkeypatch):
    """Six devices that look at once wait for one computation; a new event makes a new one."""
    import firstcause.web.desk as desk_module

    made: list[str] = []
    real = desk_module.weigh_case

    def counting(case, knowledge, **terms):
        made.append(case.next_id)
        return real(case, knowledge, **terms)

    monkeypatch.setattr(desk_module, "weigh_case", counting)
    case_id = shop.misfiring()
    threads = [threading.Thread(target=shop.desk.weighed, args=(case_id,)) for _ in range(6)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    shop.desk.weighed(case_id)
    assert made == ["e5"]

    shop.desk.record(case_id, Noted(words="hm"), "Ada")
    shop.desk.weighed(case_id)
    assert made == ["e5", "e6"]
