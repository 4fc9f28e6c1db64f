"""Weights of evidence that add up: against all orders one by one, against Good's weight, and where nothing was told."""

from __future__ import annotations

from dataclasses import replace
from itertools import permutations
from math import log10

import numpy as np
import pytest
from tests.reasoning.shop_cases import car, counted, found, knowledge, random_history
from tests.reasoning.small_networks import by_listing, random_network

from firstcause.reasoning.because import (
    MOST_DECIBANS,
    MOST_NAMED,
    WORTH_NAMING,
    concerning,
    fair_shares,
    log_odds,
    reasons_for,
)
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.exact import Engine
from firstcause.reasoning.fitment import Fitment
from firstcause.reasoning.history import Answered, Coded, Found, Moved
from firstcause.reasoning.network import Cause, Finding, Network
from firstcause.vehicle.place import ENGINE, cylinder

V6 = car("V6")
SEEDS = range(5)


def as_model(network: Network) -> Model:
    """A model of nothing but a network: each finding is a happening of its own."""
    history = tuple(Found(finding.id, "none", ENGINE) for finding in network.findings)
    names = {finding.id: finding.id for finding in network.findings}
    nothing = frozenset[int]()
    return Model(
        knowledge(), V6, history, network, {}, Fitment.as_brought_in(V6.layout, {}), {}, {}, names, nothing, nothing
    )


def exact(network: Network) -> Engine:
    return Engine(network, 0.0)


def fine(network: Network) -> Engine:
    return Engine(network, 1e-6)


def exactly(network: Network, causes: list[str]):
    return reasons_for(as_model(network), exact(network).posterior().probability, causes, engine=exact)


def possible(seed: int) -> Network:
    """A random network whose findings can be true together."""
    while not by_listing(network := random_network(seed)).evidence > 0.0:
        seed += 1000
    return network


@pytest.mark.parametrize("seed", SEEDS)
def test_each_piece_is_the_mean_over_all_orders(seed: int) -> None:
    """Brute force: every order of the findings, each set of them by listing all states.

    L. S. Shapley, A value for n-person games (1953): the mean marginal contribution over all orders.
    """
    network = possible(seed)
    causes = [cause.id for cause in network.causes]
    names = [finding.id for finding in network.findings]
    listed = {}

    def odds(kept: frozenset[str]) -> np.ndarray:
        if kept not in listed:
            answer = by_listing(network.without(set(names) - kept)).probability
            listed[kept] = np.array([log_odds(answer[cause]) for cause in causes])
        return listed[kept]

    told = exactly(network, causes)
    players = [piece.happenings for piece in told[causes[0]].pieces]
    assert sorted(name for player in players for name in player) == sorted(names)
    orders = list(permutations(players))

    def added(player: tuple[str, ...], order: tuple[tuple[str, ...], ...]) -> np.ndarray:
        before = {name for other in order[: order.index(player)] for name in other}
        return odds(frozenset(before | set(player))) - odds(frozenset(before))

    for at, player in enumerate(players):
        brute = np.mean([added(player, order) for order in orders], axis=0)
        ours = [told[cause].pieces[at].decibans for cause in causes]
        # an absent or certain cause is held at 60 dB: rounding may leave it a little inside
        assert ours == pytest.approx(brute, abs=1e-3)
        for cause in causes:
            without = by_listing(network.without(player)).probability[cause]
            assert told[cause].pieces[at].without == pytest.approx(without, abs=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_the_pieces_lead_from_the_start_to_now(seed: int) -> None:
    network = possible(seed)
    before, after = by_listing(network.without(f.id for f in network.findings)), by_listing(network)
    for cause, reasons in exactly(network, [cause.id for cause in network.causes]).items():
        assert reasons.start == pytest.approx(before.probability[cause], abs=1e-9)
        assert reasons.now == pytest.approx(after.probability[cause], abs=1e-9)
        total = reasons.start_decibans + sum(piece.decibans for piece in reasons.pieces)
        assert total == pytest.approx(reasons.now_decibans, abs=1e-9)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_finding_nobody_could_be_surprised_by_moves_nothing(seed: int) -> None:
    network = possible(seed)
    causes = [cause.id for cause in network.causes]
    last = network.findings[-1]
    dull = replace(last, weights=tuple(0.3 for _ in last.weights))
    told = exactly(Network(network.causes, (*network.findings[:-1], dull)), causes)
    without = exactly(Network(network.causes, network.findings[:-1]), causes)
    for cause in causes:
        before = {frozenset(piece.happenings): piece.decibans for piece in without[cause].pieces}
        before[frozenset()] = 0.0
        now = {frozenset(piece.happenings) - {dull.id}: piece.decibans for piece in told[cause].pieces}
        assert now == pytest.approx({key: before[key] for key in now}, abs=1e-6)
        assert before.keys() - now.keys() <= {frozenset()}


def test_findings_that_do_not_overlap_have_the_weight_of_their_likelihood_ratio() -> None:
    """
    One fault, findings that depend on nothing else: the weight of each is the log of its likelihood ratio, whatever
    else was found; its sign says for or against.

    I. J. Good, Weight of evidence: a brief survey (1985), section 1: W(H:E) = log P(E|H)/P(E|not H), and additive.
    """
    likely = Finding("likely", (0.2, 1.0), (("fault", (0.25, 1.0)),), (0.0, 1.0))  # P(seen): 0.95 against 0.8
    telling = Finding("telling", (0.9, 1.0), (("fault", (1 / 9, 1.0)),), (0.0, 1.0))  # 0.9 against 0.1
    against = Finding("against", (0.9, 1.0), (("fault", (0.5, 1.0)),), (1.0, 0.0))  # 0.45 against 0.9
    told = exactly(Network((Cause("fault", 0.01),), (likely, telling, against)), ["fault"])["fault"]

    weights = [10 * log10(0.95 / 0.8), 10 * log10(9), 10 * log10(0.5)]
    assert [piece.decibans for piece in told.pieces] == pytest.approx(weights, abs=1e-9)
    assert told.start_decibans == pytest.approx(10 * log10(1 / 99), abs=1e-9)


def test_two_findings_that_say_the_same_share_its_weight() -> None:
    """The second adds little to the first, yet neither is worth less than the other: order does not matter."""
    side = Cause("side", 0.05, (("fault", 0.9),))
    once = Finding("once", (0.95, 1.0), (("side", (0.05, 1.0)),), (0.0, 1.0))
    causes = (Cause("fault", 0.01), side)
    alone = exactly(Network(causes, (once,)), ["fault"])["fault"]
    twice = exactly(Network(causes, (once, replace(once, id="twice"))), ["fault"])["fault"]

    first, second = (piece.decibans for piece in twice.pieces)
    assert first == pytest.approx(second, abs=1e-9)
    assert alone.pieces[0].decibans < first + second < 1.5 * alone.pieces[0].decibans


def test_only_what_can_matter_is_weighed() -> None:
    for seed in SEEDS:
        network = possible(seed)
        few = Network(network.causes, network.findings[:1])
        wanted = network.causes[-1].id
        small = concerning(few, [wanted])
        assert by_listing(small).probability[wanted] == pytest.approx(by_listing(few).probability[wanted], abs=1e-12)
    lone = concerning(Network((Cause("a", 0.1), Cause("b", 0.1), Cause("c", 0.1, (("b", 0.5),)))), ["c"])
    assert [cause.id for cause in lone.causes] == ["b", "c"]


def test_odds_are_held_at_one_in_a_million() -> None:
    assert (log_odds(0.0), log_odds(1.0), log_odds(0.5)) == (-MOST_DECIBANS, MOST_DECIBANS, 0.0)
    assert log_odds(1e-12) == -MOST_DECIBANS


def test_fair_shares_of_a_game_in_which_only_two_together_win() -> None:
    """Shapley 1953, section 5 (majority games): two needed of three, one of whom is never needed by a third."""
    glove = fair_shares([("l",), ("r",), ("idle",)], lambda s: [float({("l",), ("r",)} <= s)])
    assert glove == {("l",): [pytest.approx(0.5)], ("r",): [pytest.approx(0.5)], ("idle",): [pytest.approx(0.0)]}


def test_long_stories_are_told_in_few_pieces_that_still_add_up() -> None:
    history = random_history(2, V6, knowledge(), 8)
    model = compile_model(knowledge(), V6, history)
    belief = Engine(model.network, 1e-5).posterior().probability
    top = max(model.live_roots, key=lambda cause: belief[cause])
    told = reasons_for(model, belief, [top])[top]

    assert len({*model.happening_of.values()}) > MOST_NAMED + 1
    alone, together = told.pieces[:-1], told.pieces[-1]
    assert 2 <= len(alone) <= MOST_NAMED
    assert all(len(piece.happenings) == 1 for piece in alone)
    assert len(together.happenings) == len({*model.happening_of.values()}) - len(alone)
    if len(alone) < MOST_NAMED:
        assert abs(together.decibans) < WORTH_NAMING * len(together.happenings)
    assert {h for piece in told.pieces for h in piece.happenings} == {*model.happening_of.values()}
    total = told.start_decibans + sum(piece.decibans for piece in told.pieces)
    assert total == pytest.approx(log_odds(belief[top]), abs=1e-9)


def test_rough_weighing_is_right_to_half_a_deciban() -> None:
    history = (
        Coded("code", frozenset({3}), "idle"),
        counted("count", V6.layout, {"idle": 3.0}, {3: 180}),
        Moved("swap", "coil", 3, 1),
        counted("after", V6.layout, {"idle": 3.0}, {1: 170}),
    )
    model = compile_model(knowledge(), V6, history)
    belief = Engine(model.network, 1e-6).posterior().probability
    top = sorted(model.live_roots, key=lambda cause: -belief[cause])[:5]
    rough = reasons_for(model, belief, top)
    finely = reasons_for(model, belief, top, engine=fine)
    for cause in top:
        for ours, finer in zip(rough[cause].pieces, finely[cause].pieces, strict=True):
            assert ours.decibans == pytest.approx(finer.decibans, abs=0.5)
    assert [piece.happenings for piece in rough[top[0]].pieces] == [("code",), ("count",), ("after",)]


def test_an_answer_of_the_owner_is_a_happening_too() -> None:
    """An answer makes a fault more frequent; without it the fault stands at its plain frequency."""
    story = next(s for fault in knowledge().faults.values() for s in fault.story if s.factor > 1.5)
    fault = next(f for f in knowledge().faults.values() if story in f.story)
    told = (Answered("told", story.answer), found("look", "plug-look", cylinder(3), "normal"))
    with_it, without = (compile_model(knowledge(), V6, history) for history in (told, told[1:]))
    cause = next(cause for (name, _), cause in with_it.current.items() if name == fault.id)
    belief = Engine(with_it.network, 1e-6).posterior().probability
    reasons = reasons_for(with_it, belief, [cause], engine=fine)[cause]

    assert reasons.pieces[0].happenings == ("told",)
    assert reasons.pieces[0].decibans > 0.5
    plain = Engine(without.network, 1e-6).posterior().probability[cause]
    assert reasons.pieces[0].without == pytest.approx(plain, rel=1e-3)
