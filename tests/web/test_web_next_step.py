"""The next step on the page: further looks on a card, the limit, something else, and thinking on in idle time."""

from __future__ import annotations

import time

from firstcause.casebook.events import Agreed, Counted, SetAside, Told
from firstcause.casebook.shop import Shop as Terms
from firstcause.web.thinking import Thinking


def thought(shop, case_id: str, head: str | None = None):
    asked = {"head": shop.desk.store.head(case_id) if head is None else head}
    return shop.client.get(f"/api/cases/{case_id}/thought", params=asked).json()


def test_it_thinks_on_a_little_with_each_call_and_narrows_what_could_be_saved(shop):
    case_id = shop.misfiring()

    first = thought(shop, case_id)
    second = thought(shop, case_id)

    assert not first["moved"]
    assert second["swept"] > first["swept"]
    assert second["could_save_at_most"] <= first["could_save_at_most"]
    assert "Thinking longer could still save at most" in second["words"]
    assert shop.desk.currency in second["words"]


def test_it_stops_when_the_story_moves(shop):
    case_id = shop.misfiring()
    seen = shop.desk.store.head(case_id)
    thought(shop, case_id, seen)
    shop.desk.record(case_id, Told(words="It smells."), "Bo")

    assert thought(shop, case_id, seen) == {"moved": True}
    assert thought(shop, case_id)["swept"] >= 1


def test_a_line_of_thought_ends_and_stays_at_its_end(shop):
    weighing = shop.desk.weighed(shop.misfiring()).weighing
    ticks = iter(range(10_000))
    thinking = Thinking(lambda: float(next(ticks)))
    done = [thinking.further(("one",), weighing, seconds=2.5) for _ in range(2)]

    assert done[1].swept > done[0].swept
    assert thinking.further(("another",), weighing, seconds=0.0).swept < done[1].swept
    begun = time.monotonic()
    assert thinking.further(("one",), weighing, seconds=0.0).swept > done[1].swept
    assert time.monotonic() - begun < 30.0


def test_something_else_has_its_price_and_changes_nothing(shop):
    case_id = shop.misfiring()
    head = shop.desk.store.head(case_id)

    told = shop.client.get(f"/api/cases/{case_id}/what-if", params={"key": "leak-down at cylinder 2"}).json()
    wrong = shop.client.get(f"/api/cases/{case_id}/what-if", params={"key": "leak-down at cylinder 9"})

    best = shop.desk.weighed(case_id).weighing.advice.best.expected_cost
    assert told["more_than_best"] > 0.0
    assert (
        told["more_than_best"] == round(told["expected_cost"] - best, 6)
        or abs(told["more_than_best"] - (told["expected_cost"] - best)) < 1e-6
    )
    assert "more than the best step" in told["words"][0]
    assert wrong.status_code == 422
    assert shop.desk.store.head(case_id) == head


def test_the_page_shows_the_limit_what_it_costs_and_what_passes_it(shop):
    case_id = shop.misfiring()
    shop.desk.record(case_id, Agreed(by="spoken", work="Find the cause", limit=60.0), "Ada")

    page = shop.client.get(f"/cases/{case_id}").text

    assert "The owner agreed to 60 USD" in page
    assert "over the owner&#39;s limit: ask first" in shop.client.get(f"/cases/{case_id}/steps").text
    assert "Ask the owner now" in page


def test_the_page_shows_what_is_set_aside_and_its_price_until_it_is_withdrawn(shop):
    case_id = shop.misfiring()
    shop.desk.record(case_id, SetAside(step="plug-look at cylinder 3", why="no-time"), "Ada")
    page = shop.client.get(f"/cases/{case_id}").text
    assert "Without plug appearance (cylinder 3)" in page
    assert "/step?key=plug-look" not in page

    last = shop.desk.store.case(case_id).events[-1].id
    shop.post(f"/cases/{case_id}/record", kind="withdrawn", event=last, why="there is time after all")
    again = shop.client.get(f"/cases/{case_id}/steps").text
    assert "key=plug-look%20at%20cylinder%203" in again


def test_a_card_names_the_further_looks_of_its_opening(shop):
    case_id = shop.misfiring()
    advice = shop.desk.weighed(case_id).weighing.advice
    option = next(option for option in advice.options if option.also)

    page = shop.client.get(f"/cases/{case_id}/step", params={"key": option.step.key}).text

    assert "While it is open" in page
    assert f"{option.also[0].minutes:.0f} min more" in page


def test_two_swaps_are_recorded_with_one_tap(shop):
    case_id = shop.misfiring()
    head = shop.desk.store.head(case_id)
    moves = [
        f'{{"kind": "moved", "part": "{part}", "first": 3, "second": {n}}}' for part, n in (("coil", 1), ("plug", 2))
    ]

    answer = shop.client.post(f"/cases/{case_id}/record", data={"head": head, "body": moves})

    assert answer.status_code in (200, 303)
    kinds = [(event.body.kind, getattr(event.body, "part", "")) for event in shop.desk.store.case(case_id).events[-2:]]
    assert kinds == [("moved", "coil"), ("moved", "plug")]


def test_the_shops_own_rate_and_tools_hold_for_every_weighing(shop):
    plain = shop.desk.weighed(shop.misfiring())
    step = next(o.step for o in plain.weighing.advice.options if o.step.kind == "test")
    shop.desk.given_at_start = Terms(240.0, frozenset())
    try:
        dear = shop.desk.weighed(shop.take_in(Counted(minutes={"idle": 2.0}, rpm=720, misfires={1: 0, 3: 180})))
    finally:
        shop.desk.given_at_start = Terms()

    assert dear.weighing.terms.labour_per_hour == 240.0
    assert not any(o.step.tools for o in dear.weighing.advice.options)
    assert step.minutes > 0.0


def test_a_story_alone_leads_to_the_evidence_and_to_no_step(shop):
    """Before anything of the car was read, no step can be worth its price: least of all handing it on."""
    told = Told(words="A new plug helped twice.", lamp="on", answers={"same-cylinder-same-cure-before": "yes"})
    page = shop.client.get(f"/cases/{shop.take_in(told, shape='V6')}").text

    assert "First the evidence" in page
    assert "Hand the car on" not in page
    assert "First the evidence" not in shop.client.get(f"/cases/{shop.misfiring()}").text
