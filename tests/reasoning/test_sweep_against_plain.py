"""Swaps in thought against the long way round (`plain_sweep`): same fitment, same beliefs, same outcomes.

Nothing here comes from outside: these tests hold the short cuts to what they are short cuts of.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from numpy.testing import assert_allclose
from tests.reasoning.drawn_cases import drawn_case
from tests.reasoning.plain_sweep import compiled_after, engine_of, moves_of

from firstcause.reasoning.compiled import Model, after_moves, compile_model
from firstcause.reasoning.exact import Contradiction, Engine, Extra
from firstcause.reasoning.foreseen import Foreseen
from firstcause.reasoning.history import Moved
from firstcause.reasoning.looks import swap_plan
from firstcause.reasoning.network import Cause
from firstcause.reasoning.steps import Step, Terms, open_now, swap_step

EXACT = 1e-9
PARTS = ("coil", "plug", "injector")
FAULTS = (
    "coil-dead", "plug-oil-fouled", "oil-rings-stuck", "exhaust-valve-burnt", "contact-loose-coil", "fuel-pressure-low",
    "something-else-in-this-cylinder",
)  # fmt: skip
SEEDS = range(24)


def case(seed: int) -> tuple[Model, Engine]:
    """A drawn story on a pack small enough to be weighed exactly."""
    model = drawn_case(seed, "I4" if seed % 2 else "V6", FAULTS, 2 + seed % 4).model()
    try:
        return model, engine_of(model)
    except Contradiction:
        pytest.skip("a story that cannot be")


def as_said(model: Model) -> dict[str, Cause]:
    """The causes without the block, which is a hint to the arithmetic."""
    return {cause.id: replace(cause, block=None) for cause in model.network.causes}


def some_swap(seed: int, model: Model) -> Step:
    """One swap, or two in one drive, of parts that may have been moved or renewed before."""
    chance = np.random.default_rng([3, seed])
    here, there, elsewhere = (int(n) for n in chance.permutation(model.car.layout.cylinders)[:3])
    first, second = (str(part) for part in chance.permutation(PARTS)[:2])
    moves = ((first, here, there), (second, here, elsewhere)) if seed % 3 == 0 else ((first, here, there),)
    return swap_step(model, Terms.of(model.knowledge), moves, open_now(model))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_swap_in_thought_is_the_swap_in_a_network_of_its_own(seed: int) -> None:
    """Every outcome, alone and with every cause that is current then; and what is believed before the reading."""
    model, engine = case(seed)
    step = some_swap(seed, model)
    after, foreseen, plan = swap_plan(model, engine, step)
    plain = compiled_after(model, moves_of(step))
    other = engine_of(plain)
    causes = sorted(after.current.values())

    assert as_said(after) == as_said(plain)
    assert (dict(after.current), after.fitment) == (dict(plain.current), plain.fitment)
    assert after.live_roots == plain.live_roots
    believed, posterior = foreseen.believed(engine.posterior().probability), other.posterior().probability
    assert_allclose([believed[c] for c in causes], [posterior[c] for c in causes], rtol=0, atol=EXACT)
    for ours, theirs in zip(
        foreseen.with_extras(plan.extras, causes), other.with_extras(plan.extras, causes), strict=True
    ):
        assert_allclose(ours, theirs, rtol=0, atol=EXACT)


@pytest.mark.parametrize("seed", range(8))
def test_where_nothing_remembers_it_is_the_swap_compiled_as_if_it_had_been_done(seed: int) -> None:
    """A part that is moved in earnest forgets how it acted (`acting.remembering`); with no memory nothing differs."""
    drawn = drawn_case(seed, "I4", FAULTS, 3)
    scale = drawn.base.model.scale.model_copy(update={"remembered": 0.0})
    base = replace(drawn.base, model=drawn.base.model.model_copy(update={"scale": scale}))
    model = compile_model(base, drawn.facts, drawn.history)
    step = some_swap(seed, model)
    after, foreseen, plan = swap_plan(model, engine_of(model), step)
    done = compile_model(base, drawn.facts, (*drawn.history, *moves_of(step)))
    assert after.live == done.live
    for ours, theirs in zip(
        foreseen.with_extras(plan.extras, after.live), engine_of(done).with_extras(plan.extras, done.live), strict=True
    ):
        assert_allclose(ours, theirs, rtol=0, atol=EXACT)


@pytest.mark.parametrize("part", PARTS)
def test_handling_one_contact_twice_sums_out_both_successors(part: str) -> None:
    """A part moved there and back again: each contact is an heir's heir, and its factor may be nought."""
    model, engine = case(1)
    home, other = model.car.layout.cylinders[:2]
    moves = [Moved(f"m{n}", part, home, other) for n in range(2)]
    after, plain = after_moves(model, moves), compiled_after(model, moves)
    foreseen, theirs = Foreseen.of(engine, after), engine_of(plain)
    causes = sorted(after.current.values())
    extras = [Extra(dict.fromkeys(causes, factor)) for factor in (1.0, 0.4, 0.0)]
    for mine, expected in zip(foreseen.with_extras(extras, causes), theirs.with_extras(extras, causes), strict=True):
        assert_allclose(mine, expected, rtol=0, atol=EXACT)
