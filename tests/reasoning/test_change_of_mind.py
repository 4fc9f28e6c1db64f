"""What would change the mind: each promise is kept when the finding is really made, weighed anew from the story."""

from __future__ import annotations

from math import exp

import pytest
from tests.reasoning.shop_cases import car, counted, found, knowledge

from firstcause.errors import RequestError
from firstcause.reasoning.because import log_odds
from firstcause.reasoning.change_of_mind import EVEN, WORTH_A_LINE, cause_named, instead_of, sights
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.exact import Engine, Extra
from firstcause.reasoning.history import Coded, Found, History, Moved, Reseated
from firstcause.reasoning.network import Finding, Network
from firstcause.reasoning.steps import Terms
from firstcause.reasoning.weigh import Weighing, weigh
from firstcause.vehicle.place import cylinder

FOUR = car("I4")
MISSES: History = (
    Coded("code", frozenset({3}), "idle"),
    counted("count", FOUR.layout, {"idle": 3.0}, {3: 214}),
)
LEAKS: History = (*MISSES, found("leak", "leak-down", cylinder(3), "leaks"))
# The coil of 3 goes to 1, and its misfire with it.
CLEAN_SWAP: History = (*MISSES, Moved("swap", "coil", 3, 1), counted("after", FOUR.layout, {"idle": 3.0}, {1: 190}))
# It missed at steady driving; the coil's connector was taken off and put back; a long drive was clean.
VANISHED: History = (
    Coded("code", frozenset({3})),
    counted("count", FOUR.layout, {"cruise": 10.0}, {3: 1500}),
    Reseated("reseat", "coil", 3),
    counted("after", FOUR.layout, {"cold-start": 2.0, "idle": 10.0, "cruise": 60.0, "load": 30.0}, {}),
)
ROUGHLY = 4e-3


@pytest.fixture(scope="module")
def terms() -> Terms:
    return Terms.of(knowledge())


@pytest.fixture(scope="module")
def leaks(terms: Terms) -> Weighing:
    return weigh(knowledge(), FOUR, LEAKS, terms)


def really(model: Model, sight) -> dict[str, float]:
    """Beliefs after the test of a sight was done and came out so."""
    step = sight.step
    history = (*model.history, Found("then", step.what, step.place, {sight.outcome: 1.0}))
    return dict(Engine(compile_model(model.knowledge, model.car, history).network, 1e-6).posterior().probability)


def test_what_is_promised_of_a_test_comes_true_when_it_is_done(leaks: Weighing) -> None:
    tests = [sight for sight in leaks.sights if sight.step.kind == "test"][::23]
    assert len(tests) >= 5
    for sight in tests:
        after = really(leaks.model, sight)
        assert {root: after[root] for root in sight.then} == pytest.approx(sight.then, abs=ROUGHLY)


def test_the_chances_of_one_step_add_up(leaks: Weighing) -> None:
    steps: dict[str, float] = {}
    kinds = set()
    for sight in leaks.sights:
        assert WORTH_A_LINE <= sight.chance <= 1.0 + 1e-9
        steps[sight.step.key] = steps.get(sight.step.key, 0.0) + sight.chance
        kinds.add(sight.step.kind)
    assert kinds == {"test", "swap"} | ({"watch"} & kinds)
    assert all(1.0 - 8 * WORTH_A_LINE <= total <= 1.0 + 1e-9 for total in steps.values())


def test_what_makes_the_leader_fall_makes_it_fall(leaks: Weighing) -> None:
    leader = leaks.roots[0]
    mind = leaks.mind(leader.cause)
    assert mind.now == leader.probability
    assert mind.falls
    assert [turn.sight.chance for turn in mind.falls] == sorted((t.sight.chance for t in mind.falls), reverse=True)
    for turn in [turn for turn in mind.falls if turn.sight.step.kind == "test"][::9]:
        after = really(leaks.model, turn.sight)
        other = max(after[root] for root in leaks.model.live_roots if root != leader.cause)
        assert after[leader.cause] < max(EVEN if mind.now >= EVEN else 0.0, other) + ROUGHLY


def test_what_settles_it_brings_it_to_the_closing_limit(leaks: Weighing) -> None:
    limit = knowledge().model.closing.cause_at_least
    mind = leaks.mind(leaks.roots[0].cause)
    assert mind.now < limit
    assert mind.settles
    for turn in [turn for turn in mind.settles if turn.sight.step.kind == "test"][:3]:
        assert really(leaks.model, turn.sight)[mind.cause] >= limit - ROUGHLY
    not_settling = {(t.sight.step.key, t.sight.outcome) for t in mind.settles}
    for sight in leaks.sights:
        if (sight.step.key, sight.outcome) not in not_settling and mind.cause in sight.then:
            assert sight.then[mind.cause] < limit or log_odds(sight.then[mind.cause]) < log_odds(mind.now) + 3.0


def test_a_suspect_that_does_not_lead_falls_only_below_even(leaks: Weighing) -> None:
    second = leaks.mind(leaks.roots[1].cause)
    assert second.now < EVEN
    assert second.falls == ()
    assert second.low is not None
    assert second.low.then == min(s.then[second.cause] for s in leaks.sights if second.cause in s.then)


def without(network: Network, *absent: str) -> Engine:
    """The engine after it was found that none of these causes is there."""
    finding = Finding("absent", (1.0, 1.0), tuple((cause, (0.0, 1.0)) for cause in absent), (1.0, 0.0))
    return Engine(Network(network.causes, (*network.findings, finding)), 1e-6)


def test_the_rivals_are_those_that_stand_when_it_is_ruled_out(leaks: Weighing) -> None:
    leader = leaks.roots[0].cause
    after = without(leaks.model.network, leader).posterior().probability
    rivals = leaks.instead[leader].rivals
    assert len(rivals) >= 3
    assert not any(rival.gone for rival in rivals)
    for rival in rivals:
        assert rival.probability == pytest.approx(after[rival.cause], abs=ROUGHLY)


def test_a_contact_that_the_handling_cured_is_a_rival_of_the_coil() -> None:
    """Reseat before you condemn: wiping a contact cures it in some cases (common practice, no source)."""
    model = compile_model(knowledge(), FOUR, VANISHED)
    coil, old = "coil-breaks-down-hot@coil-3", "contact-loose-coil@cylinder 3"
    rivals = {rival.cause: rival for rival in instead_of(model, Engine(model.network, 1e-6), [coil])[coil].rivals}

    now_there, *_ = without(model.network, coil).with_extras([Extra({f"{old}~1": 0.0})], [])
    gone = without(model.network, coil, f"{old}~1").posterior().probability[old] * now_there[0]
    assert gone > 0.1
    assert rivals[old].gone
    assert rivals[old].probability == pytest.approx(gone, abs=ROUGHLY)


def test_what_holds_the_coil_back_after_a_clean_swap_is_mostly_the_same_coil() -> None:
    """The swap convicts the part, not the fault in it: part of what the dead coil lacks is the coil that fails hot."""
    model = compile_model(knowledge(), FOUR, CLEAN_SWAP)
    engine = Engine(model.network, 1e-6)
    dead, hot = "coil-dead@coil-3", "coil-breaks-down-hot@coil-3"
    found = instead_of(model, engine, [dead])[dead]
    belief = engine.posterior().probability

    assert belief[dead] < 0.85
    assert found.rivals[0].cause == hot
    assert found.rivals[0].probability > 3 * found.rivals[1].probability
    others = [c for (_, where), c in model.current.items() if where == "coil-3" and c not in (dead, hot)]
    none = without(model.network, dead, hot, *others)
    assert found.any_here == pytest.approx(1.0 - none_chance(none, model), abs=ROUGHLY)
    assert found.any_here > belief[dead] + 0.05


def none_chance(none: Engine, model: Model) -> float:
    """P(nothing of it | findings) as a ratio of two evidences."""
    return exp(none.posterior().log_evidence - Engine(model.network, 1e-6).posterior().log_evidence)


def test_why_not_says_what_it_would_take_and_it_does_take_that(leaks: Weighing) -> None:
    cause = cause_named(leaks.model, "plug-worn", "3")
    told = leaks.why_not(cause)
    assert told.able
    assert told.reasons.now == leaks.belief[cause] < 0.1
    assert 1 <= len(told.asked.turns) <= 3
    history = leaks.model.history
    for turn in told.asked.turns:
        step = turn.sight.step
        history = (*history, Found(f"n{len(history)}", step.what, step.place, {turn.sight.outcome: 1.0}))
        after = Engine(compile_model(knowledge(), FOUR, history).network, 1e-6).posterior().probability
        assert after[cause] == pytest.approx(turn.then, abs=ROUGHLY)
    shares = [leaks.belief[cause], *(turn.then for turn in told.asked.turns)]
    assert shares == sorted(shares)
    assert 0.0 < told.asked.chance < min(turn.sight.chance for turn in told.asked.turns) + 1e-12


def test_tests_at_a_cylinder_nobody_suspects_are_asked_for_too(terms: Terms) -> None:
    six = car("V6")
    history = (Coded("code", frozenset({1}), "idle"), counted("count", six.layout, {"idle": 3.0}, {1: 300}))
    weighing = weigh(knowledge(), six, history, terms)
    told = weighing.why_not(cause_named(weighing.model, "coil-dead", "6"))
    assert not told.able
    assert any(piece.decibans < -3.0 for piece in told.reasons.pieces)
    engine = Engine(weighing.model.network, 1e-4)
    places = {str(s.step.place) for s in sights(weighing.model, terms, engine, also=[6]) if s.step.kind == "test"}
    assert "cylinder 1" in places


@pytest.mark.parametrize(
    ("fault", "where", "cause"),
    [
        ("coil-dead", "3", "coil-dead@coil-3"),
        ("coil-dead", "cylinder 3", "coil-dead@coil-3"),
        ("coil-dead", "coil-3", "coil-dead@coil-3"),
        ("Fuel pressure low", "", "fuel-pressure-low@engine"),
        ("fuel-pressure-low", "engine", "fuel-pressure-low@engine"),
    ],
)
def test_a_cause_is_named_by_fault_and_place(leaks: Weighing, fault: str, where: str, cause: str) -> None:
    if fault[0].isupper():
        fault = knowledge().faults["fuel-pressure-low"].name
    assert cause_named(leaks.model, fault, where) == cause


@pytest.mark.parametrize(
    ("fault", "where", "says"),
    [
        ("gremlin", "3", "no fault of that name"),
        ("coil-dead", "9", "cannot be at '9'"),
        ("coil-dead", "", "Name one of: cylinder 1, cylinder 2, cylinder 3, cylinder 4"),
        ("high-pressure-pump-weak", "", "this engine has no such thing"),
    ],
)
def test_what_is_not_there_is_said_with_what_is(leaks: Weighing, fault: str, where: str, says: str) -> None:
    with pytest.raises(RequestError, match="Nothing was weighed") as refused:
        cause_named(leaks.model, fault, where)
    assert says in str(refused.value)


def test_after_a_swap_a_cause_is_named_by_where_it_sits_now(terms: Terms) -> None:
    model = compile_model(knowledge(), FOUR, CLEAN_SWAP)
    assert cause_named(model, "coil-dead", "1") == "coil-dead@coil-3"
    assert cause_named(model, "coil-dead", "coil-1") == "coil-dead@coil-1"
