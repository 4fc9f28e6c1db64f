"""A car that comes back speaks against what was called cured: by trade sense, and not by any figure of the trial."""

from __future__ import annotations

from tests.reasoning.test_trade_facts import BAD_THREE, counts, found, model, pack

from firstcause.reasoning.compiled import Model
from firstcause.reasoning.exact import Engine
from firstcause.reasoning.history import Coded, Happening, Moved, Renewed, Repaired, Returned
from firstcause.reasoning.steps import Terms, open_now, repair_steps
from firstcause.reasoning.verdict import (
    chance_removed,
    not_reproduced,
    objections,
    removed_causes,
    removed_since_return,
)
from firstcause.reasoning.weigh import TOLERANCE
from firstcause.vehicle.place import bank, cylinder

LONG_AND_QUIET = {"cold-start": 2.0, "idle": 10.0, "cruise": 25.0, "load": 5.0}
COIL_PROVEN: tuple[Happening, ...] = (
    BAD_THREE,
    Moved("e2", "coil", 3, 1),
    counts("e3", {1: 250}),
    Renewed("e4", "coil", 1),
    counts("e5", {}, LONG_AND_QUIET),
)
BACK = Returned("e7")
QUIET_AGAIN = counts("e8", {}, {"idle": 5.0})


def hard(compiled: Model, state: str) -> set[str]:
    engine = Engine(compiled.network, TOLERANCE)
    belief = engine.posterior().probability
    against = objections(compiled, belief, chance_removed(compiled, engine), state)
    return {each.code for each in against if each.hard}


def belief(*history: Happening) -> dict[str, float]:
    return dict(Engine(model(*history).network, TOLERANCE).posterior().probability)


def test_what_was_proven_once_is_not_called_cured_again_on_a_quiet_idle() -> None:
    assert not hard(model(*COIL_PROVEN), "cured")
    back = model(*COIL_PROVEN, BACK, QUIET_AGAIN)
    assert {"came-back", "cause-not-shown"} <= hard(back, "cured")
    assert "came-back" in hard(back, "relieved")
    assert not hard(back, "referred")


def test_the_return_raises_what_still_stands_and_leaves_the_coil_that_was_bad_a_bad_coil() -> None:
    before, after = belief(*COIL_PROVEN), belief(*COIL_PROVEN, BACK)
    assert after["coil-dead@coil-3"] > 0.9 * before["coil-dead@coil-3"]
    for contact in ("contact-loose-coil@cylinder 1~2", "coil-breaks-down-hot@coil-1"):
        assert after[contact] > 2.5 * before[contact], contact  # comes and goes: a quiet drive had not ruled it out
    for another_reason in ("plug-set-worn@engine", "vacuum-leak@engine"):
        assert after[another_reason] < 1.2 * before[another_reason]  # was not at work then, and is not charged with it


def test_the_second_repair_is_judged_by_what_it_removed_itself() -> None:
    burnt = (
        found("e9", "leak-down", "cylinder 3", "leaks"),
        found("e10", "leak-path", "cylinder 3", "tailpipe"),
        found("e11", "valve-gear-look", "cylinder 3", "sound"),
        Repaired("e12", "head-overhaul", bank(1)),
        counts("e13", {}, LONG_AND_QUIET),
    )
    again = model(*COIL_PROVEN, BACK, counts("e8", {3: 200}), *burnt)
    assert "came-back" not in hard(again, "cured")
    since = removed_since_return(again)
    assert "exhaust-valve-burnt@cylinder 3" in since
    assert "coil-dead@coil-3" in set(removed_causes(again)) - set(since)


def test_a_case_that_never_came_back_is_weighed_as_before() -> None:
    compiled = model(*COIL_PROVEN)
    assert compiled.came_back_with is None
    assert removed_since_return(compiled) == removed_causes(compiled)


def test_a_car_is_not_given_up_before_somebody_looked_where_its_code_was_stored() -> None:
    stored, idle = Coded("e1", frozenset({2}), "load"), counts("e2", {}, {"idle": 5.0})
    given_up = model(stored, idle)
    assert not_reproduced(given_up) == "load"
    engine = Engine(given_up.network, TOLERANCE)
    told = objections(given_up, engine.posterior().probability, 0.0, "referred")
    assert [each.hard for each in told if each.code == "not-reproduced"] == [False]
    assert not_reproduced(model(stored, counts("e2", {2: 300}))) is None
    assert not_reproduced(model(stored, idle, counts("e3", {}, {"cruise": 10.0, "load": 2.0}))) is None


def test_work_that_did_not_help_is_not_proposed_again_before_the_car_comes_back() -> None:
    def offered(*history: Happening) -> set[str]:
        compiled = model(*history)
        return {step.key for step in repair_steps(compiled, Terms.of(pack()), open_now(compiled))}

    clearance = "set-valve-clearance at cylinder 3"
    in_vain = (BAD_THREE, Repaired("e2", "set-valve-clearance", cylinder(3)), counts("e3", {3: 240}))
    assert clearance in offered(BAD_THREE)
    assert clearance not in offered(*in_vain)
    assert clearance in offered(*in_vain, BACK)
    assert "fit-coil at cylinder 3" in offered(BAD_THREE, Renewed("e2", "coil", 3), counts("e3", {3: 240}))
