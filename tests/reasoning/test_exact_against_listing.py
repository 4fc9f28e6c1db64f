"""The engine against listing all states one by one, on small networks with every odd shape."""

from __future__ import annotations

import numpy as np
import pytest
from tests.reasoning.small_networks import by_listing, random_network

from firstcause.reasoning import exact
from firstcause.reasoning.exact import Contradiction, Engine, Extra
from firstcause.reasoning.network import Cause, Finding, ImpossibleNetwork, Network, Table

SEEDS = range(25)
ROUNDING = 1e-10  # sums with signs cancel, and other processors round otherwise; 1e-14 is usual


def possible(seed: int, tables: int = 0) -> Network:
    """A random network whose findings can all be true together; the next seed's if they cannot."""
    while True:
        network = random_network(seed, tables)
        try:
            Engine(network, 0.0)
        except Contradiction:
            seed += 1000
        else:
            return network


def largest_difference(network: Network, engine: Engine) -> float:
    listed, posterior = by_listing(network), engine.posterior()
    return max(
        abs(posterior.evidence / listed.evidence - 1.0),
        *(abs(posterior.probability[name] - p) for name, p in listed.probability.items()),
    )


@pytest.mark.parametrize("seed", SEEDS)
def test_posterior_and_evidence_equal_the_list_of_all_states(seed: int) -> None:
    """Ours: the definition itself, summed state by state."""
    network = possible(seed)

    assert largest_difference(network, Engine(network, 0.0)) < ROUNDING


@pytest.mark.parametrize("seed", SEEDS)
def test_blocks_listed_by_configuration_give_the_same(seed: int, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ours: the form for very many abnormal findings, forced on small networks, everything listed."""
    network = possible(seed)
    monkeypatch.setattr(exact, "LARGEST_TABLE_IN_FULL", 0)

    assert largest_difference(network, Engine(network, 0.0)) < ROUNDING


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("by_terms", [True, False])
def test_tables_say_what_no_noisy_or_can(seed: int, by_terms: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ours: any factor over a few causes, among shared ones, within a block and across blocks; what if, too."""
    if not by_terms:
        monkeypatch.setattr(exact, "LARGEST_TABLE_IN_FULL", 0)
    network = possible(seed, tables=3)
    names = [cause.id for cause in network.causes]
    engine, listed = Engine(network, 0.0), by_listing(network)

    z, joint = engine.with_extras([Extra({names[-2]: 0.3, names[0]: 0.7})], names)

    assert largest_difference(network, engine) < ROUNDING
    one_more = Table("more", (names[-2], names[0]), (1.0, 0.7, 0.3, 0.3 * 0.7))
    after = by_listing(Network(network.causes, network.findings, (*network.tables, one_more)))
    assert z[0] == pytest.approx(after.evidence / listed.evidence, rel=1e-9, abs=ROUNDING)
    wanted = [after.probability[name] * after.evidence / listed.evidence for name in names]
    assert joint[0].tolist() == pytest.approx(wanted, abs=ROUNDING)


@pytest.mark.parametrize("seed", range(10))
def test_with_tables_nothing_is_left_out(seed: int) -> None:
    """Ours: seeds 9 and 47 of this kind were called contradictions, and others were off by 0.9, when lists were cut."""
    network = possible(seed, tables=3)

    engine = Engine(network, 1e-5)

    assert engine.posterior().tolerance == 0.0
    assert largest_difference(network, engine) < ROUNDING


@pytest.mark.parametrize(
    ("table", "why"),
    [
        (Table("t", ("shared-0", "nobody"), (1.0, 1.0, 1.0, 1.0)), "nobody"),
        (Table("t", ("shared-0", "shared-0"), (1.0, 1.0, 1.0, 1.0)), "twice"),
        (Table("t", ("shared-0",), (1.0, 1.0, 1.0)), "do not fit"),
        (Table("t", ("shared-0",), (1.0, -0.1)), "do not fit"),
        (Table("t", ("shared-0",), (1.0, float("nan"))), "do not fit"),
    ],
)
def test_a_table_that_cannot_be_is_refused(table: Table, why: str) -> None:
    """Ours: each with the one sentence that says what is wrong."""
    network = random_network(0)

    with pytest.raises(ImpossibleNetwork, match=why):
        Network(network.causes, network.findings, (table,))


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("tolerance", [1e-5, 1e-6])
def test_a_list_of_shared_causes_leaves_out_no_more_than_it_says(seed: int, tolerance: float) -> None:
    """Ours: causes here are far commoner (up to 0.4) than those that the lists are made for."""
    network = possible(seed)

    engine = Engine(network, tolerance)

    assert largest_difference(network, engine) < 5 * tolerance
    assert engine.posterior().tolerance == tolerance


@pytest.mark.parametrize("seed", SEEDS)
@pytest.mark.parametrize("by_terms", [True, False])
def test_asking_what_if_equals_one_finding_more(seed: int, by_terms: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    """Ours: a factor on present causes is a finding with two outcomes whose first was seen."""
    if not by_terms:
        monkeypatch.setattr(exact, "LARGEST_TABLE_IN_FULL", 0)
    network, chance = possible(seed), np.random.default_rng(seed)
    names = [cause.id for cause in network.causes]
    extras = [{name: float(chance.random()) for name in names if chance.random() < 0.3} for _ in range(4)]
    extras += [{names[0]: 0.0}, {}, {"root-of-two": 0.3}]
    before = by_listing(network).evidence

    z, joint = Engine(network, 0.0).with_extras([Extra(extra) for extra in extras], names)

    for e, extra in enumerate(extras):
        one_more = Finding("extra", (1.0, 1.0), tuple((k, (v, 1.0)) for k, v in extra.items()), (1.0, 0.0))
        after = by_listing(Network(network.causes, (*network.findings, one_more)))
        assert z[e] == pytest.approx(after.evidence / before, rel=1e-9, abs=ROUNDING)
        for w, name in enumerate(names):
            assert joint[e, w] == pytest.approx(after.probability[name] * after.evidence / before, abs=ROUNDING)


def network_with_guests(seed: int) -> Network:
    """Two blocks, and three shared causes each seen in one block only, apart from what they are able to do in both."""
    chance = np.random.default_rng(seed)

    def share(low: float, high: float) -> float:
        return float(chance.uniform(low, high))

    heads = [Cause(f"head {h}", share(0.02, 0.6)) for h in range(3)]
    able = [
        Cause(f"head {h} able {k}", 0.0, ((f"head {h}", share(0.1, 0.9)),)) for h in range(3) for k in range(1 + h % 2)
    ]
    private = [Cause(f"{block}{k}", share(0.05, 0.5), (), block) for block in "ab" for k in range(2)]
    findings = []
    for block in "ab":
        own = [cause.id for cause in private if cause.block == block]
        both = [*own, *(cause.id for cause in able)]
        looks = [*own, *(f"head {h}" for h in range(3) if (h == 2) == (block == "b"))]
        for name, seen in (("runs", both), ("looks", looks)):
            reach = tuple((cause, (share(0.0, 0.6), 1.0)) for cause in seen)
            findings.append(Finding(f"{block} {name}", (share(0.5, 1.0), 1.0), reach, (share(0.0, 0.4), 1.0)))
    return Network((*heads, *able, *private), tuple(findings))


@pytest.mark.parametrize("seed", SEEDS)
def test_a_shared_cause_seen_in_one_block_is_its_guest(seed: int) -> None:
    """Ours: against the list of all states; and what if, with factors on guests, their children and their hosts."""
    network = network_with_guests(seed)
    names = [cause.id for cause in network.causes]
    engine = Engine(network, 0.0)
    chance = np.random.default_rng(seed + 1)
    asked = [Extra({n: float(chance.choice([0.0, 0.3, 2.5])) for n in chance.choice(names, 4, False)}) for _ in "1234"]

    z, joint = engine.with_extras(asked, names)

    assert len(engine._guests) == 3
    assert largest_difference(network, engine) < ROUNDING
    before = by_listing(network).evidence
    for e, extra in enumerate(asked):
        more = tuple(Table(f"more {name}", (name,), (1.0, v)) for name, v in extra.when_present.items())
        after = by_listing(Network(network.causes, network.findings, more))
        assert z[e] == pytest.approx(after.evidence / before, rel=1e-9, abs=ROUNDING)
        wanted = [after.probability[name] * after.evidence / before for name in names]
        assert joint[e] == pytest.approx(wanted, rel=1e-9, abs=ROUNDING)


def test_findings_that_exclude_each_other_are_called_so() -> None:
    """Ours: the only cause of a sure sign is excluded by another."""
    network = random_network(0)
    name = network.causes[0].id
    yes = Finding("yes", (1.0, 1.0), ((name, (0.0, 1.0)),), (0.0, 1.0))
    no = Finding("no", (1.0, 1.0), ((name, (0.0, 1.0)),), (1.0, 0.0))

    with pytest.raises(Contradiction, match="cannot all be true together"):
        Engine(Network(network.causes, (yes, no)), 0.0)


def test_evidence_far_below_the_smallest_float_is_still_weighed() -> None:
    """Ours: 400 counts, each with likelihoods near 1e-3, used to underflow to nothing and be called a contradiction."""
    network = random_network(1)
    name = network.causes[0].id
    counts = tuple(Finding(f"c{n}", (1.0, 1.0), ((name, (0.5, 1.0)),), (1e-3, 1.01e-3)) for n in range(400))

    posterior = Engine(Network(network.causes, counts), 1e-6).posterior()

    assert posterior.log_evidence < -2700.0
    assert posterior.evidence == 0.0
    leak = by_listing(Network(network.causes)).probability[name]
    odds = leak / (1.0 - leak) * (1.005) ** 400
    assert posterior.probability[name] == pytest.approx(odds / (1.0 + odds), rel=1e-6)
