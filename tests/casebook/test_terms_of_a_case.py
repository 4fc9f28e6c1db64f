"""What a case says of the terms of its weighing: set aside and withdrawn, what will not open, the owner's limit."""

from __future__ import annotations

from datetime import UTC, datetime

from firstcause.casebook.advice_words import budget_words, forgone_words, over_limit_words, what_if_words
from firstcause.casebook.case import replay
from firstcause.casebook.events import (
    Agreed,
    Body,
    Car,
    Counted,
    Drove,
    EngineDescription,
    Event,
    Found,
    Opened,
    SetAside,
    Withdrawn,
)
from firstcause.casebook.shop import Shop
from firstcause.casebook.weighing import WeighedCase, weigh_case
from firstcause.knowledge.base import load

AT = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)
CAR = Car(make="Velmora", model="Tessin", distance_km=148_000, engine=EngineDescription(shape="I4"))
BAD_THREE = Counted(minutes={"idle": 2.0}, rpm=720, misfires={1: 0, 2: 0, 3: 180, 4: 1})
STUCK = SetAside(step="plug-look at cylinder 3", why="not-possible")


def weighed(*bodies: Body, shop: Shop = Shop()) -> WeighedCase:  # noqa: B008
    story = (Opened(car=CAR), BAD_THREE, *bodies)
    events = [Event(id=f"e{n}", at=AT, body=body) for n, body in enumerate(story, start=1)]
    return weigh_case(replay(events), load(), shop=shop)


def offered(case: WeighedCase) -> set[str]:
    return {option.step.key for option in case.weighing.advice.options}


def test_a_step_set_aside_comes_back_when_that_is_withdrawn() -> None:
    plain, without = weighed(), weighed(SetAside(step="plug-look at cylinder 3", why="no-time"))
    back = weighed(SetAside(step="plug-look at cylinder 3", why="no-time"), Withdrawn(event="e3", why="there is time"))

    assert "plug-look at cylinder 3" not in offered(without)
    assert offered(back) == offered(plain)
    assert back.weighing.advice.forgone == ()
    (said,) = [forgone_words(f, without.knowledge) for f in without.weighing.advice.forgone]
    assert said.startswith("Without plug appearance (cylinder 3), no time")
    assert "higher" in said


def test_what_will_not_open_takes_all_that_needs_it_until_it_was_opened() -> None:
    """A stuck plug: common practice, no source. Once somebody has seen it, it is out."""
    stuck = weighed(STUCK)
    opened = weighed(STUCK, Found(test="plug-look", place="cylinder 3", outcome="normal"))

    needing = [o.step for o in stuck.weighing.advice.options if "plug-out cylinder 3" in o.step.opens]
    assert needing == []
    assert "fit-plug at cylinder 3" in {s.key for f in stuck.weighing.advice.forgone for s in f.steps}
    assert any("plug-out cylinder 3" in o.step.opens for o in opened.weighing.advice.options)


def test_what_stood_open_already_blocks_only_itself() -> None:
    seen = Found(test="plug-look", place="cylinder 3", outcome="normal")
    no_gap = weighed(seen, SetAside(step="plug-gap at cylinder 3", why="not-possible"))
    assert "plug-gap at cylinder 3" not in offered(no_gap)
    assert any("plug-out cylinder 3" in o.step.opens for o in no_gap.weighing.advice.options)


def test_without_the_tool_a_test_is_set_aside_at_every_place() -> None:
    without = weighed(SetAside(step="leak-down at cylinder 3", why="no-tool"))
    assert not any(key.startswith("leak-down at") for key in offered(without))


def test_the_tools_of_the_shop_are_a_term_and_the_list_names_the_missing_ones() -> None:
    every = {tool for test in load().tests.values() for tool in test.tools}
    lacking = weighed(shop=Shop(tools=frozenset(every - {"borescope"})))
    assert not any("borescope" in o.step.tools for o in lacking.weighing.advice.options)
    assert any("the tool 'borescope'" in forgone_words(f, lacking.knowledge) for f in lacking.weighing.advice.forgone)


def test_the_owners_limit_is_kept_watch_over() -> None:
    case = weighed(Agreed(by="spoken", work="Find the cause", limit=60.0))
    budget = case.weighing.advice.budget
    assert budget is not None
    assert (budget.limit, budget.ask) == (60.0, "now")
    sentences = budget_words(budget)
    assert sentences[0].startswith("The owner agreed to 60; about ")
    assert any(s.startswith("Ask the owner now") for s in sentences)
    repair = next(o for o in case.weighing.advice.options if o.step.kind == "repair")
    assert "over the owner's limit" in over_limit_words(repair)


def test_a_second_yes_raises_the_limit_and_work_uses_it_up() -> None:
    once = weighed(Agreed(by="spoken", work="Find the cause", limit=300.0))
    twice = weighed(Agreed(by="spoken", work="Find it", limit=300.0), Agreed(by="message", work="More", limit=200.0))
    driven = weighed(
        Agreed(by="spoken", work="Find the cause", limit=300.0), Drove(minutes={"cruise": 30.0}, misfires={3: 90})
    )
    assert once.weighing.advice.budget is not None
    assert twice.weighing.advice.budget is not None
    assert driven.weighing.advice.budget is not None
    assert twice.weighing.advice.budget.left == once.weighing.advice.budget.left + 200.0
    assert driven.weighing.advice.budget.left == once.weighing.advice.budget.left - 60.0  # 30 min at 120 an hour


def test_limits_in_two_currencies_are_not_added_up_and_that_is_said() -> None:
    case = weighed(Agreed(work="Find it", limit=300.0), Agreed(work="More", limit=200.0, currency="EUR"))
    assert case.weighing.advice.budget is None
    assert any("limits were agreed in EUR and USD" in note.text for note in case.read.notes)


def test_something_else_is_answered_in_a_sentence() -> None:
    case = weighed(SetAside(step="leak-down at cylinder 3", why="no-time"))
    said = what_if_words(case.weighing.what_if("leak-down at cylinder 3"))
    assert "more than the best step" in said[0] or "as good as anything" in said[0]
    assert said[1] == "It was set aside: no time."
    assert case.to_dict()["forgone"][0]["why"] == "no-time"


def test_setting_aside_what_is_no_step_is_said() -> None:
    case = weighed(SetAside(step="the whole engine", why="not-sensible"))
    assert any("'the whole engine' is no step of the list" in note.text for note in case.read.notes)
    assert not any("no step of the list" in note.text for note in weighed(STUCK).read.notes)


def test_what_goes_with_a_stuck_part_is_named_shortly() -> None:
    (forgone,) = weighed(STUCK).weighing.advice.forgone
    said = forgone_words(forgone, load())
    assert said.startswith("Without plug appearance (cylinder 3), not possible here, and with it ")
    assert f"and {len(forgone.steps) - 4} more," in said
