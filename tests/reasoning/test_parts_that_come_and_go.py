"""Parts from a shelf, a scrapped car or a car that runs well; a part put back; a plug that is fouled once more.

Facts of the trade are common practice, no source, unless a docstring names one. The knowledge pack is the shipped one.
"""

from __future__ import annotations

from itertools import pairwise

import pytest
from tests.reasoning.test_trade_facts import BAD_THREE, FOUR, belief, counts, found, model, of_part, pack

from firstcause.errors import RequestError
from firstcause.reasoning.again import chance_again, share_back
from firstcause.reasoning.exact import Engine
from firstcause.reasoning.history import Driven, Happening, Moved, Origin, Renewed, Repaired
from firstcause.reasoning.looks import swap_plan
from firstcause.reasoning.steps import Step, Terms, open_now, swap_steps
from firstcause.reasoning.verdict import objections
from firstcause.reasoning.weigh import TOLERANCE
from firstcause.vehicle.place import cylinder

START_KM = FOUR.distance_km
OIL = ("oil-rings-stuck", "stem-seal-leaks", "valve-guide-worn", "compression-rings-worn")
DRIVE = {"idle": 3.0, "cruise": 15.0, "load": 3.0}
FOULED = "plug-oil-fouled@plug-new-1"


def oil(chances: dict[str, float]) -> float:
    return sum(chances[f"{fault}@cylinder 3"] for fault in OIL)


def fitted(origin: Origin) -> Renewed:
    return Renewed("e2", "coil", 3, origin)


# -------------------------------------------------------------------- parts from elsewhere


def test_a_known_good_coil_is_the_stronger_test_and_a_used_one_the_weaker() -> None:
    """Reference, 3.5 rule 7: a known-good part is stronger than an unknown one, but "new" is not "known good"."""
    still = counts("e3", {3: 250})
    left = {o: of_part(belief(BAD_THREE, fitted(o), still), f"coil-{o}-1") for o in ("new", "used", "lent")}
    assert left["lent"] < left["used"]
    assert left["new"] < left["used"]
    for origin, share in left.items():
        assert share < of_part(belief(BAD_THREE), "coil-3"), origin


def test_a_part_from_another_car_is_as_bad_as_the_pack_says() -> None:
    """Ours, by hand: a used coil has each fault of a coil with its usual chance times the factor of parts.toml."""
    kind, usual = pack().parts["coil"], belief()
    assert kind.used_part is not None
    chances = belief(fitted("used"))
    for fault in ("coil-dead", "coil-breaks-down-hot"):
        assert chances[f"{fault}@coil-used-1"] == pytest.approx(kind.used_part.factor * usual[f"{fault}@coil-1"])
    assert not [cause for cause in belief(fitted("new")) if cause.endswith("hot@coil-new-1")]


def test_what_goes_back_in_keeps_its_history() -> None:
    """The car's own coil out, a lent one in, all quiet; then its own back: the same coil, as suspect as before."""
    lent = (BAD_THREE, fitted("lent"), counts("e3", {}, DRIVE))
    back = (*lent, Renewed("e4", "coil", 3, "its-own"))
    before, after = belief(*lent), belief(*back)
    assert of_part(after, "coil-3") == pytest.approx(of_part(before, "coil-3"))
    assert model(*back).fitment.sits[("coil", (3,))] == "coil-3"
    again = belief(*back, counts("e5", {3: 250}))
    assert of_part(again, "coil-3") > 2.0 * of_part(belief(BAD_THREE), "coil-3")
    assert model(*back).current[("coil-dead", "coil-3")] in model(*back).live


def test_there_is_nothing_to_put_back_where_nothing_came_out() -> None:
    with pytest.raises(RequestError, match="No coil has come out of cylinder 3"):
        model(BAD_THREE, fitted("its-own"))


def test_a_lent_part_is_asked_back() -> None:
    told = model(BAD_THREE, fitted("lent"), counts("e3", {}, DRIVE))
    engine = Engine(told.network, 1e-6)
    codes = [each.code for each in objections(told, engine.posterior().probability, 0.9, "relieved")]
    assert "lent-parts" in codes
    home = model(BAD_THREE, fitted("lent"), counts("e3", {}, DRIVE), Renewed("e4", "coil", 3, "its-own"))
    assert home.fitment.lent() == []


# -------------------------------------------------------------------- what shows once shows again


def test_a_steady_fault_that_has_shown_itself_does_not_hide_from_the_next_look() -> None:
    """A steady air leak that was there at one idle is likely there at the next: quiet speaks against it, not so
    against a coil that comes in bouts; and showing itself twice is no second proof of it."""
    leak, bouts = "intake-runner-leak@cylinder 3", "coil-breaks-down-hot@coil-3"
    swapped = (BAD_THREE, Moved("e2", "injector", 3, 1))
    before, after = belief(*swapped), belief(*swapped, counts("e3", {}, {"idle": 3.0}))
    assert before[leak] > 0.05
    assert after[leak] < 0.35 * before[leak]
    assert after[bouts] > 2.0 * before[bouts]

    quiet = (BAD_THREE, Moved("e2", "coil", 3, 1), counts("e3", {3: 250}, {"idle": 3.0}))
    again = (*quiet, Moved("e4", "coil", 3, 1), counts("e5", {3: 250}, {"idle": 3.0}))
    assert belief(*again)[leak] == pytest.approx(belief(*quiet)[leak], rel=0.3)


# -------------------------------------------------------------------- fouled once more


def test_the_share_that_is_back_is_read_from_the_two_distances() -> None:
    """
    Ours: one in ten before the first distance, nine in ten before the second, never less with more.

    Reference 4.9 (accumulation of oil on the plug, computed there): at 0.59 L per 1,000 km the median is 1,560 miles
    in town and 5,850 mixed; the median read from (1,600 km, 9,700 km) lies between.
    """
    span = (1600, 9700)
    assert share_back(span, 1600) == pytest.approx(0.1)
    assert share_back(span, 9700) == pytest.approx(0.9)
    shares = [share_back(span, km) for km in range(0, 30_000, 500)]
    assert all(one <= other for one, other in pairwise(shares))
    assert shares[0] == 0.0
    assert share_back(span, 1560 * 1.609) < 0.5 < share_back(span, 5850 * 1.609)
    assert share_back((0, 0), 5.0) == 1.0


def test_two_trips_foul_as_much_as_one_of_their_length() -> None:
    """Ours: what is left clean after the first trip meets the rest of the distance."""
    fault = pack().faults["plug-oil-fouled"]
    first, second = chance_again(fault, 0.6, 0.0, 2000.0), chance_again(fault, 0.6, 2000.0, 5000.0)
    assert 1.0 - (1.0 - first) * (1.0 - second) == pytest.approx(chance_again(fault, 0.6, 0.0, 5000.0))

    def fouled(*trips: Happening) -> float:
        told = model(BAD_THREE, Renewed("e2", "plug", 3), *trips)
        cause = told.current[("plug-oil-fouled", "plug-new-1")]
        return Engine(told.network, 1e-7).posterior().probability[cause]

    one, two = (
        fouled(Driven("t2", START_KM + 5000)),
        fouled(Driven("t1", START_KM + 2000), Driven("t2", START_KM + 5000)),
    )
    # With several causes behind it the trips agree only nearly: each cause's remainder is taken by itself.
    assert two == pytest.approx(one, rel=0.02)
    assert fouled(Driven("t2", START_KM + 60_000)) > one > fouled(Driven("t2", START_KM + 500))


def test_a_fresh_plug_is_clean_and_stays_so_in_the_yard() -> None:
    """Some kilometres of proving drive are nothing beside 1,600; and without a distance nothing is assumed."""
    renewed = model(BAD_THREE, Renewed("e2", "plug", 3), Driven("t", START_KM + 15), counts("e3", {}, DRIVE))
    assert ("plug-oil-fouled", "plug-new-1") not in renewed.current


def test_a_misfire_that_is_back_after_a_few_thousand_kilometres_points_at_the_oil() -> None:
    """
    Reference T53: a new plug as probe. Back on the same cylinder within 2,000 miles speaks for what sends the oil.

    Back at once it is not the oil: a plug is not fouled in a mile.
    """
    probe = (BAD_THREE, Renewed("e2", "plug", 3), counts("e3", {}, DRIVE))
    start = oil(dict(belief(*probe)))
    back = dict(belief(*probe, Driven("t", START_KM + 5000), counts("e4", {3: 250})))
    at_once = dict(belief(*probe, counts("e4", {3: 250})))
    quiet = dict(belief(*probe, Driven("t", START_KM + 10_000), counts("e4", {}, DRIVE)))
    assert oil(at_once) < 0.6 * start < start < 0.7 * oil(back)
    assert oil(quiet) < 0.8 * start
    oily = dict(
        belief(
            *probe,
            Driven("t", START_KM + 5000),
            counts("e4", {3: 250}),
            found("e5", "plug-look", "cylinder 3", "oil-wet"),
        )
    )
    assert oil(oily) > 0.8
    assert max(p for cause, p in oily.items() if cause.startswith(FOULED)) > 0.8


def test_a_cleaned_plug_is_dirty_again_while_its_cause_stands_and_not_after_it_is_mended() -> None:
    wet = (BAD_THREE, found("e2", "plug-look", "cylinder 3", "oil-wet"))
    clean = Repaired("e3", "clean-plug", cylinder(3))
    rings = Repaired("e4", "fit-rings-and-pistons", cylinder(3))
    seals = Repaired("e5", "fit-stem-seals", cylinder(3))
    far = Driven("t", START_KM + 9000)

    def fouled(*history: Happening) -> float:
        told = model(*wet, *history)
        cause = told.current[("plug-oil-fouled", "plug-3")]
        return Engine(told.network, 1e-6).posterior().probability[cause]

    assert fouled(clean) < 0.7 * fouled()
    assert fouled(clean, far) > fouled(clean)
    mended = [r for r in (rings, seals) if r.repair in pack().repairs]
    assert fouled(clean, *mended, far) - fouled(clean, *mended) < 0.5 * (fouled(clean, far) - fouled(clean))


def test_after_a_journey_everything_is_shut_and_may_be_looked_at_again() -> None:
    told = model(BAD_THREE, found("e2", "plug-look", "cylinder 3", "normal"))
    assert open_now(told)
    assert not open_now(model(*told.history, Driven("t", START_KM + 100)))


# -------------------------------------------------------------------- the four outcomes of a swap


def outcomes_given(cause: str, step: Step) -> dict[str, float]:
    """P(moved, stayed, both, gone | this cause is there, and the complaint)."""
    told = model(BAD_THREE)
    after, engine, plan = swap_plan(told, Engine(told.network, TOLERANCE), step)
    assert after.fitment.where("coil-3") is not None
    _, joint = plan.outcomes(*engine.with_extras(plan.extras, [cause]))
    shares = joint[:, 0] / joint[:, 0].sum()
    return {name: float(share) for (name, _), share in zip(plan.names, shares, strict=True)}


def test_the_four_outcomes_of_a_swap_come_out_of_the_fitment_alone() -> None:
    """
    Reference, 3.5: the outcomes if the part is bad, if the fault stays in the cylinder, and if it is a bad contact.

    No rule speaks of a swap: the parts sit elsewhere and the same causes act there. The reference has moved 0.88 for a
    bad part, stayed 0.90 for a fault of the cylinder, and for a contact gone 0.55 and stayed 0.37; within 0.15 of it,
    for a contact within 0.2, since ours may also be quiet by itself in the five minutes watched.
    """
    told = model(BAD_THREE)
    (step,) = (s for s in swap_steps(told, Terms.of(pack()), open_now(told)) if s.what == "coil")
    bad, valve = outcomes_given("coil-dead@coil-3", step), outcomes_given("exhaust-valve-burnt@cylinder 3", step)
    contact = outcomes_given("contact-loose-coil@cylinder 3", step)
    assert bad["moved"] == pytest.approx(0.88, abs=0.15)
    assert valve["stayed"] == pytest.approx(0.90, abs=0.15)
    assert contact["gone"] == pytest.approx(0.55, abs=0.2)
    assert contact["stayed"] == pytest.approx(0.37, abs=0.2)
    assert contact["moved"] < 0.05
    assert bad["both"] < 0.1
    assert valve["moved"] < 0.05


def test_gone_means_little_when_the_look_was_too_short_for_the_fault() -> None:
    """A coil that fails in bouts has not been acquitted by a minute of quiet; an hour of it does more."""
    swapped = (BAD_THREE, Moved("e2", "coil", 3, 1))
    before = belief(*swapped)["coil-breaks-down-hot@coil-3"]
    short = belief(*swapped, counts("e3", {}, {"idle": 0.5}))["coil-breaks-down-hot@coil-3"]
    long = belief(*swapped, counts("e3", {}, {"idle": 15.0, "cruise": 60.0, "load": 20.0}))
    assert short > 0.6 * before
    assert long["coil-breaks-down-hot@coil-3"] < 0.5 * short
