"""Small random networks with every odd shape, and their answers by listing all states one by one."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import product

import numpy as np

from firstcause.reasoning.network import Cause, Finding, Network, Table


@dataclass(frozen=True)
class Listed:
    """P(evidence), and P(cause present | evidence) of each cause."""

    evidence: float
    probability: dict[str, float]


def by_listing(network: Network) -> Listed:
    """All 2^n states, straight from the definitions in `network`: nothing of the engine is used."""
    names = [cause.id for cause in network.causes]
    states = np.array(list(product((False, True), repeat=len(names))))
    is_there = dict(zip(names, states.T, strict=True))
    weight = np.ones(len(states))
    for cause in network.causes:
        absent = np.full(len(states), 1.0 - cause.leak)
        for parent, chance in cause.parents:
            absent = np.where(is_there[parent], absent * (1.0 - chance), absent)
        weight *= np.where(is_there[cause.id], 1.0 - absent, absent)
    for finding in network.findings:
        at_most = np.tile(finding.leak, (len(states), 1))
        for cause_id, cumulative in finding.causes:
            at_most = np.where(is_there[cause_id][:, None], at_most * np.array(cumulative), at_most)
        shares = at_most.reshape(-1, *(finding.axes or (len(finding.leak),)))
        for axis in range(1, shares.ndim):
            shares = np.diff(shares, axis=axis, prepend=0.0)
        weight *= shares.reshape(at_most.shape) @ np.array(finding.weights)
    for table in network.tables:
        for at, state in enumerate(product((False, True), repeat=len(table.causes))):
            is_so = np.logical_and.reduce([is_there[c] == on for c, on in zip(table.causes, state, strict=True)])
            weight = np.where(is_so, weight * table.values[at], weight)
    total = float(weight.sum())
    return Listed(total, {name: float(weight[is_there[name]].sum()) / total if total else 0.0 for name in names})


def rising(chance: np.random.Generator, outcomes: int) -> tuple[float, ...]:
    """Random cumulative outcomes; now and then one that is certain or impossible."""
    steps = np.sort(chance.random(outcomes - 1))
    steps[chance.random(outcomes - 1) < 0.15] = 0.0
    return (*(float(step) for step in np.sort(steps)), 1.0)


def some_parents(
    chance: np.random.Generator, causes: list[Cause], block: str | None, share: float
) -> tuple[tuple[str, float], ...]:
    allowed = [cause for cause in causes if block is None or cause.block in (None, block)]
    return tuple((cause.id, float(chance.uniform(0.1, 0.95))) for cause in allowed if chance.random() < share)


def random_network(seed: int, tables: int = 0) -> Network:
    """At most 12 causes: shared ones, private ones in two or three blocks, links of every kind, five findings.

    Among them: a shared child with private parents in several blocks, a shared cause seen through children of its own
    only, causes that can only come from a parent, causes that cannot be, findings with one outcome, weights on
    several outcomes.
    """
    chance = np.random.default_rng(seed)
    causes: list[Cause] = []

    def add(name: str, block: str | None, share: float) -> None:
        parents = some_parents(chance, causes, block, share)
        leak = 0.0 if chance.random() < (0.4 if parents else 0.1) else float(chance.uniform(0.01, 0.4))
        causes.append(Cause(name, leak, parents, block))

    for g in range(2):
        add(f"shared-{g}", None, 0.3)
    causes.append(Cause("root-of-two", float(chance.uniform(0.05, 0.3)), (), None))
    for child in ("in-cold", "in-warm"):
        causes.append(Cause(child, 0.0, (("root-of-two", float(chance.uniform(0.2, 0.9))),), None))
    blocks = ["one", "two", "three"][: int(chance.integers(2, 4))]
    for block in blocks:
        for k in range(6 // len(blocks)):
            add(f"{block}-{k}", block, 0.35)
    add("shared-child", None, 0.25)
    findings = tuple(random_finding(chance, causes, f"f{n}", blocks) for n in range(5))
    return Network(tuple(causes), findings, tuple(random_table(chance, causes, f"t{n}", blocks) for n in range(tables)))


def random_finding(chance: np.random.Generator, causes: list[Cause], name: str, blocks: list[str]) -> Finding:
    outcomes = int(chance.integers(1, 5))
    block = chance.choice([*blocks, "all"])
    # What is seen through its children only is never seen itself, so that the engine may sum it out.
    seen = [c for c in causes if c.id != "root-of-two" and (block == "all" or c.block in (None, block))]
    couples = tuple((c.id, rising(chance, outcomes)) for c in seen if chance.random() < 0.5)
    weights = chance.random(outcomes) + 0.01
    if chance.random() < 0.6:
        weights = np.eye(outcomes)[int(chance.integers(outcomes))]
    leak = tuple(1.0 if value < 0.2 else value for value in rising(chance, outcomes))
    return Finding(name, tuple(np.maximum.accumulate(leak).tolist()), couples, tuple(weights.tolist()))


def random_table(chance: np.random.Generator, causes: list[Cause], name: str, blocks: list[str]) -> Table:
    """Any factor over one to three causes: in a block, with shared ones, or across blocks; some states cannot be."""
    block = chance.choice([*blocks, "all"])
    allowed = [c.id for c in causes if c.id != "root-of-two" and (block == "all" or c.block in (None, block))]
    size = int(chance.integers(1, 4))
    values = chance.uniform(0.0, 3.0, 1 << size)
    values[chance.random(1 << size) < 0.2] = 0.0
    return Table(name, tuple(str(c) for c in chance.choice(allowed, size, replace=False)), tuple(values.tolist()))


def random_finding_on_axes(
    chance: np.random.Generator, causes: tuple[Cause, ...], name: str, axes: tuple[int, ...]
) -> Finding:
    """A finding with several axes on some of the causes of one block and the shared ones, or on any."""
    levels = int(np.prod(axes))
    block = chance.choice(sorted({c.block for c in causes if c.block is not None} | {"all"}))
    seen = [c.id for c in causes if c.id != "root-of-two" and (block == "all" or c.block in (None, block))]

    def table() -> tuple[float, ...]:
        mass = chance.dirichlet(np.full(levels, 0.4)) * (chance.random(levels) > 0.15)
        mass[0] += 1.0 - mass.sum()
        at_most = mass.reshape(axes)
        for axis in range(len(axes)):
            at_most = at_most.cumsum(axis=axis)
        return (*(float(value) for value in at_most.ravel()[:-1]), 1.0)

    weights = chance.random(levels) * (chance.random(levels) > 0.3)
    weights[int(chance.integers(levels))] = 1.0
    couples = tuple((cause, table()) for cause in seen if chance.random() < 0.5)
    return Finding(name, table(), couples, tuple(weights.tolist()), axes)
