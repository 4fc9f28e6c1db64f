"""What one could look at next, as arithmetic: each outcome of a test, a reading or a swap as a sum over its causes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.exact import Engine, Extra, rough_engine
from firstcause.reasoning.history import Counted, Moved, Renewed, Repaired, Reseated
from firstcause.reasoning.shown import axes_of, leak_of, shown_at, terms_of
from firstcause.reasoning.steps import Step, Terms, unit_at, watch_steps

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


def swap_plan(model: Model, step: Step) -> tuple[Model, Engine, Plan]:
    """The swap is done in thought: a new fitment, then a reading on both units. Four outcomes fall out of it."""
    assert step.other is not None
    moved = Moved("in thought", step.what, step.place.numbers[0], step.other)
    suspect, partner = (unit_at(model, number) for number in (moved.first, moved.second))
    after = compile_model(model.knowledge, model.car, (*model.history, moved))
    words = model.knowledge.model.complaint.words
    extras = (
        Extra({}),
        _quiet(after, [suspect], step),
        _quiet(after, [partner], step),
        _quiet(after, [suspect, partner], step),
    )
    combine = np.array([[0, 1, 0, -1], [0, 0, 1, -1], [1, -1, -1, 1], [0, 0, 0, 1]], dtype=float)
    names = (
        ("moved", f"it moved to {model.unit_place(partner)}"),
        ("stayed", f"it stayed on {model.unit_place(suspect)}"),
        ("both", words.both),
        ("gone", words.neither),
    )
    return after, rough_engine(after.network), Plan(step, names, extras, combine)
