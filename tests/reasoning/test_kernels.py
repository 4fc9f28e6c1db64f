"""The compiled loops against the plain definition of what they compute, on numbers drawn at random."""

from __future__ import annotations

from collections.abc import Callable
from itertools import product
from typing import Any

import numpy as np
import pytest
from tests.reasoning.small_networks import random_network

from firstcause.reasoning import jit, kernels
from firstcause.reasoning.exact import Contradiction, Engine
from firstcause.reasoning.network import Network

SEEDS = range(12)
ROUNDING = 1e-13


def engine_of(seed: int) -> Engine:
    """An engine on a random network whose findings can all be true together; the next seed's if they cannot."""
    while True:
        try:
            return Engine(random_network(seed), 0.0)
        except Contradiction:
            seed += 1000


@pytest.mark.parametrize("seed", SEEDS)
def test_factors_multiplied_out_over_all_combinations_of_terms(seed: int) -> None:
    """Ours: general sums, with any number of terms and factors of any sign; the last sum turns quickest."""
    chance = np.random.default_rng(seed)
    terms = chance.integers(1, 5, size=4)
    begin = np.concatenate([[0], np.cumsum(terms)])
    factors = chance.normal(size=(3, begin[-1]))
    causes, sums = np.array([2, 0]), np.array([3, 0, 2])
    out = np.empty((2, int(terms[sums].prod())))

    kernels.expand(factors, causes, begin, sums, out)

    for k, cause in enumerate(causes):
        spans = [factors[cause, begin[t] : begin[t + 1]] for t in sums]
        assert out[k] == pytest.approx([np.prod(row) for row in product(*spans)], rel=ROUNDING)


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("matters_absent", [True, False])
def test_units_and_members_summed_over_all_states(seed: int, matters_absent: bool) -> None:
    """Ours: a unit of three linked causes and one alone, signed couplings. Without parts the values are the same."""
    chance = np.random.default_rng(seed)
    unit, state = np.array([0, 3, 4]), np.array([0, 8, 10])
    present, absent = chance.normal(size=(2, 4, 150))
    absent = absent if matters_absent else np.ones((4, 150))
    weight, factor = chance.random(10) * (chance.random(10) < 0.8), chance.random(4)
    base = chance.normal(size=150)
    around = chance.normal(size=(2, 150))  # the last unit, one cause by itself, is a guest with surroundings of its own
    values, parts, found, table = np.empty((2, 150)), np.empty((4, 150)), np.empty(4), np.empty(150)

    states, plain = np.empty((10, 150)), np.empty((2, 150))
    kernels.unit_states(present, absent if matters_absent else absent[:0], unit, state, weight, states)
    kernels.unit_values(states, unit, state, weight, factor, True, values, parts)
    kernels.unit_values(states, unit, state, weight, factor, True, plain, parts[:0])
    assert plain == pytest.approx(values, rel=ROUNDING)
    kernels.product_of(base, values, table)
    kernels.members_in(base, around, values, parts, unit, found)

    total, with_member = np.zeros(150), np.zeros((4, 150))
    for bits in product((0, 1), repeat=4):
        prior = weight[bits[0] + 2 * bits[1] + 4 * bits[2]] * weight[8 + bits[3]]
        cell = base * prior
        for m in range(4):
            cell = cell * (factor[m] * present[m] if bits[m] else absent[m])
        total += cell
        with_member += np.array(bits)[:, None] * cell
    assert table == pytest.approx(total, rel=1e-9, abs=ROUNDING)
    assert found == pytest.approx((with_member * around[[0, 0, 0, 1]]).sum(axis=1), rel=1e-9, abs=1e-11)


@pytest.mark.parametrize("seed", SEEDS)
def test_what_is_kept_leaves_out_less_than_was_allowed(seed: int) -> None:
    """Ours: weights over thirty decades; steps of an eighth of an octave are kept or left as a whole."""
    chance = np.random.default_rng(seed)
    weight = 10.0 ** chance.uniform(-30, 0, size=400)
    weight[::50] = 0.0
    taken, out, total = chance.random(400) < 0.2, np.zeros(400, dtype=bool), float(weight.sum())

    many = kernels.worth_keeping(weight, taken, total, 1e-6 * total, 400, out)
    left = weight[~out & ~taken]

    assert many == out.sum() > 0
    assert not (out & taken).any()
    assert left.sum() <= 1e-6 * total
    assert left.max() < weight[out].min()
    assert kernels.worth_keeping(weight, taken, total, 0.0, 7, out) == out.sum() <= 7
    assert weight[out].min(initial=1.0) > weight[~out & ~taken].max()


def test_one_more_and_one_less_and_nothing_twice() -> None:
    """Ours: from {a, b}, by the items b, c and {c, d}: {a, b, c}, {a, b, c, d}, {a}, {b}; {b} was there."""
    words = np.zeros((20, 2), dtype=np.int64)
    words[:2, 1] = [0b0011, 0b0010]
    items = np.array([[0, 0b0010], [0, 0b0100], [0, 0b1100]])
    due = np.array([True, False])

    end = kernels.one_more(words, 2, due, items, np.full(64, -1))

    assert sorted(words[2:end, 1].tolist()) == [0b0001, 0b0111, 0b1111]
    assert not words[:end, 0].any()


@pytest.mark.parametrize("seed", SEEDS)
def test_the_order_of_findings_changes_no_bit(seed: int) -> None:
    """Ours: findings are taken in the order of their names."""
    network = engine_of(seed).network
    turned = Network(network.causes, tuple(reversed(network.findings)))

    for tolerance in (0.0, 1e-5):
        one, other = (Engine(each, tolerance).posterior() for each in (network, turned))
        assert one.probability == other.probability
        assert one.log_evidence == other.log_evidence


@pytest.mark.parametrize("seed", SEEDS)
def test_withdrawing_restores_every_answer_to_the_last_bit(seed: int) -> None:
    """Ours: a fresh engine without the finding, after one with it has been asked, answers as before."""
    network = engine_of(seed).network
    before = Engine(network, 1e-6).posterior()
    telling = max(network.findings, key=lambda finding: len(finding.leak))
    without = network.without([telling.id])
    between = Engine(without, 1e-6).posterior()

    again = Engine(Network(without.causes, (telling, *without.findings)), 1e-6).posterior()

    assert again.probability == before.probability
    assert between.log_evidence != before.log_evidence


def test_where_no_cache_can_be_written_it_is_compiled_all_the_same(monkeypatch: pytest.MonkeyPatch) -> None:
    """Ours: numba refuses to decorate then (RuntimeError: no locator available)."""
    asked: list[bool] = []

    def refuses_a_cache(*, cache: bool = False, **_: Any) -> Callable[[Any], Any]:
        asked.append(cache)
        if cache:
            raise RuntimeError("cannot cache function: no locator available")
        return lambda function: function

    monkeypatch.setattr(jit, "njit", refuses_a_cache)

    assert jit.compiled(abs) is abs
    assert asked == [True, False]
