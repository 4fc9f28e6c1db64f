"""Findings with several axes: lean beside rich, and what is seen where both are raised."""

from __future__ import annotations

from dataclasses import replace
from itertools import product
from math import isclose

import numpy as np
import pytest
from tests.reasoning.reference_library import library_posterior
from tests.reasoning.shop_cases import car, counted, found, knowledge
from tests.reasoning.small_networks import by_listing, random_finding_on_axes, random_network

from firstcause.reasoning.because import log_odds
from firstcause.reasoning.choice import advise
from firstcause.reasoning.compiled import compile_model
from firstcause.reasoning.exact import Engine
from firstcause.reasoning.history import Coded, Found
from firstcause.reasoning.network import Cause, Finding, ImpossibleNetwork, Network
from firstcause.reasoning.shown import cumulative_of, leak_of, shown_at, terms_of, weights_of
from firstcause.reasoning.steps import Terms
from firstcause.vehicle.place import bank, cylinder

TRIMS = knowledge().tests["trims-by-region"]
SHAPES = ((2, 2), (3, 2), (2, 2, 2), (2, 4), (2, 3, 2))


def with_axes(seed: int) -> Network:
    network, chance = random_network(seed), np.random.default_rng(1000 + seed)
    more = (random_finding_on_axes(chance, network.causes, f"axes-{n}", SHAPES[(seed + n) % 5]) for n in range(2))
    return replace(network, findings=(*network.findings[:3], *more))


@pytest.mark.parametrize("seed", range(60))
def test_against_all_states_one_by_one(seed: int) -> None:
    """Reference: the definitions themselves, every state of every cause (tests/reasoning/small_networks)."""
    network = with_axes(seed)
    listed = by_listing(network)
    posterior = Engine(network, 0.0).posterior()

    assert isclose(posterior.evidence, listed.evidence, rel_tol=1e-9, abs_tol=1e-15)
    assert max(abs(posterior.probability[name] - p) for name, p in listed.probability.items()) < 1e-9


@pytest.mark.parametrize("seed", range(12))
def test_against_the_library(seed: int) -> None:
    """Reference: pyagrum, a finding as a chain of joins over the combinations of levels."""
    network = with_axes(seed)
    library = library_posterior(network)
    ours = Engine(network, 0.0).posterior().probability

    assert max(abs(ours[name] - p) for name, p in library.items()) < 1e-9


def test_independent_axes_are_two_findings() -> None:
    """Ours: where every table is the product of its axes and each axis is read sharply, the finding is two findings."""
    causes = (Cause("a", 0.2), Cause("b", 0.1, (("a", 0.5),)), Cause("c", 0.3))
    lean = ((0.9, 1.0), {"a": (0.3, 1.0), "c": (0.7, 1.0)})
    rich = ((0.8, 0.95, 1.0), {"b": (0.1, 0.6, 1.0), "c": (0.5, 0.5, 1.0)})

    def both(one: tuple[float, ...], other: tuple[float, ...]) -> tuple[float, ...]:
        return tuple(x * y for x, y in product(one, other))

    for level, grade in product(range(2), range(3)):
        apart = Network(causes, (
            Finding("lean", lean[0], tuple(lean[1].items()), tuple(np.eye(2)[level].tolist())),
            Finding("rich", rich[0], tuple(rich[1].items()), tuple(np.eye(3)[grade].tolist())),
        ))  # fmt: skip
        tables = tuple((c, both(lean[1].get(c, (1.0,) * 2), rich[1].get(c, (1.0,) * 3))) for c in "abc")
        seen = tuple(np.eye(6)[level * 3 + grade].tolist())
        joined = Network(causes, (Finding("both", both(lean[0], rich[0]), tables, seen, (2, 3)),))
        one, other = Engine(apart, 0.0).posterior(), Engine(joined, 0.0).posterior()
        assert other.evidence == pytest.approx(one.evidence, rel=1e-12)
        assert dict(other.probability) == pytest.approx(dict(one.probability), rel=1e-12)


def test_a_share_below_nothing_is_refused() -> None:
    """Ours: P(both at most 0) = 0.5, yet P(both) would be 1 - 0.6 - 0.6 + 0.1 below nothing."""
    finding = Finding("f", (0.1, 0.6, 0.6, 1.0), (), (1.0,) * 4, (2, 2))
    with pytest.raises(ImpossibleNetwork, match="do not rise"):
        Network((), (finding,))
    with pytest.raises(ImpossibleNetwork, match="axes of f do not fit"):
        Network((), (replace(finding, leak=(0.5, 1.0), weights=(1.0, 1.0)),))


def outcomes_alone(shares: dict[str, float]) -> np.ndarray:
    """P(outcome) from a fault that shows `shares`, together with what stands there otherwise."""
    at_most = np.array(leak_of(TRIMS)) * np.array(cumulative_of(TRIMS, shares))
    axes = tuple(len(axis.levels) for axis in TRIMS.axes)
    return np.asarray(terms_of(shown_at(TRIMS), axes) @ at_most)


def test_the_outcomes_of_the_trims_add_up() -> None:
    """Ours: a share for each combination; without any fault the outcomes are those of [otherwise]."""
    assert shown_at(TRIMS).sum(axis=0) == pytest.approx(1.0)
    alone = dict(zip([o.id for o in TRIMS.outcomes], outcomes_alone({}), strict=True))
    assert alone == pytest.approx(TRIMS.otherwise.outcomes)


def test_false_air_and_weak_delivery_together_read_lean_everywhere() -> None:
    """Common practice, no source: a leak is lean at idle, a weak pump under load; both together in every region."""
    at_most = np.array(cumulative_of(TRIMS, {"lean-at-idle-falling": 1.0})) * np.array(
        cumulative_of(TRIMS, {"lean-rising-with-load": 1.0})
    )
    seen = terms_of(shown_at(TRIMS), (2, 2, 2)) @ at_most
    assert [o.id for o, p in zip(TRIMS.outcomes, seen, strict=True) if p > 0.5] == ["lean-everywhere"]
    assert seen.max() == pytest.approx(1.0)


V6 = car("V6")
CODE = Coded("e1", frozenset({3}), "idle")
COUNT = counted("e2", V6.layout, {"idle": 3.0}, {3: 200})


def belief(*findings: Found) -> dict[str, float]:
    model = compile_model(knowledge(), V6, (CODE, COUNT, *findings))
    return dict(Engine(model.network, 1e-6).posterior().probability)


def test_a_rich_cause_may_hide_false_air() -> None:
    """
    Common practice, no source: trims near zero do not clear a vacuum leak on an engine with a leaking injector.

    In one forced order (rich below lean) the leak would always have outshone the injector, and "normal" would speak
    against the leak just as strongly whether or not the injector is known to drip.
    """
    normal = found("t", "trims-by-region", bank(1), "normal")
    dripping = found("d", "injector-flow-bench", cylinder(3), "drips")
    leak = "vacuum-leak@engine"

    by_itself = log_odds(belief(normal)[leak]) - log_odds(belief()[leak])
    beside_it = log_odds(belief(dripping, normal)[leak]) - log_odds(belief(dripping)[leak])
    assert by_itself < -5.0
    assert by_itself + 2.0 < beside_it < -0.5


def test_weights_of_an_unsure_look_spread_over_the_combinations() -> None:
    """Ours: "normal, or perhaps lean at idle" weighs each combination by what one would have seen there."""
    weights = weights_of(TRIMS, {"normal": 0.8, "lean-at-idle-falling": 0.2})
    assert weights[0] == pytest.approx(0.8)
    assert weights == pytest.approx((0.8, 0.0, 0.0, 0.8 * 0.3, 0.2, 0.8 * 0.3 + 0.2 * 0.35, 0.0, 0.8 * 0.3))


def test_the_fan_of_the_trims_agrees_with_seeing_it() -> None:
    """Ours: what the next step expects of each outcome is what the belief becomes when that outcome is recorded."""
    model = compile_model(knowledge(), V6, (CODE, COUNT))
    engine = Engine(model.network, 1e-6)
    advice = advise(model, Terms.of(knowledge()), engine)
    option = next(o for o in advice.options if o.step.what == "trims-by-region" and o.step.place == bank(1))

    assert sum(look.chance for look in option.fan) == pytest.approx(1.0, abs=1e-6)
    for look in option.fan:
        seen = compile_model(knowledge(), V6, (CODE, COUNT, found("t", "trims-by-region", bank(1), look.outcome)))
        after = Engine(seen.network, 1e-6)
        chance = after.posterior().evidence / engine.posterior().evidence
        assert look.chance == pytest.approx(chance, rel=1e-3, abs=1e-6)
        for cause, p in look.suspects:
            assert after.posterior().probability[cause] == pytest.approx(p, rel=1e-2, abs=1e-4)
