"""A network written in the interchange format and read again is the same network: names, tables, evidence."""

from __future__ import annotations

import math
import re
from pathlib import Path

import numpy as np
import pytest
from tests.reasoning.bif_files import as_library, read_bif
from tests.reasoning.drawn_cases import drawn_case
from tests.reasoning.reference_library import gum
from tests.reasoning.small_networks import by_listing, random_finding_on_axes, random_network

from firstcause.reasoning.exact import Contradiction, Engine
from firstcause.reasoning.export import Exported, to_bif
from firstcause.reasoning.network import Cause, Finding, Network, Table

EQUAL = 1e-9
# The library's own reader rounds every number to 6e-8 of itself, and a case has hundreds of tables.
SINGLE_PRECISION = 1e-5


def beliefs_of(exported: Exported, bn: gum.BayesNet) -> tuple[float, dict[str, float]]:
    """P(findings), and P(present) of each cause, from an exported network alone, by lazy propagation."""
    inference = gum.LazyPropagation(bn)
    inference.setEvidence(dict(exported.evidence))
    inference.makeInference()
    beliefs = {c: float(inference.posterior(v)[{v: "present"}]) for c, v in exported.variables.items()}
    return float(inference.evidenceProbability()) * math.exp(exported.log_scale), beliefs


def odd_network(seed: int) -> Network:
    """A random network of every odd shape, with tables and a finding of two axes, that does not contradict itself."""
    while True:
        plain, chance = random_network(seed, tables=2), np.random.default_rng(seed)
        more = random_finding_on_axes(chance, plain.causes, "axes", ((2, 2), (3, 2), (2, 4))[seed % 3])
        network = Network(plain.causes, (*plain.findings, more), plain.tables)
        try:
            Engine(network, 0.0)
        except Contradiction:
            seed += 1000
        else:
            return network


@pytest.mark.parametrize("seed", range(25))
def test_what_is_written_says_what_was_meant(seed: int) -> None:
    """The definition summed state by state. Reference: pyagrum, lazy propagation on the written file."""
    network = odd_network(seed)
    exported, listed = to_bif(network), by_listing(network)

    evidence, beliefs = beliefs_of(exported, as_library(read_bif(exported.text)))

    assert evidence == pytest.approx(listed.evidence, rel=EQUAL)
    assert beliefs == pytest.approx(listed.probability, abs=EQUAL)


def test_the_library_reads_the_file_by_itself(tmp_path: Path) -> None:
    """pyagrum's own reader takes the file, comments and all; it holds numbers in single precision."""
    network = drawn_case(1, "I4", 8, 6).model().network
    exported = to_bif(
        network, ("A heading, with “quotes” and a { brace",), {network.causes[0].id: "said\nin two lines"}
    )
    path = tmp_path / "case.bif"
    path.write_text(exported.text, encoding="utf-8")

    evidence, beliefs = beliefs_of(exported, gum.loadBN(str(path)))

    posterior = Engine(network, 1e-9).posterior()
    assert evidence == pytest.approx(posterior.evidence, rel=SINGLE_PRECISION)
    assert beliefs == pytest.approx(dict(posterior.probability), abs=SINGLE_PRECISION)


def test_no_table_grows_with_the_number_of_parents() -> None:
    """Ours: 40 parents and 40 causes of a finding; every table stays below 100 numbers, and the answer is right."""
    roots = tuple(Cause(f"r{n}", 0.02) for n in range(40))
    child = Cause("child", 0.01, tuple((root.id, 0.5) for root in roots))
    at_most = (0.5, 0.8, 0.9, 1.0)
    finding = Finding("f", (0.9, 1.0, 1.0, 1.0), tuple((c.id, at_most) for c in (*roots, child)), (0.1, 0.2, 0.3, 0.9))
    exported = to_bif(Network((*roots, child), (finding,)))
    variables = read_bif(exported.text)
    bare = to_bif(Network((*roots, child)))

    assert max(variable.table.size for variable in variables.values()) < 100
    _, beliefs = beliefs_of(bare, as_library(read_bif(bare.text)))
    assert beliefs["child"] == pytest.approx(1.0 - 0.99 * (1.0 - 0.02 * 0.5) ** 40, rel=1e-12)


def test_names_are_legal_and_no_two_are_one() -> None:
    """Cozman, The interchange format, version 0.15 (1998): a word is letters, digits and underlines (from memory)."""
    odd = (
        "coil-dead@coil-3",
        "coil_dead@coil 3",
        "COIL-DEAD@coil-3",
        "3rd~1",
        "x@engine#road",
        "größe",
        "--",
        "seen f",
    )
    causes = tuple(Cause(name, 0.1) for name in odd)
    finding = Finding("f", (1.0, 1.0), tuple((name, (0.5, 1.0)) for name in odd), (0.2, 0.8))
    exported = to_bif(Network(causes, (finding,)))
    names = [*read_bif(exported.text)]

    assert all(re.fullmatch(r"[A-Za-z][A-Za-z0-9_]*", name) for name in names)
    assert len({name.lower() for name in names}) == len(names)
    assert set(exported.variables) == set(odd)
    assert exported.variables["coil-dead@coil-3"] == "coil_dead_at_coil_3"
    assert exported.variables["x@engine#road"] == "x_at_engine_acts_road"


def test_the_head_says_what_to_set() -> None:
    """Ours: one line for each variable of evidence, and nothing else looks like one."""
    network = odd_network(3)
    exported = to_bif(network, ("case seven", "pack misfire"))
    head = exported.text.split("network firstcause")[0]

    assert head.startswith("// case seven\n// pack misfire\n")
    assert re.findall(r"^// (\w+) = (\w+)$", head, re.MULTILINE) == list(exported.evidence.items())
    assert len(exported.evidence) == len(network.findings) + len(network.tables)


def test_a_finding_that_cannot_be_is_written_as_evidence_that_cannot_be() -> None:
    """Ours: weights of nothing but 0, and a table likewise, must not divide by nothing."""
    nothing = Finding("f", (1.0, 1.0), (("a", (0.5, 1.0)),), (0.0, 0.0))
    exported = to_bif(Network((Cause("a", 0.1),), (nothing,), (Table("t", ("a",), (0.0, 0.0)),)))
    variables = read_bif(exported.text)

    assert variables["seen_f"].table[..., 0].tolist() == [0.0]
    assert variables["seen_t"].table[..., 0].tolist() == [0.0, 0.0]
