"""A network in the BIF interchange format, for any Bayesian-network tool: plain tables, none large."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache
from itertools import product
from math import log

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning.network import Cause, Finding, Network, Table

Array = NDArray[np.float64]

PARENTS_AT_ONCE = 3
STATES = ("absent", "present")
SEEN = ("yes", "no")
_SPELLED = {"@": "_at_", "~": "_later_", "#": "_acts_"}


@dataclass(frozen=True)
class Exported:
    """The text; which of its variables stands for each cause; and the evidence under which it says what we say.

    With every variable of `evidence` at its state, the probability of a cause being `present` is our posterior, and the
    probability of that evidence times exp(`log_scale`) is our probability of the findings.
    """

    text: str
    variables: Mapping[str, str]
    evidence: Mapping[str, str]
    log_scale: float


@dataclass(frozen=True)
class _Variable:
    """One variable: `table` has an axis for each parent and a last one for its own states. `remark` is a comment."""

    name: str
    states: tuple[str, ...]
    parents: tuple[str, ...]
    table: Array
    remark: str = ""


def to_bif(network: Network, heading: Sequence[str] = (), remarks: Mapping[str, str] | None = None) -> Exported:
    """Write a network in the interchange format.

    Many parents are taken in a few at a time through variables for "so far", so no table grows with their number: a
    noisy-OR as a chain of ORs, a finding as a chain of "most striking level so far". What was seen is a variable of its
    own for each finding, `seen_...`; its table carries the weights of what was seen, brought to 1 at most.

    `heading`: lines of the comment at the head. `remarks`: a comment for a cause, finding or table, by its id.

    Source of the format: F. Cozman, The interchange format for Bayesian networks, version 0.15 (1998); of the chains:
    Heckerman & Breese, IEEE Trans. SMC-A 26 (1996), causal independence by decomposition (both from memory).
    """
    writer = _Writer(network, remarks or {})
    evidence = dict.fromkeys(writer.seen, SEEN[0])
    lines = [
        *heading,
        "",
        "Every cause of the case is a variable with the states absent and present.",
        "To get the belief of the case, set this evidence:",
        *(f"  {name} = {state}" for name, state in evidence.items()),
        f"The probability of that evidence is exp({-writer.log_scale!r}) times that of the findings themselves.",
        "Variables named so_far_... only keep tables small.",
    ]
    comment = "".join(f"// {_one_line(line)}".rstrip() + "\n" for line in lines)
    states = {variable.name: variable.states for variable in writer.variables}
    declared = "".join(map(_declared, writer.variables))
    tables = "".join(_tabled(variable, states) for variable in writer.variables)
    text = f"{comment}network firstcause {{\n}}\n{declared}{tables}"
    return Exported(text, writer.names, evidence, writer.log_scale)


class _Writer:
    """Collects the variables, and gives each a legal name of its own."""

    def __init__(self, network: Network, remarks: Mapping[str, str]) -> None:
        self._network, self._remarks = network, remarks
        self._taken: set[str] = set()
        self.variables: list[_Variable] = []
        self.names: dict[str, str] = {}
        self.seen: list[str] = []
        self.log_scale = 0.0
        for cause in network.causes:
            self.names[cause.id] = self._name(cause.id)
        for cause in network.causes:
            self._cause(cause)
        for finding in network.findings:
            self._finding(finding)
        for table in network.tables:
            self._factor(table)

    def _name(self, wanted: str) -> str:
        """A name of letters, digits and underlines that nothing else has; tools may not tell cases apart."""
        spelled = "".join(_SPELLED.get(letter, letter) for letter in wanted)
        plain = re.sub(r"[^A-Za-z0-9]+", "_", spelled).strip("_")
        plain = plain if plain[:1].isalpha() else f"n_{plain}"
        name, count = plain, 1
        while name.lower() in self._taken:
            count += 1
            name = f"{plain}_no_{count}"
        self._taken.add(name.lower())
        return name

    def _remark(self, identifier: str) -> str:
        said = self._remarks.get(identifier)
        return identifier if said is None else f"{identifier}: {said}"

    def _cause(self, cause: Cause) -> None:
        parents = [(parent, chance) for parent, chance in cause.parents if chance > 0.0]
        rest, so_far, keep = parents, "", 1.0 - cause.leak
        while len(rest) + bool(so_far) > PARENTS_AT_ONCE:
            room = PARENTS_AT_ONCE - bool(so_far)
            name = self._name(f"so far {cause.id}")
            self._or(name, so_far, keep, rest[:room], "")
            rest, so_far, keep = rest[room:], name, 1.0
        self._or(self.names[cause.id], so_far, keep, rest, self._remark(cause.id))

    def _or(self, name: str, so_far: str, keep: float, parents: Sequence[tuple[str, float]], remark: str) -> None:
        """A noisy-OR of what came so far (if anything), a leak, and some parents."""
        left = [*([0.0] if so_far else []), *(1.0 - chance for _, chance in parents)]
        absent = np.full((2,) * len(left), keep)
        for axis, factor in enumerate(left):
            np.moveaxis(absent, axis, 0)[1] *= factor
        names = (*([so_far] if so_far else []), *(self.names[parent] for parent, _ in parents))
        self.variables.append(_Variable(name, STATES, names, np.stack([absent, 1.0 - absent], axis=-1), remark))

    def _finding(self, finding: Finding) -> None:
        """A chain over its causes, private ones first, shared ones in one order for all: tools cope best with that."""
        axes = finding.axes or (len(finding.leak),)
        weights = np.array(finding.weights).reshape(axes)
        kept = [_telling(weights, axis) for axis in range(len(axes))]
        levels = tuple("level_" + "_".join(map(str, level)) for level in product(*kept))

        def cut(values: Sequence[float]) -> Array:
            return np.array(values).reshape(axes)[np.ix_(*kept)]

        before = self._name(f"so far {finding.id}")
        nothing = _shares(cut(finding.leak)).reshape(-1)
        self.variables.append(_Variable(before, levels, (), nothing, self._remark(finding.id)))
        for cause_id, values in sorted(finding.causes, key=self._private_first):
            cumulative = cut(values)
            if (cumulative == 1.0).all():
                continue
            name = self._name(f"so far {finding.id}")
            table = _raised(cumulative.shape, tuple(cumulative.ravel()))
            self.variables.append(_Variable(name, levels, (before, self.names[cause_id]), table))
            before = name
        self._see(finding.id, (before,), cut(finding.weights).reshape(-1))

    def _private_first(self, coupling: tuple[str, Sequence[float]]) -> tuple[bool, int]:
        at = self._network.index[coupling[0]]
        return self._network.causes[at].block is None, at

    def _factor(self, table: Table) -> None:
        values = np.array(table.values).reshape((2,) * len(table.causes))
        self._see(table.id, tuple(self.names[cause] for cause in table.causes), values, self._remark(table.id))

    def _see(self, identifier: str, parents: tuple[str, ...], weights: Array, remark: str = "") -> None:
        largest = float(weights.max())
        yes = weights / largest if largest > 0.0 else weights
        self.log_scale += log(largest) if largest > 0.0 else 0.0
        name = self._name(f"seen {identifier}")
        self.seen.append(name)
        self.variables.append(_Variable(name, SEEN, parents, np.stack([yes, 1.0 - yes], axis=-1), remark))


def _telling(weights: Array, axis: int) -> list[int]:
    """Levels of an axis that end a run of equal weights: neighbours between which nothing was told become one."""
    turned = np.moveaxis(weights, axis, 0)
    last = len(turned) - 1
    return [m for m in range(len(turned)) if m == last or (turned[m] != turned[m + 1]).any()]


def _shares(cumulative: Array) -> Array:
    """Of each combination of levels its own share, from the shares of "at most this on every axis"."""
    shares = cumulative
    for axis in range(cumulative.ndim):
        shares = np.diff(shares, axis=axis, prepend=0.0)
    return np.asarray(np.maximum(shares, 0.0))


@lru_cache(maxsize=4096)
def _raised(axes: tuple[int, ...], cumulative: tuple[float, ...]) -> Array:
    """P(level after | level before, cause), (before, absent or present, after): the higher of two levels on each axis.

    One is the level before, the other what the cause alone would show: nothing while it is absent.
    """
    at = np.indices(axes).reshape(len(axes), -1)
    rows = []
    for before in at.T:
        reached = (at >= before[:, None]).all(axis=0)
        both = (np.where(reached, of_cause, 0.0).reshape(axes) for of_cause in (1.0, np.array(cumulative)))
        rows.append([_shares(values).reshape(-1) for values in both])
    return np.array(rows)


def _one_line(text: str) -> str:
    return " ".join(text.split())


def _declared(variable: _Variable) -> str:
    remark = f"// {_one_line(variable.remark)}\n" if variable.remark else ""
    states = ", ".join(variable.states)
    return f"{remark}variable {variable.name} {{\n  type discrete [ {len(variable.states)} ] {{ {states} }};\n}}\n"


def _tabled(variable: _Variable, states: Mapping[str, tuple[str, ...]]) -> str:
    if not variable.parents:
        return f"probability ( {variable.name} ) {{\n  table {_numbers(variable.table)};\n}}\n"
    rows = "".join(
        f"  ({', '.join(given)}) {_numbers(row)};\n"
        for given, row in zip(
            product(*(states[parent] for parent in variable.parents)),
            variable.table.reshape(-1, len(variable.states)),
            strict=True,
        )
    )
    return f"probability ( {variable.name} | {', '.join(variable.parents)} ) {{\n{rows}}}\n"


def _numbers(row: Array) -> str:
    return ", ".join(repr(float(value)) for value in row)
