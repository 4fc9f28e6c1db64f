"""The same plug fouled after 6,000 km; the present one has 1,200 km: what follows from that."""

from __future__ import annotations

import pytest
from tests.casebook.case_values import opened, story
from tests.handover.handover_cases import papers_of

from firstcause.casebook.case import replay
from firstcause.casebook.events import Body, Closed, Counted, Found, LifeSeen, Linked, Renewed
from firstcause.casebook.outlook import look_ahead
from firstcause.casebook.prospects import prospects_of
from firstcause.casebook.weighing import WeighedCase, weigh_case
from firstcause.knowledge.base import load

BAD = Counted(minutes={"idle": 3.0}, rpm=750, misfires={1: 0, 2: 0, 3: 260, 4: 0})
OILY = Found(test="plug-look", place="cylinder 3", outcome="oil-wet")
NEW_PLUG = Renewed(part="plug", cylinder=3)
QUIET = Counted(minutes={"idle": 10.0}, rpm=750, misfires={1: 0, 2: 0, 3: 0, 4: 0}, odometer_km=149_200.0)
CAME_BACK = Linked(
    relation="earlier", case="c-0001", complaint="back", driven_km=6_000.0,
    lives=(LifeSeen(part="plug", cylinder=3, distance_km=6_000.0, ended=True),),
)  # fmt: skip


def weighed(*bodies: Body) -> WeighedCase:
    return weigh_case(replay(story(opened(), *bodies)), load())


def of_oil(case: WeighedCase, **driving: str):  # type: ignore[no-untyped-def]
    prospects = prospects_of(case, **driving)  # type: ignore[arg-type]
    return next(each for each in prospects.standing if each.cause in prospects.own_lives or "oil" in each.cause)


def test_a_life_seen_before_and_the_running_one_move_what_is_expected() -> None:
    plain, taught = weighed(BAD, OILY, NEW_PLUG, QUIET), weighed(BAD, OILY, CAME_BACK, NEW_PLUG, QUIET)
    one, two = of_oil(plain), of_oil(taught)

    assert two.running_km == pytest.approx(149_200.0 - 148_000.0)
    assert two.life.weight == one.life.weight + 1.0, "one ended life counts as one"
    assert two.life != one.life
    said = prospects_of(taught).own_lives[two.cause]
    assert said == "it was back after 6,000 km, and the present one has 1,200 km"


def test_the_owners_page_says_it_of_this_very_car() -> None:
    facts = papers_of(weighed(BAD, OILY, CAME_BACK, NEW_PLUG, QUIET, Closed(state="relieved")))
    told = [each for each in facts.returns if "in this very car it was back after 6,000 km" in each.ground]
    assert told
    assert told[0].words.startswith("Expect it back after ")
    assert told[0].ground.count("the present one has 1,200 km") == 1


def test_the_oil_that_was_read_and_the_driving_set_the_span() -> None:
    read = Found(test="oil-consumption", place="engine", value=0.6, unit="L/1000 km")
    case = weighed(BAD, OILY, NEW_PLUG, QUIET, read)
    town, highway = (of_oil(case, driving=kind).life.quantile_km(0.5) for kind in ("city", "highway"))
    assert town < 0.5 * highway
    assert any("0.6 L per 1,000 km read, mixed driving" in words for words in prospects_of(case).spans)


def test_which_cause_brings_it_back_first_adds_up() -> None:
    ahead = look_ahead(weighed(BAD, OILY, CAME_BACK, NEW_PLUG, QUIET), draws=500)
    assert sum(chance for _, chance in ahead.first_back) + ahead.not_back == pytest.approx(1.0, abs=1e-4)
    watch = next(told for told in ahead.forecasts if told.course.key == "watch")
    assert ahead.not_back == pytest.approx(1.0 - watch.returned[-1], abs=0.06), "both know that something stands"
    assert ahead.to_dict()["back_first_by"][0]["chance"] > 0.0
