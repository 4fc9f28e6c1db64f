"""Bundles, what is set aside and its price, the owner's limit, something else, thinking further: on the shipped pack.

What a good order of work is, is common practice, no source; the arithmetic is checked against the engine's own answers.
"""

from __future__ import annotations

from dataclasses import replace
from itertools import islice

import numpy as np
import pytest
from tests.reasoning.shop_cases import car, counted, found, knowledge

from firstcause.errors import RequestError
from firstcause.reasoning.aside import blocked_by, step_named
from firstcause.reasoning.choice import Advice, Adviser, Option
from firstcause.reasoning.compiled import compile_model
from firstcause.reasoning.exact import Engine
from firstcause.reasoning.history import Happening, History, Moved, Renewed, Repaired
from firstcause.reasoning.inthought import CarScene
from firstcause.reasoning.lookahead import think
from firstcause.reasoning.looks import swap_plan
from firstcause.reasoning.spending import spent
from firstcause.reasoning.steps import Aside, Terms, open_after, open_now, swap_step
from firstcause.reasoning.weigh import TOLERANCE
from firstcause.vehicle.place import ENGINE, cylinder

SIX = car("V6")
BAD_THREE = counted("e1", SIX.layout, {"idle": 3.0}, {3: 300})
BURNT_OIL = found("e2", "plug-look", cylinder(3), "oil-wet")
TERMS = Terms.of(knowledge())


_ASKED: dict[str, Adviser] = {}


def adviser(history: History, terms: Terms = TERMS) -> Adviser:
    """One for each story and terms: they are asked many times."""
    asked = repr((history, terms))
    if asked not in _ASKED:
        model = compile_model(knowledge(), SIX, history)
        _ASKED[asked] = Adviser(model, terms, Engine(model.network, TOLERANCE))
    return _ASKED[asked]


def advice(history: History, terms: Terms = TERMS) -> Advice:
    return adviser(history, terms).advice()


def with_aside(*asides: str | Aside, **more: object) -> Terms:
    return Terms.of(knowledge(), None, asides, **more)  # type: ignore[arg-type]


def option(found_in: Advice, key: str) -> Option:
    return next(option for option in found_in.options if option.step.key == key)


def keys(found_in: Advice) -> set[str]:
    return {option.step.key for option in found_in.options}


# ---- what stands open


def test_after_a_drive_everything_is_paid_for_again() -> None:
    """With the plug out a new plug costs less; a reading on the road shuts all, one at idle the cylinders."""
    ours = adviser((BAD_THREE, BURNT_OIL))
    at = next(r for r, step in enumerate(ours.table.steps) if step.key == "fit-plug at cylinder 3")
    bill = ours.table.bill(ours.standing)
    renewed = adviser((BAD_THREE, Renewed("e2", "plug", 3)))
    road, idle = (next(s for s in renewed.shown if s.step.key == key) for key in ("watch road", "watch idle"))

    assert "plug-out cylinder 3" in ours.standing
    assert bill.price[at] < bill.shut[at]
    assert road.opened == frozenset()
    assert idle.opened == {name for name in renewed.standing if "cylinder" not in name}
    assert idle.opened < renewed.standing


def test_a_victim_that_must_be_renewed_shares_the_opening_of_its_root() -> None:
    """Renewing the oiled plug with the stem seals: one way to the plug, paid once."""
    history = (BAD_THREE, BURNT_OIL, found("e3", "oil-level", ENGINE, knowledge().tests["oil-level"].outcomes[1].id))
    ours = adviser(history)
    for row, step in enumerate(ours.table.steps):
        openings = sum(float(saving[row]) for saving in ours.table.savings.values())
        shut = float(ours.table.bill(ours.table.savings).price[row])
        assert ours.table.shut[row] == pytest.approx(shut + openings), step.key
        assert shut >= 0.0


# ---- bundles


def test_looks_that_share_an_opening_stand_on_one_card_at_their_marginal_cost() -> None:
    """The plug must come out anyway: what else it is worth then costs its own minutes only."""
    plug = option(advice((BAD_THREE,)), "plug-look at cylinder 3")
    assert plug.also
    for also in plug.also:
        alone = option(advice((BAD_THREE,)), also.step.key).step
        assert also.minutes < alone.minutes
        assert also.step.price == alone.price
        assert set(also.after) <= {look.outcome for look in plug.fan}
        assert {look.outcome for look in plug.fan if look.then == also.step.key} == set(also.after)


def test_a_bundle_is_never_dearer_than_its_first_look_alone() -> None:
    """The further look is taken only behind outcomes after which it is worth its price."""
    ours = adviser((BAD_THREE,))
    bundled = advice((BAD_THREE,))
    kept, ours.further = ours.further, {}
    try:
        alone = ours.advice()
    finally:
        ours.further = kept
    gained = [o.expected_cost - option(bundled, o.step.key).expected_cost for o in alone.options]
    assert min(gained) >= -1e-9
    assert max(gained) > 1.0


def test_both_outcomes_of_a_bundle_are_what_the_engine_says_after_the_first() -> None:
    """P(first, second) of a pair against compiling the first finding in and asking for the second."""
    ours = adviser((BAD_THREE,))
    plug = next(shown for shown in ours.shown if shown.step.key == "plug-look at cylinder 3")
    second, further = ours.further["plug-look at cylinder 3"][0]
    total = further.joint.sum(axis=2) + further.cured
    for k, (outcome, _) in enumerate(plug.plan.names):
        if plug.chance[k] < 0.05:
            continue
        after = adviser((BAD_THREE, found("e2", "plug-look", cylinder(3), outcome)))
        then = next(shown for shown in after.shown if shown.step.key == second.step.key)
        assert total[k] / plug.chance[k] == pytest.approx(then.chance, abs=2e-3)


def test_two_swaps_in_one_drive_have_outcomes_that_close_and_agree_with_the_single_swap() -> None:
    """Summed over the second partner, the double swap of coil and plug sees the suspect as one swap of both would."""
    model = compile_model(knowledge(), SIX, (BAD_THREE,))
    step = swap_step(model, TERMS, (("coil", 3, 1), ("plug", 3, 2)), open_now(model))
    now = Engine(model.network, TOLERANCE)
    _, engine, plan = swap_plan(model, now, step)
    chance, _ = plan.outcomes(*engine.with_extras(plan.extras, []))

    assert [outcome for outcome, _ in plan.names] == ["moved-coil", "moved-plug", "stayed", "several", "gone"]
    assert chance.sum() == pytest.approx(1.0, abs=2e-3)
    single = swap_step(model, TERMS, (("coil", 3, 1),), open_now(model))
    assert step.minutes < single.minutes + swap_step(model, TERMS, (("plug", 3, 2),), open_now(model)).minutes
    _, other_engine, other = swap_plan(model, now, single)
    alone, _ = other.outcomes(*other_engine.with_extras(other.extras, []))
    names = [outcome for outcome, _ in other.names]
    assert chance[2] < alone[names.index("stayed")]  # a bad plug went along this time


# ---- spoiling


def test_the_wet_test_waits_for_the_plug_and_the_dry_test() -> None:
    """Oil in the bore spoils the plug's look and the dry reading: common practice, no source."""
    waits = {w.step.key: {s.key for s in w.first} for w in advice((BAD_THREE,)).waiting}
    assert {"plug-look at cylinder 3", "compression-dry at cylinder 3"} <= waits["compression-wet at cylinder 3"]
    assert "compression-wet at cylinder 3" not in keys(advice((BAD_THREE,)))


def test_it_is_offered_once_they_are_done_or_cannot_be_done() -> None:
    dry = found("e3", "compression-dry", cylinder(3), "low")
    looked = (BAD_THREE, BURNT_OIL, dry, found("e4", "relative-compression", cylinder(3), "low-hump"))
    waits = [s.what for w in advice(looked).waiting for s in w.first]
    assert "plug-look" not in waits
    assert "compression-dry" not in waits
    spoilt = knowledge().tests["compression-wet"].spoils
    assert "compression-wet at cylinder 3" in keys(advice((BAD_THREE,), with_aside(*spoilt)))


# ---- set aside, tools


def test_what_is_set_aside_vanishes_and_the_list_says_what_that_costs() -> None:
    """The rise is the difference of the best expected bills with and without the step."""
    plain = advice((BAD_THREE,))
    first = plain.best.step.key
    without = advice((BAD_THREE,), with_aside(Aside(first, "no-time")))
    (forgone,) = without.forgone

    assert first not in keys(without)
    assert forgone.aside.why == "no-time"
    assert forgone.rise >= 0.0
    assert forgone.rise == pytest.approx(without.best.expected_cost - plain.best.expected_cost, abs=1e-6)


def test_a_repair_set_aside_is_priced_into_everything() -> None:
    """Without the repair of a likely root that root must be handed on: no course gets cheaper."""
    plain = advice((BAD_THREE,))
    without = advice((BAD_THREE,), with_aside("fit-plug"))
    costs = {o.step.key: o.expected_cost for o in plain.options}
    assert without.forgone[0].rise > 1.0
    assert without.without_looking >= plain.without_looking
    assert not any(o.step.what == "fit-plug" for o in without.options)
    doubles = {key for key in keys(without) if " + " in key}  # shown where they beat a single swap, which may change
    assert costs.keys() >= keys(without) - doubles


def test_a_tool_the_shop_does_not_own_takes_its_tests_out_at_every_place() -> None:
    owned = {tool for test in knowledge().tests.values() for tool in test.tools} - {"compression gauge"}
    lacking = advice((BAD_THREE,), with_aside(tools=owned))
    everything = advice((BAD_THREE,), with_aside(tools=owned | {"compression gauge"}))

    assert not any("compression gauge" in o.step.tools for o in lacking.options)
    assert {f.name for f in lacking.forgone} == {"compression gauge"}
    assert keys(everything) == keys(advice((BAD_THREE,)))
    assert everything.forgone == ()


def test_an_opening_that_will_not_open_takes_all_that_needs_it() -> None:
    """A plug that will not come out: no look at it, no new plug, no borescope there; the others stay."""
    blocks = blocked_by(knowledge(), SIX, "plug-look at cylinder 3", (BAD_THREE,))
    stuck = advice((BAD_THREE,), with_aside(Aside("plug-look at cylinder 3", "not-possible", blocks)))

    assert blocks == {"plug-out cylinder 3"}
    assert not any("plug-out cylinder 3" in o.step.opens for o in stuck.options)
    assert any(o.step.kind == "repair" for o in stuck.options)
    assert any(step.kind == "repair" for step in stuck.forgone[0].steps)


def test_what_stood_open_or_was_opened_later_is_not_blocked() -> None:
    opened = (BAD_THREE, BURNT_OIL)
    assert blocked_by(knowledge(), SIX, "plug-gap at cylinder 3", opened) == frozenset()
    later = (found("e9", "plug-look", cylinder(3), "oil-wet"),)
    assert blocked_by(knowledge(), SIX, "plug-look at cylinder 3", (BAD_THREE,), later) == frozenset()


def test_with_everything_set_aside_handing_on_is_left() -> None:
    every = (*knowledge().tests, *knowledge().repairs, *(f"swap {part}" for part in knowledge().parts))
    left = advice((BAD_THREE,), with_aside(*every, "watch idle", "watch road"))
    assert keys(left) == {"refer"}


# ---- the owner's limit


def test_what_was_done_is_added_up_with_each_opening_once() -> None:
    """By hand from the pack: 3 min of idle, the way to the plug and 3 min of looking, 1 min for the gap."""
    gap = found("e3", "plug-gap", cylinder(3), "in-spec")
    opened = ("intake-plenum-off", "coil-cover-off", "coil-off", "plug-out")
    access = knowledge().access
    way = sum(access[name].minutes for name in opened)
    minutes = 3.0 + way + knowledge().tests["plug-look"].minutes + knowledge().tests["plug-gap"].minutes
    assert spent(knowledge(), SIX, (BAD_THREE, BURNT_OIL, gap), TERMS) == pytest.approx(TERMS.labour(minutes))


def test_a_repair_brings_its_parts_and_a_drive_shuts_what_was_open() -> None:
    plug = knowledge().repairs["fit-plug"]
    history: tuple[Happening, ...] = (BAD_THREE, BURNT_OIL, Repaired("e3", "fit-plug", cylinder(3)))
    parts = TERMS.parts_class[plug.parts_class]
    more = spent(knowledge(), SIX, history, TERMS) - spent(knowledge(), SIX, history[:2], TERMS)
    assert more == pytest.approx(TERMS.labour(plug.minutes) + parts)
    drive = counted("e4", SIX.layout, {"cruise": 10.0}, {})
    assert open_after(knowledge(), SIX, history) != frozenset()
    assert open_after(knowledge(), SIX, (*history, drive)) == frozenset()


def test_a_step_beyond_the_limit_is_marked_and_the_best_within_is_named() -> None:
    tight = advice((BAD_THREE,), with_aside(limit=60.0))
    assert tight.budget is not None
    assert tight.budget.left == pytest.approx(60.0 - tight.budget.spent)
    for each in tight.options:
        if each.step.kind in ("test", "swap", "watch"):
            assert each.over_limit == pytest.approx(max(0.0, each.step.price - tight.budget.left))
    assert all(each.over_limit > 0.0 for each in tight.options if each.step.kind == "repair")
    within = option(tight, tight.budget.best_within.key)
    assert within.over_limit == 0.0
    assert tight.budget.more > 0.0
    assert tight.budget.ask == "now"


def test_a_generous_limit_costs_nothing() -> None:
    wide = advice((BAD_THREE,), with_aside(limit=1e6))
    assert wide.budget is not None
    assert wide.budget.more == 0.0
    assert wide.budget.ask == "not-yet"
    assert not any(each.over_limit for each in wide.options)
    assert wide.budget.best_within == wide.best.step


def test_without_a_limit_there_is_no_budget() -> None:
    assert advice((BAD_THREE,)).budget is None


def test_a_limit_already_passed_is_said() -> None:
    passed = advice((BAD_THREE, BURNT_OIL), with_aside(limit=1.0))
    assert passed.budget is not None
    assert passed.budget.left < 0.0
    assert passed.budget.ask == "now"
    assert passed.budget.best_within.kind == "refer"


# ---- something else


@pytest.mark.parametrize(
    "key",
    ["leak-down at cylinder 2", "fit-coil at cylinder 5", "swap coil 3-5", "swap coil 3-1 + plug 3-2", "watch road",
     "compression-wet at cylinder 3", "plug-look at cylinder 3", "refer"],
)  # fmt: skip
def test_anything_may_be_done_and_has_its_price_over_the_best(key: str) -> None:
    what_if = adviser((BAD_THREE,)).what_if(key)
    assert what_if.option.step.key == key
    assert what_if.more == pytest.approx(what_if.option.expected_cost - advice((BAD_THREE,)).best.expected_cost)
    assert what_if.more >= -1.0
    assert what_if.option.lower <= what_if.option.upper + 1e-6


def test_a_useless_repair_costs_itself_its_proof_and_what_was_open() -> None:
    """Nothing is learnt by it: the best from all shut, and the price on top."""
    what_if = adviser((BAD_THREE,)).what_if("fit-coil at cylinder 5")
    price = what_if.option.step.price + TERMS.labour(TERMS.verify_minutes)
    assert what_if.more >= price - 1.0


def test_what_was_set_aside_may_still_be_asked_for() -> None:
    ours = adviser((BAD_THREE,), with_aside(Aside("plug-look", "no-time")))
    what_if = ours.what_if("plug-look at cylinder 3")
    assert what_if.aside == Aside("plug-look", "no-time")
    assert adviser((BAD_THREE,)).what_if("compression-wet at cylinder 3").spoils


def test_asking_does_not_change_the_list() -> None:
    ours = adviser((BAD_THREE,))
    before = [(o.step.key, o.expected_cost) for o in ours.advice().options]
    ours.what_if("leak-down at cylinder 2")
    assert [(o.step.key, o.expected_cost) for o in ours.advice().options] == before


@pytest.mark.parametrize(
    "key",
    ["no-such-test at cylinder 3", "plug-look at cylinder 9", "plug-look at engine", "swap coil 3-3", "plug-look"],
)
def test_a_step_that_cannot_be_is_refused_with_a_sentence(key: str) -> None:
    ours = adviser((BAD_THREE,))
    with pytest.raises(RequestError):
        step_named(ours.model, ours.terms, key, ours.standing)


# ---- thinking further


def test_thinking_further_starts_from_the_list_and_only_narrows_the_bounds() -> None:
    history = (BAD_THREE, Moved("e2", "coil", 3, 1), counted("e3", SIX.layout, {"idle": 3.0}, {3: 280}),
               found("e4", "plug-look", cylinder(3), "normal"))  # fmt: skip
    known = advice(history)
    scene = CarScene(adviser(history).model, TERMS, known)
    thoughts = list(islice(think(scene, most=2), 12))

    assert {b.key for b in thoughts[0].branches} == {o.step.key for o in known.options}
    assert thoughts[0].could_save == pytest.approx(known.could_save)
    saves = [thought.could_save for thought in thoughts]
    assert saves == sorted(saves, reverse=True)
    assert thoughts[-1].refined
    for branch in thoughts[-1].branches:
        plain = option(known, branch.key)
        assert plain.lower - 1e-6 <= branch.lower <= branch.upper + 1e-6 <= plain.upper + 2e-6


def test_what_would_stand_in_the_history_is_what_the_outcome_says() -> None:
    known = advice((BAD_THREE,))
    scene = CarScene(adviser((BAD_THREE,)).model, TERMS, known)
    plug = option(known, "plug-look at cylinder 3")
    (looked,) = scene.in_thought(plug, "oil-wet")
    assert replace(looked, id="e2") == replace(BURNT_OIL, weights={"oil-wet": 1.0})  # type: ignore[type-var]
    swap = next(o for o in known.options if o.step.kind == "swap" and len(o.step.moves) == 1)
    moved, reading = scene.in_thought(swap, "moved")
    assert moved == Moved(moved.id, swap.step.what, 3, swap.step.moves[0][2])
    assert {unit for unit, bad in reading.bad.items() if bad} == {swap.step.moves[0][2]}  # type: ignore[union-attr]


def test_a_renewed_part_is_paid_as_its_repair() -> None:
    by_renewal = spent(knowledge(), SIX, (Renewed("e1", "plug", 3),), TERMS)
    by_repair = spent(knowledge(), SIX, (Repaired("e1", "fit-plug", cylinder(3)),), TERMS)
    assert by_renewal == pytest.approx(by_repair)
    assert np.isfinite(by_renewal)
