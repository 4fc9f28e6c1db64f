"""The list of steps, and the word cured: prices that hold together, sensible first steps, and refusals."""

from __future__ import annotations

from dataclasses import replace
from math import exp

import pytest
from tests.reasoning.test_trade_facts import BAD_THREE, FOUR, counts, found, model, pack

from firstcause.reasoning.choice import Advice, advise
from firstcause.reasoning.compiled import Model
from firstcause.reasoning.exact import Engine
from firstcause.reasoning.history import Answered, CarFacts, Happening, Moved, Renewed, Repaired
from firstcause.reasoning.jobs import openings
from firstcause.reasoning.network import Finding, Network
from firstcause.reasoning.steps import Terms, open_now
from firstcause.reasoning.verdict import chance_removed, objections, quiet_since_change, removed_causes
from firstcause.reasoning.weigh import TOLERANCE, weigh
from firstcause.vehicle.layout import common_layout
from firstcause.vehicle.place import bank, cylinder

OILY = found("e2", "plug-look", "cylinder 3", "oil-wet")
LEAKS = found("e2", "leak-down", "cylinder 3", "leaks")
HISS = found("e3", "leak-path", "cylinder 3", "tailpipe")
SOUND_GEAR = found("e4", "valve-gear-look", "cylinder 3", "sound")
OVERHAUL = Repaired("e5", "head-overhaul", bank(1))
QUIET_DRIVE = counts("e6", {}, {"cold-start": 2.0, "idle": 10.0, "cruise": 25.0, "load": 5.0})


def advice(*history: Happening, set_aside: tuple[str, ...] = (), car: CarFacts = FOUR) -> tuple[Model, Advice]:
    compiled = model(*history, car=car)
    terms = Terms.of(pack(), set_aside=set_aside)
    return compiled, advise(compiled, terms, Engine(compiled.network, TOLERANCE))


HISTORIES: list[tuple[Happening, ...]] = [
    (BAD_THREE,),
    (BAD_THREE, Moved("e2", "coil", 3, 1), counts("e3", {3: 250})),
    (BAD_THREE, OILY),
    (BAD_THREE, LEAKS, HISS),
    (counts("e1", {1: 60, 2: 70, 3: 65, 4: 58}),),
]


@pytest.mark.parametrize("history", HISTORIES)
def test_every_fan_of_outcomes_closes_and_every_price_is_a_price(history: tuple[Happening, ...]) -> None:
    _, found_advice = advice(*history)
    costs = [option.expected_cost for option in found_advice.options]
    assert costs == sorted(costs)
    for option in found_advice.options:
        assert option.expected_cost > 0
        assert option.step.minutes >= 0
        assert option.step.price >= 0
        if option.fan:
            assert sum(look.chance for look in option.fan) == pytest.approx(1.0, abs=0.02), option.step.key
            assert all(0.0 <= look.chance <= 1.0 + 1e-9 for look in option.fan)


@pytest.mark.parametrize("history", HISTORIES)
def test_knowing_the_cause_is_never_dearer_than_the_best_course(history: tuple[Happening, ...]) -> None:
    """Perfect information is a lower bound. Source: Jensen et al. 2001, definition 4."""
    _, found_advice = advice(*history)
    assert found_advice.at_least <= found_advice.best.expected_cost + 1e-6
    assert found_advice.at_least <= found_advice.without_looking + 1e-6


def test_the_first_step_is_a_cheap_look_or_swap_and_no_teardown() -> None:
    """Common practice, no source: nothing dear or destructive before what costs minutes."""
    for history in HISTORIES[:2]:
        _, found_advice = advice(*history)
        assert found_advice.best.step.kind in ("test", "swap", "watch")
        assert found_advice.best.step.minutes <= 40


def test_the_car_is_not_handed_on_while_a_cheap_look_still_tells_something() -> None:
    _, found_advice = advice(*HISTORIES[1])
    rank = [option.step.key for option in found_advice.options]
    assert rank.index("refer") > 3


def test_no_swap_while_the_engine_runs_clean() -> None:
    _, found_advice = advice(BAD_THREE, Renewed("e2", "plug", 3), counts("e3", {}))
    assert not [option for option in found_advice.options if option.step.kind == "swap"]


def test_after_a_change_the_reading_is_called_a_proof() -> None:
    _, found_advice = advice(BAD_THREE, Renewed("e2", "plug", 3))
    kinds = {option.step.kind for option in found_advice.options}
    assert "verify" in kinds
    assert "watch" not in kinds


def test_a_step_set_aside_is_not_offered_again_by_key_or_by_id() -> None:
    _, plain = advice(BAD_THREE)
    first = plain.best.step
    for word in (first.key, first.what):
        _, again = advice(BAD_THREE, set_aside=(word,))
        assert first.key not in [option.step.key for option in again.options]


def test_what_stands_open_is_paid_once() -> None:
    """With the plug out, its gap costs its own minute; from a closed bonnet it costs the way there as well."""
    _, closed = advice(BAD_THREE)
    compiled, opened = advice(BAD_THREE, OILY)
    gap_closed = next(o.step for o in closed.options if o.step.key == "plug-gap at cylinder 3")
    gap_open = next(o.step for o in opened.options if o.step.key == "plug-gap at cylinder 3")
    way = openings(pack(), pack().tests["plug-gap"].access, cylinder(3), FOUR)

    assert gap_open.minutes == pack().tests["plug-gap"].minutes
    assert gap_closed.minutes == pytest.approx(gap_open.minutes + sum(way.values()))
    assert set(way) <= open_now(compiled)


def test_a_drive_closes_everything() -> None:
    assert not open_now(model(BAD_THREE, OILY, counts("e3", {3: 200}, {"cruise": 10.0})))


def test_a_buried_bank_costs_its_way() -> None:
    six = common_layout("V6")
    easy, buried = CarFacts(six, 160_000.0), CarFacts(six, 160_000.0, frozenset({1}))
    here = {car: openings(pack(), pack().tests["plug-look"].access, cylinder(3), car) for car in (easy, buried)}
    assert sum(here[buried].values()) > sum(here[easy].values()) + 30


def test_the_same_history_gives_the_same_list() -> None:
    first, second = (weigh(pack(), FOUR, HISTORIES[1], Terms.of(pack())) for _ in range(2))
    assert [o.step.key for o in first.advice.options] == [o.step.key for o in second.advice.options]
    assert first.belief == second.belief


def test_a_dearer_hour_makes_every_test_dearer() -> None:
    compiled = model(BAD_THREE)
    engine = Engine(compiled.network, TOLERANCE)
    terms = Terms.of(pack())
    dear = replace(terms, labour_per_hour=2 * terms.labour_per_hour)
    prices = {o.step.key: o.step.price for o in advise(compiled, terms, engine).options if o.step.kind == "test"}
    for option in advise(compiled, dear, engine).options:
        if option.step.kind == "test":
            assert option.step.price == pytest.approx(2 * prices[option.step.key])


# ---- may it be called cured?


def against(state: str, *history: Happening) -> dict[str, bool]:
    compiled = model(*history)
    engine = Engine(compiled.network, 1e-6)
    chances, removed = engine.posterior().probability, chance_removed(compiled, engine)
    return {objection.code: objection.hard for objection in objections(compiled, chances, removed, state)}


def test_cured_is_refused_while_it_still_misfires_and_while_nothing_was_read_since() -> None:
    assert against("cured", BAD_THREE)["still-there"]
    assert against("cured", BAD_THREE, LEAKS, HISS, OVERHAUL)["no-proof"]


def test_a_valve_shown_repaired_and_driven_quiet_may_be_called_cured() -> None:
    history = (Answered("e0", "gas-conversion"), BAD_THREE, LEAKS, HISS, SOUND_GEAR, OVERHAUL, QUIET_DRIVE)
    assert against("cured", *history) == {}
    assert "exhaust-valve-burnt@cylinder 3" in removed_causes(model(*history))


def test_a_new_plug_and_a_quiet_drive_are_relief_and_not_cure() -> None:
    """The cause of the oil still stands: common practice, no source."""
    history = (BAD_THREE, OILY, Renewed("e4", "plug", 3), QUIET_DRIVE)
    assert against("cured", *history)["open-cause"]
    assert not any(against("relieved", *history).values())


def test_a_repair_of_what_was_never_suspected_is_objected_to() -> None:
    """A plug renewed on the off-chance; quiet since, but what fouls plugs may have been the cause."""
    quiet_after = (BAD_THREE, Renewed("e2", "plug", 3), QUIET_DRIVE)
    assert against("cured", *quiet_after)["cause-not-shown"]


def test_without_any_cause_removed_nothing_is_cured() -> None:
    """A complaint that stays away by itself is not found, not cured."""
    assert against("cured", Answered("e0", "gas-conversion"), QUIET_DRIVE)["cause-not-shown"]


def test_relief_is_refused_while_it_still_misfires() -> None:
    assert against("relieved", BAD_THREE, Renewed("e2", "plug", 3), counts("e3", {3: 240}))["still-there"]


def test_the_chance_that_the_cause_was_among_those_removed_is_their_joint() -> None:
    """A dead coil and one that breaks down hot exclude each other; both left with the old coil.

    Checked against leaving the old coil's causes out of the network: P(none of them) is a ratio of evidence.
    """
    moved = (counts("e1", {3: 1000}), Moved("e2", "coil", 3, 1), counts("e3", {1: 990}))
    history = (*moved, Renewed("e4", "coil", 1), QUIET_DRIVE)
    compiled = model(*history)
    engine = Engine(compiled.network, 1e-7)
    chances, removed = engine.posterior().probability, removed_causes(compiled)
    none_of_them = Network(
        compiled.network.causes,
        (*compiled.network.findings, Finding("none", (1.0, 1.0), tuple((c, (0.0, 1.0)) for c in removed), (1.0, 0.0))),
    )
    ratio = exp(Engine(none_of_them, 1e-7).posterior().log_evidence - engine.posterior().log_evidence)

    assert chance_removed(compiled, engine) == pytest.approx(1.0 - ratio, abs=1e-6)
    assert chance_removed(compiled, engine) > 0.95
    assert max(chances[cause] for cause in removed) < chance_removed(compiled, engine)


def test_parts_left_in_the_wrong_place_are_objected_to_and_put_back_is_not() -> None:
    swapped = (BAD_THREE, Moved("e2", "coil", 3, 1), counts("e3", {3: 250}))
    assert against("declined", *swapped) == {"parts-away": False}
    assert against("declined", *swapped, Moved("e4", "coil", 3, 1)) == {}


def test_quiet_minutes_count_from_the_last_change() -> None:
    assert quiet_since_change(model(BAD_THREE)) is None
    assert quiet_since_change(model(BAD_THREE, OVERHAUL)) == {}
    drive = quiet_since_change(model(BAD_THREE, OVERHAUL, QUIET_DRIVE))
    assert drive == {"cold-start": 2.0, "idle": 10.0, "cruise": 25.0, "load": 5.0}
    assert quiet_since_change(model(BAD_THREE, OVERHAUL, QUIET_DRIVE, counts("e7", {3: 400}))) is None
