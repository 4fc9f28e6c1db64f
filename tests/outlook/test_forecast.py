"""The simulation against the exact mean, against arithmetic, and against itself."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from firstcause.errors import RequestError
from firstcause.outlook.courses import Course, Standing
from firstcause.outlook.crossing import crossing, what_matters
from firstcause.outlook.exact_mean import expected_price
from firstcause.outlook.forecast import forecast
from firstcause.outlook.lifetime import LifeBelief

FOULS_AGAIN = LifeBelief.from_span(6_000.0, 20_000.0, weight=2.0)
RINGS = Standing("rings", "Oil-control rings stuck", 0.6, FOULS_AGAIN, 2_400.0)
SEALS = Standing("seals", "Stem seals hard", 0.3, LifeBelief.from_span(10_000.0, 40_000.0, 2.0), 900.0)
NOTHING = Standing("nothing", "Nothing is left", 0.1, None)
MAY_STAND = (RINGS, SEALS, NOTHING)
PLUG_EACH_TIME = Course("plug", "Renew the plug when needed", 60.0, "renew", return_price=60.0)
SEALS_NOW = Course("seals", "Renew the seals", 900.0, "settle", {"seals": 0.9}, return_price=300.0)


@pytest.mark.parametrize("course", [PLUG_EACH_TIME, SEALS_NOW])
@pytest.mark.parametrize("age_km", [0.0, 1_200.0, 9_000.0])
@pytest.mark.parametrize("fresh", [True, False])
@pytest.mark.parametrize("relieves", [True, False])
def test_the_simulated_mean_is_the_exact_mean(course: Course, age_km: float, fresh: bool, relieves: bool) -> None:
    """Within 4 standard errors (and a tenth of a unit) at 40,000 km: renewal theory beside 40,000 drawn cars."""
    standing = tuple(replace(each, running_km=age_km) for each in MAY_STAND)
    course = replace(course, fresh=fresh, relieves=relieves)
    (told,) = forecast(standing, [course], 40_000.0, seed=7, draws=40_000)
    exact = expected_price(standing, course, 40_000.0)
    assert abs(told.mean[-1] - exact) < 4.0 * told.error[-1] + 0.1
    assert told.error[-1] < 0.01 * exact


def test_what_never_returns_costs_what_it_costs_now() -> None:
    sure = (replace(RINGS, chance=0.0), replace(NOTHING, chance=1.0))
    (told,) = forecast(sure, [PLUG_EACH_TIME], 40_000.0, seed=1)
    assert told.price_at_end == (60.0, 60.0, 60.0)
    assert told.first_return_km is None
    assert not told.returned.any()


def test_the_share_that_returns_follows_the_belief() -> None:
    """At the ends of its span 1 in 10 and 9 in 10 have fouled again (what the span says), within 1.5 in 100."""
    (told,) = forecast((replace(RINGS, chance=1.0),), [PLUG_EACH_TIME], 30_000.0, seed=3, draws=40_000)
    assert float(np.interp(6_000.0, told.distance_km, told.returned)) == pytest.approx(0.1, abs=0.015)
    assert float(np.interp(20_000.0, told.distance_km, told.returned)) == pytest.approx(0.9, abs=0.015)


def test_a_complaint_lived_with_harms_at_its_rate() -> None:
    """1 - exp(-rate x distance), at most once: 0.02 per 1,000 km over 50,000 km is 63 in 100."""
    harmful = replace(RINGS, chance=1.0, harm_per_1000_km=0.02, harm_price=1_500.0)
    course = Course("watch", "Drive on and watch", 0.0, "live-with-it", relieves=False)
    (told,) = forecast((harmful,), [course], 50_000.0, seed=5, draws=40_000)
    assert told.harmed[-1] == pytest.approx(1.0 - np.exp(-1.0), abs=0.01)
    assert told.mean[-1] == pytest.approx(1_500.0 * told.harmed[-1], rel=1e-9)


def test_the_same_seed_is_the_same_forecast_and_courses_share_their_cars() -> None:
    first, again = (forecast(MAY_STAND, [PLUG_EACH_TIME, SEALS_NOW], 20_000.0, seed=9) for _ in range(2))
    assert np.array_equal(first[0].mean, again[0].mean)
    dearer = replace(PLUG_EACH_TIME, price_now=100.0)
    (moved,) = forecast(MAY_STAND, [dearer], 20_000.0, seed=9)
    assert np.allclose(moved.mean - first[0].mean, 40.0)


def test_chances_that_do_not_add_up_are_refused() -> None:
    with pytest.raises(RequestError, match=r"add up to 0\.9000"):
        forecast((RINGS, SEALS), [PLUG_EACH_TIME], 20_000.0, seed=1)
    with pytest.raises(RequestError, match="horizon of 0 km"):
        forecast(MAY_STAND, [PLUG_EACH_TIME], 0.0, seed=1)


def test_a_cure_pays_from_where_the_returns_have_cost_as_much() -> None:
    """Arithmetic: a return every 10,000 km (a life that hardly scatters) at 100 each, against 350 once for good.

    With its first plug at 100 the cheap course has cost 100, 200, 300, 400 after 0, 10,000, 20,000 and 30,000 km: the
    dear one is ahead from the third return on.
    """
    like_a_clock = LifeBelief.from_span(9_900.0, 10_100.0, weight=50.0)
    standing = (replace(RINGS, chance=1.0, life=like_a_clock),)
    plug = Course("plug", "A plug each time", 100.0, "renew", return_price=100.0)
    cure = Course("cure", "Cure it", 350.0, "settle", {"rings": 1.0})
    told = forecast(standing, [plug, cure], 60_000.0, seed=2, draws=4_000)
    found = crossing(*told)
    assert found is not None
    assert found.pays.key == "cure"
    assert found.at_km == pytest.approx(30_000.0, abs=1_200.0)  # one step of the grid and a little
    assert crossing(*forecast(standing, [plug, cure], 15_000.0, seed=2, draws=4_000)) is None


def test_what_nobody_doubts_does_not_matter() -> None:
    """The price of the cure moves the gap by exactly its own change; what cannot stand moves nothing."""
    standing = (replace(RINGS, chance=1.0), replace(SEALS, chance=0.0))
    cure = Course("cure", "Cure it", 1_000.0, "settle", {"rings": 1.0})
    matters = {matter.name: matter for matter in what_matters(standing, PLUG_EACH_TIME, cure, 30_000.0, seed=2)}
    price = matters["what it costs: Cure it"]
    assert price.up - price.down == pytest.approx(1_000.0 * (1.25 - 0.8))
    assert not any("Stem seals" in name for name in matters)
    assert "how likely it is: Oil-control rings stuck" not in matters, "a sure cause has no odds to move"
    assert matters["how soon it returns: Oil-control rings stuck"].swing > 0.0
