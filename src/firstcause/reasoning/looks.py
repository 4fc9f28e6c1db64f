"""What one could look at next, as arithmetic: each outcome of a test, a reading or a swap as a sum over its causes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import product

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning.compiled import Model, after_moves
from firstcause.reasoning.exact import Engine, Extra
from firstcause.reasoning.foreseen import Foreseen
from firstcause.reasoning.history import Counted, Moved, Renewed, Repaired, Reseated
from firstcause.reasoning.shown import axes_of, leak_of, shown_at, terms_of
from firstcause.reasoning.steps import Step, Terms, unit_at, watch_steps
from firstcause.tongue import _

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Plan:
    """A step to be probed: outcome k is the signed sum over extras e of combine[k, e] extra e."""

    step: Step
    names: tuple[tuple[str, str], ...]
    extras: tuple[Extra, ...]
    combine: Array

    def outcomes(self, z: Array, joint: Array) -> tuple[Array, Array]:
        """P(outcome) and P(outcome, cause) from what the engine gave for the extras, shapes (e,) and (e, causes)."""
        return np.clip(self.combine @ z, 0.0, None), np.clip(self.combine @ joint, 0.0, None)


def test_plan(model: Model, step: Step) -> Plan:
    """The outcomes of a test done now."""
    test = model.knowledge.tests[step.what]
    causes = model.causes_of_test(test, step.place)
    leak = np.array(leak_of(test))
    extras = tuple(Extra({cause: cumulative[m] for cause, cumulative in causes}) for m in range(len(leak)))
    combine = terms_of(shown_at(test), axes_of(test)) * leak
    return Plan(step, tuple((outcome.id, outcome.name) for outcome in test.outcomes), extras, combine)


def _quiet(model: Model, numbers: Sequence[int], step: Step) -> Extra:
    """The factor of: no complaint in a reading on any of these units."""
    factors: dict[str, float] = {}
    for number in numbers:
        for cause, cumulative in model.causes_of_count(number, dict(step.watched)):
            factors[cause] = factors.get(cause, 1.0) * cumulative[0]
    return Extra(factors)


def watch_or_verify(model: Model, terms: Terms) -> list[Step]:
    """The counters to be read; after a change of parts or a repair the reading is the proof of it."""
    changed = False
    for happening in model.history:
        if isinstance(happening, Moved | Renewed | Reseated | Repaired):
            changed = True
        elif isinstance(happening, Counted):
            changed = False
    steps = watch_steps(model, terms)
    if not changed:
        return steps
    return [replace(step, kind="verify") for step in steps]


def watch_plan(model: Model, step: Step) -> Plan:
    """The outcomes of a reading: it is seen where it was complained of, or it is not."""
    numbers, words = sorted(model.complaint or model.units), model.knowledge.model.complaint.words
    names = (("quiet", words.unseen), ("seen", words.seen))
    return Plan(step, names, (Extra({}), _quiet(model, numbers, step)), np.array([[0.0, 1.0], [1.0, -1.0]]))


def together(first: Plan, second: Plan) -> Plan:
    """Both looks at once: outcome (k, l) of both, k slowest; given the causes they err apart from each other."""
    extras = tuple(
        Extra({**a.when_present, **{c: v * a.when_present.get(c, 1.0) for c, v in b.when_present.items()}})
        for a in first.extras
        for b in second.extras
    )
    names = tuple((f"{a}+{b}", f"{x}; {y}") for a, x in first.names for b, y in second.names)
    return Plan(second.step, names, extras, np.kron(first.combine, second.combine).astype(np.float64))


def swap_plan(model: Model, engine: Engine, step: Step) -> tuple[Model, Foreseen, Plan]:
    """The swap is done in thought: a new fitment, then a reading on all its units; outcomes fall out of it.

    `engine` holds the model's network. The plan's extras are for the engine that is given back.
    One part: moved, stayed, both, gone. Two parts to two places: stayed, with the one, with the other, several, gone.
    """
    moved = tuple(Moved(f"in thought {part}", part, first, second) for part, first, second in step.moves)
    after = after_moves(model, moved)
    units = units_of_swap(model, step)
    subsets = list(product((False, True), repeat=len(units)))  # of units that are quiet
    extras = tuple(_quiet(after, [n for n, quiet in zip(units, some, strict=True) if quiet], step) for some in subsets)
    names, combine = [], []
    for outcome, name, patterns in _swap_outcomes(model, step):
        names.append((outcome, name))
        combine.append([sum(_sign(pattern, some) for pattern in patterns) for some in subsets])
    return after, Foreseen.of(engine, after), Plan(step, tuple(names), extras, np.array(combine, dtype=float))


Pattern = tuple[bool, ...]


def units_of_swap(model: Model, step: Step) -> list[int]:
    """The units of a swap: the suspect first, then its partners."""
    return [unit_at(model, number) for number in (step.moves[0][1], *(second for *_first, second in step.moves))]


def _swap_outcomes(model: Model, step: Step) -> list[tuple[str, str, Sequence[Pattern]]]:
    """Each outcome of a swap: its id, its words, on which of its units the complaint is seen (the suspect first)."""
    words = model.knowledge.model.complaint.words
    suspect, *partners = (model.unit_place(unit) for unit in units_of_swap(model, step))
    stayed = (
        "stayed",
        _("it stayed on {suspect}", suspect=suspect.said()),
        [(True, *(False for _partner in partners))],
    )
    gone = ("gone", words.neither if len(partners) == 1 else words.unseen, [(False,) * (1 + len(partners))])
    if len(partners) == 1:
        return [
            ("moved", _("it moved to {partners}", partners=partners[0].said()), [(False, True)]),
            stayed,
            ("both", words.both, [(True, True)]),
            gone,
        ]
    alone: list[tuple[str, str, Sequence[Pattern]]] = [
        (
            f"moved-{part}",
            _("it moved with the {part} to {place}", part=_(part), place=place.said()),
            [(False, *(other == place for other in partners))],
        )
        for (part, _one, _two), place in zip(step.moves, partners, strict=True)
    ]
    several = [pattern for pattern in product((False, True), repeat=1 + len(partners)) if sum(pattern) > 1]
    return [*alone, stayed, ("several", _("it is seen on more than one of them"), several), gone]


def _sign(seen: Pattern, quiet: Pattern) -> int:
    """Coefficient of P(these are quiet) in P(it is seen on exactly those): inclusion and exclusion."""
    if not all(q or m for q, m in zip(quiet, seen, strict=True)):
        return 0
    return -1 if sum(q and m for q, m in zip(quiet, seen, strict=True)) % 2 else 1
