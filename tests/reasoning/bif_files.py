"""Bayesian networks in the BIF interchange format, read to the last digit; for the general library, and for ours."""

from __future__ import annotations

import gzip
import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass
from itertools import combinations
from pathlib import Path

import numpy as np
from numpy.typing import NDArray
from tests.reasoning.reference_library import gum

from firstcause.reasoning.network import Cause, Network, Table

NETWORKS = Path(__file__).parents[1] / "data" / "networks"

_COMMENT = re.compile(r"//[^\n]*")
_VARIABLE = re.compile(r"variable\s+(\S+)\s*\{\s*type\s+discrete\s*\[\s*(\d+)\s*\]\s*\{([^}]*)\}\s*;\s*\}")
_PROBABILITY = re.compile(r"probability\s*\(([^)|]*)(?:\|([^)]*))?\)\s*\{([^}]*)\}")
_ROW = re.compile(r"(?:table|\(([^)]*)\))\s*([^;]*);")


@dataclass(frozen=True)
class Variable:
    """A variable: its states, its parents, and P(state | parents): an axis for each parent, a last one for itself."""

    name: str
    states: tuple[str, ...]
    parents: tuple[str, ...]
    table: NDArray[np.float64]


def read_bif(text: str) -> dict[str, Variable]:
    """Every variable of the file. The library's own reader holds probabilities in single precision only."""
    text = _COMMENT.sub("", text)
    states = {name: _words(inside) for name, _, inside in _VARIABLE.findall(text)}
    assert all(len(states[name]) == int(size) for name, size, _ in _VARIABLE.findall(text))
    found = {}
    for name, parents, body in _PROBABILITY.findall(text):
        above = _words(parents)
        table = np.full([len(states[n]) for n in (*above, name.strip())], np.nan)
        for given, numbers in _ROW.findall(body):
            at = tuple(states[parent].index(state) for parent, state in zip(above, _words(given), strict=True))
            table[at] = [float(number) for number in _words(numbers)]
        assert not np.isnan(table).any(), name
        found[name.strip()] = Variable(name.strip(), states[name.strip()], above, table)
    assert found.keys() == states.keys()
    return found


def _words(text: str) -> tuple[str, ...]:
    return tuple(word.strip() for word in text.split(",") if word.strip())


def public_network(name: str) -> dict[str, Variable]:
    """A network of tests/data/networks; its source stands in the README there."""
    return read_bif(gzip.decompress((NETWORKS / f"{name}.bif.gz").read_bytes()).decode("ascii"))


def as_library(variables: Mapping[str, Variable]) -> gum.BayesNet:
    """The same network in the general library, in double precision."""
    bn = gum.BayesNet()
    for variable in variables.values():
        bn.add(gum.LabelizedVariable(variable.name, "", list(variable.states)))
    for variable in variables.values():
        for parent in variable.parents:
            bn.addArc(parent, variable.name)
    for variable in variables.values():
        first_parent_quickest = np.moveaxis(variable.table.T, 0, -1)
        bn.cpt(variable.name).fillWith(first_parent_quickest.ravel().tolist())
    return bn


def as_ours(variables: Mapping[str, Variable], present: Mapping[str, str], shared: Collection[str] = ()) -> Network:
    """A network of variables with two states each as causes and tables; `present` names the state that is "present".

    Without `shared` all causes are shared; with it what the shared ones hold apart becomes blocks.
    """
    causes, tables = [], []
    block = _held_apart(variables, shared) if shared else {}
    for variable in _parents_first(variables):
        causes.append(Cause(variable.name, 0.5, (), block.get(variable.name)))
        table = variable.table
        for axis, name in enumerate((*variable.parents, variable.name)):
            if variables[name].states.index(present[name]) == 0:
                table = np.flip(table, axis)
        names = (*variable.parents, variable.name)
        tables.append(Table(f"P({variable.name})", names, tuple((2.0 * table).ravel().tolist())))
    return Network(tuple(causes), (), tuple(tables))


def _parents_first(variables: Mapping[str, Variable]) -> list[Variable]:
    order: dict[str, Variable] = {}

    def visit(name: str) -> None:
        if name not in order:
            for parent in variables[name].parents:
                visit(parent)
            order[name] = variables[name]

    for name in variables:
        visit(name)
    return list(order.values())


def _held_apart(variables: Mapping[str, Variable], shared: Collection[str]) -> dict[str, str]:
    """Groups of variables that meet in no table but through shared ones; each is named after its first member."""
    beside: dict[str, set[str]] = {name: set() for name in variables}
    for variable in variables.values():
        for one, other in combinations((variable.name, *variable.parents), 2):
            beside[one].add(other)
            beside[other].add(one)
    group: dict[str, str] = {}
    for name in variables:
        waiting = [name] if name not in group and name not in shared else []
        while waiting:
            member = waiting.pop()
            group[member] = name
            waiting += [other for other in beside[member] if other not in group and other not in shared]
    return group
