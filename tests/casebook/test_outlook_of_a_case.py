"""The options of a case over time: chances from its posterior, prices by renewal theory, lives from the car."""

from __future__ import annotations

from functools import cache
from xml.etree import ElementTree

import pytest
from tests.casebook.case_values import opened, story

from firstcause.casebook.case import replay
from firstcause.casebook.events import Body, Counted, Drove, Found, LifeSeen, Linked, Renewed
from firstcause.casebook.lives import Lives, lives_of, lives_until
from firstcause.casebook.outlook import Ahead, look_ahead
from firstcause.casebook.outlook_drawing import draw_prices, draw_returns, draw_what_matters
from firstcause.casebook.weighing import WeighedCase, weigh_case
from firstcause.errors import RequestError
from firstcause.knowledge.base import load

BAD_THREE = Counted(minutes={"idle": 3.0}, rpm=750, misfires={1: 0, 2: 0, 3: 260, 4: 0})
OILY = Found(test="plug-look", place="cylinder 3", outcome="oil-wet")
NEW_PLUG = Renewed(part="plug", cylinder=3)
QUIET = Drove(minutes={"idle": 5.0, "cruise": 15.0}, misfires={1: 0, 2: 0, 3: 0, 4: 0})
FOULED_BEFORE = Linked(
    relation="earlier", case="c-1", driven_km=6_000, complaint="back",
    lives=(LifeSeen(part="plug", cylinder=3, distance_km=1_500, ended=True),),
)  # fmt: skip
STORIES: dict[str, tuple[Body, ...]] = {
    "still missing": (BAD_THREE, OILY),
    "relieved": (BAD_THREE, OILY, NEW_PLUG, QUIET),
    "fouled before": (FOULED_BEFORE, BAD_THREE, OILY, NEW_PLUG, QUIET),
}


@cache
def weighed(told: str) -> WeighedCase:
    return weigh_case(replay(story(opened(), *STORIES[told])), load())


@cache
def ahead(told: str) -> Ahead:
    return look_ahead(weighed(told), months=24, km_a_month=1_000, seed=3)


def median_back_km(told: Ahead, cause: str) -> float:
    life = next(each.life for each in told.prospects.standing if each.cause == cause)
    assert life is not None
    return life.quantile_km(0.5)


@pytest.mark.parametrize("which", ["still missing", "relieved"])
def test_what_may_stand_is_shared_out_by_the_posterior(which: str) -> None:
    told, belief = ahead(which), weighed(which).weighing.belief
    chance = {each.cause: each.chance for each in told.prospects.standing}
    rings, seals = "oil-rings-stuck@cylinder 3", "stem-seal-leaks@cylinder 3"
    assert sum(chance.values()) == pytest.approx(1.0, abs=1e-9)
    assert chance[rings] / chance[seals] == pytest.approx(belief[rings] / belief[seals], rel=1e-9)


@pytest.mark.parametrize("which", ["still missing", "relieved"])
def test_every_option_costs_in_the_mean_what_renewal_theory_says(which: str) -> None:
    """Within 4 standard errors of the draw, lasting damage left out of both; the exact mean draws nothing."""
    told = ahead(which)
    for each, exact in zip(told.forecasts, told.exact, strict=True):
        assert abs(each.mean_without_harm - exact) < 4.0 * each.error[-1] + 0.1, each.course.name


def test_the_options_stand_side_by_side() -> None:
    """Before the plug is renewed nothing relieves; after it, driving on may go well for a while."""
    before, after = ahead("still missing"), ahead("relieved")
    assert {each.course.key.partition(" ")[0] for each in before.forecasts} == {
        "watch", "renew-victim", "test", "cure", "unit", "sell",
    }  # fmt: skip
    assert before.forecasts[0].returned[0] == pytest.approx(1.0, abs=0.01), "driven on with, it is there from the start"
    assert after.forecasts[0].returned[0] == 0.0
    assert 0.5 < after.forecasts[0].returned[-1] < 1.0
    assert before.forecasts[0].harmed[-1] > 10 * before.forecasts[1].harmed[-1], "a dead cylinder ruins the catalyst"


def test_each_price_has_its_spread() -> None:
    for option in ahead("still missing").to_dict()["options"]:
        price = option["price"]
        assert price["from"] <= price["to"]
        assert price["error"] > 0.0
        assert option["leaves_open"]


def test_a_plug_that_fouled_early_in_this_car_is_expected_back_earlier() -> None:
    """Bayes: a life of 1,500 km where 1,600 to 9,700 was expected moves the median down, for what fouls plugs only."""
    before, after = ahead("relieved"), ahead("fouled before")
    rings = "oil-rings-stuck@cylinder 3"
    assert median_back_km(after, rings) < 0.9 * median_back_km(before, rings)
    assert any("in this very car spoilt again after 1,500 km" in words for words in after.prospects.spans)


def test_lives_are_read_from_the_odometer() -> None:
    """Renewed at 148,000, missing at 154,000: a life of 6,000. Renewed again, quiet at 155,200: 1,200 so far."""
    again = BAD_THREE.model_copy(update={"odometer_km": 154_000})
    quiet = QUIET.model_copy(update={"odometer_km": 155_200})
    case = replay(story(opened(), BAD_THREE, NEW_PLUG, again, NEW_PLUG, quiet))
    assert lives_of(case, load())["plug", 3] == Lives((6_000.0,), (), 1_200.0)
    taught = lives_until(case, load(), 157_000.0, frozenset({3}))
    assert {(life.distance_km, life.ended) for life in taught} == {(6_000.0, True), (3_000.0, True)}
    untouched = lives_until(case, load(), 157_000.0, frozenset({1}))
    assert {(life.distance_km, life.ended) for life in untouched} == {(6_000.0, True), (3_000.0, False)}


def test_the_pictures_are_whole_and_name_every_option() -> None:
    told = ahead("still missing")
    for drawn in (draw_prices(told, "EUR"), draw_returns(told), draw_what_matters(told, "EUR")):
        root = ElementTree.fromstring(drawn)
        words = " ".join(root.itertext())
        assert root.find("{http://www.w3.org/2000/svg}desc") is not None
        if "What the choice hangs on" not in words:
            assert all(each.course.name in words for each in told.forecasts if each.course.key != "sell")


def test_a_horizon_of_nothing_is_refused() -> None:
    with pytest.raises(RequestError, match="months and km a month above 0"):
        look_ahead(weighed("relieved"), months=0.0)
