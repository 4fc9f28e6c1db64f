"""Contradictory findings are named: the measure on a network one can work by hand, and on the whole pack."""

from __future__ import annotations

from dataclasses import replace
from math import log, log10

import pytest
from tests.reasoning.shop_cases import car, counted, found, knowledge

from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.conflict import conflicts, culprits, evidence_of
from firstcause.reasoning.exact import Contradiction
from firstcause.reasoning.history import Coded, Found, Happening
from firstcause.reasoning.steps import Terms
from firstcause.reasoning.weigh import weigh
from firstcause.vehicle.place import cylinder

FOUR = car("I4")
BEGUN = (Coded("e1", frozenset({3}), "idle"), counted("e2", FOUR.layout, {"idle": 3.0}, {3: 200}))
LEAKS = found("e3", "leak-down", cylinder(3), "leaks")
TIGHT = found("e4", "leak-down", cylinder(3), "tight")


def model(*findings: Happening, base: Knowledge | None = None) -> Model:
    return compile_model(base or knowledge(), FOUR, (*BEGUN, *findings))


def culprits_of(told: Model) -> tuple[str, ...]:
    return culprits(told, evidence_of(told))


def with_limit(powers_of_ten: float) -> Knowledge:
    whole = knowledge()
    limit = whole.model.conflict.model_copy(update={"powers_of_ten": powers_of_ten})
    return replace(whole, model=whole.model.model_copy(update={"conflict": limit}))


def test_the_measure_worked_by_hand() -> None:
    """
    Reference: the conflict measure log10 P(a) P(b) / P(a, b) of Jensen et al. (1991, from memory), worked by hand.

    Probabilities of sets are given, not computed: R 0.5, with a 0.05, with b 0.2, with both 0.001. So P(a | R) = 0.1,
    P(b | R) = 0.4, P(a, b | R) = 0.002, and the conflict is log10(0.1 * 0.4 / 0.002) = log10 20.
    """
    given = {frozenset({"e1", "e2"}): 0.5, frozenset({"e1", "e2", "e3"}): 0.05, frozenset({"e1", "e2", "e4"}): 0.2}
    both = frozenset({"e1", "e2", "e3", "e4"})

    def log_evidence(happenings: frozenset[str]) -> float:
        if happenings == both:
            return log(0.001)
        return log(given.get(happenings, 0.003))

    found_out = conflicts(model(LEAKS, TIGHT), log_evidence)
    (pair,) = (conflict for conflict in found_out if conflict.happenings == ("e3", "e4"))
    assert pair.powers_of_ten == pytest.approx(log10(20.0))
    assert pair.times == pytest.approx(20.0)
    assert pair.doubtful == "e3"


def test_leaks_and_leaks_not_are_named() -> None:
    """Ours: the same cylinder cannot leak and be tight; what goes together is not named."""
    told = model(LEAKS, TIGHT)
    (conflict,) = conflicts(told, evidence_of(told))
    assert conflict.happenings == ("e3", "e4")
    assert 4.0 < conflict.times < 8.0
    assert conflict.again is not None

    fine = model(LEAKS, found("e4", "compression-dry", cylinder(3), "low"))
    assert conflicts(fine, evidence_of(fine)) == ()
    elsewhere = model(LEAKS, found("e4", "leak-down", cylinder(2), "tight"))
    assert conflicts(elsewhere, evidence_of(elsewhere)) == ()


def test_who_was_unsure_is_doubted_first() -> None:
    """Ours: beside a sure finding the unsure one is the one to read again; and it contradicts less."""
    sure, unsure = model(LEAKS, TIGHT), model(found("e3", "leak-down", cylinder(3), "leaks", sure=0.8), TIGHT)
    unsure_base = compile_model(with_limit(0.1), FOUR, unsure.history)
    (loud,) = conflicts(sure, evidence_of(sure))
    (soft,) = (c for c in conflicts(unsure_base, evidence_of(unsure_base)) if c.happenings == ("e3", "e4"))
    assert soft.doubtful == "e3"
    assert soft.powers_of_ten < loud.powers_of_ten
    reverse = compile_model(
        with_limit(0.1), FOUR, (*BEGUN, LEAKS, found("e4", "leak-down", cylinder(3), "tight", sure=0.8))
    )
    (turned,) = (c for c in conflicts(reverse, evidence_of(reverse)) if c.happenings == ("e3", "e4"))
    assert turned.doubtful == "e4"


def test_none_is_missed_by_looking_only_at_the_surprising() -> None:
    """Ours: with every pair looked at, no conflict beyond the limit turns up that was not named."""
    findings = (
        LEAKS,
        TIGHT,
        found("e5", "compression-dry", cylinder(3), "even"),
        found("e6", "plug-gap", cylinder(3), "wide"),
        found("e7", "plug-gap", cylinder(3), "in-spec"),
    )
    told = model(*findings)
    weighed = evidence_of(told)
    everything = frozenset(told.happening_of.values())
    named = {conflict.happenings for conflict in conflicts(told, weighed)}
    for one in sorted(everything):
        for other in sorted(everything):
            apart = weighed(everything - {one}) + weighed(everything - {other})
            together = weighed(everything - {one, other}) + weighed(everything)
            beyond = (apart - together) / log(10.0) >= knowledge().model.conflict.powers_of_ten
            assert one >= other or ((one, other) in named) == beyond


def test_what_excludes_each_other_is_named() -> None:
    """Ours: in a pack where no cylinder shows a leak by itself and no fault does, two such findings cannot be."""
    whole = knowledge()
    tests = dict(whole.tests)
    for name in ("leak-down", "plug-gap"):
        first = tests[name].outcomes[0].id
        never = tests[name].otherwise.model_copy(update={"outcomes": {first: 1.0}})
        tests[name] = tests[name].model_copy(update={"otherwise": never})
    faults = {
        name: fault.model_copy(update={"shows": [s for s in fault.shows if s.test not in ("leak-down", "plug-gap")]})
        for name, fault in whole.faults.items()
    }
    base = replace(whole, tests=tests, faults=faults)
    wide = found("e5", "plug-gap", cylinder(3), "wide")
    assert culprits_of(model(TIGHT, LEAKS, base=base)) == ("e3",)
    assert culprits_of(model(wide, base=base)) == ("e5",)
    with pytest.raises(Contradiction, match="e3") as caught:
        weigh(base, FOUR, (*BEGUN, LEAKS, TIGHT), Terms.of(base))
    assert caught.value.culprits == ("e3",)


def test_two_that_exclude_each_other_are_both_named() -> None:
    """Ours: outcome one is never seen with the fault, outcome two never without it: only together they cannot be."""
    whole = knowledge()
    test = whole.tests["leak-down"]
    first, *_, last = (outcome.id for outcome in test.outcomes)
    never = test.otherwise.model_copy(update={"outcomes": {first: 1.0}})
    sharp = {"leak-down": test.model_copy(update={"otherwise": never})}
    faults = {
        name: fault.model_copy(
            update={"shows": [s.model_copy(update={"outcomes": {last: 1.0}}) for s in fault.shows if s.test == test.id]}
        )
        for name, fault in whole.faults.items()
    }
    base = replace(whole, tests={**whole.tests, **sharp}, faults=faults)
    seen = [Found(f"e{n}", "leak-down", cylinder(3), {outcome: 1.0}) for n, outcome in ((3, first), (4, last))]
    assert culprits_of(model(*seen, base=base)) == ("e3", "e4")
    assert culprits_of(model(seen[0], base=base)) == ()
