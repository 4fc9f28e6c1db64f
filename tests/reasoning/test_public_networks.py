"""Public troubleshooting networks, whose tables are no noisy-OR: ours against a general library."""

from __future__ import annotations

import hashlib
import random
import re
from collections.abc import Mapping

import pytest
from tests.reasoning.bif_files import NETWORKS, Variable, as_library, as_ours, public_network
from tests.reasoning.reference_library import gum
from tests.reasoning.worked_examples import ASIA_PRESENT, PRINTER_SHARED, printer_present, weigh_public

from firstcause.reasoning.exact import Contradiction
from firstcause.reasoning.network import Network

EQUAL = 1e-9
Evidence = Mapping[str, str]


def library(bn: gum.BayesNet, present: Mapping[str, str], evidence: Evidence) -> tuple[float, dict[str, float]] | None:
    """P(evidence), and P(present) of every variable, by lazy propagation; None for evidence that cannot be."""
    inference = gum.LazyPropagation(bn)
    inference.setEvidence(dict(evidence))
    try:
        inference.makeInference()
        beliefs = {name: float(inference.posterior(name)[{name: state}]) for name, state in present.items()}
    except gum.IncompatibleEvidence:
        return None
    probability = float(inference.evidenceProbability())
    return (probability, beliefs) if probability > 0.0 else None


def some_evidence(variables: Mapping[str, Variable], seed: int) -> dict[str, str]:
    """One to seven variables in states drawn at random."""
    chance = random.Random(seed)
    names = chance.sample(sorted(variables), chance.randint(1, 7))
    return {name: chance.choice(variables[name].states) for name in names}


def check_all(network: Network, variables: Mapping[str, Variable], present: Mapping[str, str], seed: int) -> None:
    """All marginals and P(evidence); evidence that cannot be is called so by both."""
    evidence = some_evidence(variables, seed)
    expected = library(as_library(variables), present, evidence)
    if expected is None:
        with pytest.raises(Contradiction):
            weigh_public(network, present, evidence)
        return

    posterior = weigh_public(network, present, evidence)

    assert posterior.evidence == pytest.approx(expected[0], rel=EQUAL)
    assert dict(posterior.probability) == pytest.approx(expected[1], abs=EQUAL)


def test_the_files_are_those_of_the_package() -> None:
    """The sums that stand in the README of tests/data/networks."""
    listed = re.findall(r"([0-9a-f]{64})  (\S+)", (NETWORKS / "README.md").read_text(encoding="utf-8"))

    assert len(listed) == 2
    for digest, name in listed:
        assert hashlib.sha256((NETWORKS / name).read_bytes()).hexdigest() == digest


# ---- the printer


def test_the_printer_network_is_whole_and_no_noisy_or() -> None:
    """76 variables of two states, 112 links (pgmpy 1.1.2). In a noisy-OR P(absent) of both parents is a product."""
    variables = public_network("win95pts")
    pairs = [variable.table[..., 0] for variable in variables.values() if len(variable.parents) == 2]

    assert len(variables) == 76
    assert sum(len(variable.parents) for variable in variables.values()) == 112
    assert {len(variable.states) for variable in variables.values()} == {2}
    assert len(pairs) == 8
    assert all(abs(p[0, 0] * p[1, 1] - p[0, 1] * p[1, 0]) > 0.01 for p in pairs)


@pytest.mark.parametrize("seed", range(8))
def test_the_printer_under_any_evidence(seed: int) -> None:
    """All 76 marginals and P(evidence). Reference: pyagrum, lazy propagation."""
    variables = public_network("win95pts")
    present = printer_present()

    check_all(as_ours(variables, present, PRINTER_SHARED), variables, present, seed)


# ---- Asia


@pytest.mark.parametrize("seed", range(40))
def test_asia_under_any_evidence(seed: int) -> None:
    """All marginals and P(evidence). Reference: pyagrum, lazy propagation."""
    variables = public_network("asia")

    check_all(as_ours(variables, ASIA_PRESENT), variables, ASIA_PRESENT, seed)
