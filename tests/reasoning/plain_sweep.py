"""A swap in thought the long way round: a network and an engine of its own."""

from __future__ import annotations

from collections.abc import Iterable

from firstcause.knowledge.base import on_engine
from firstcause.reasoning.compiled import Model, _Builder
from firstcause.reasoning.exact import Engine
from firstcause.reasoning.history import Moved
from firstcause.reasoning.joined import readings_joined
from firstcause.reasoning.steps import Step

TIGHT = 1e-13


def compiled_after(model: Model, moves: Iterable[Moved]) -> Model:
    """The history walked once more with the moves at its end; parts that move in thought alone keep their memory."""
    builder = _Builder(on_engine(model.knowledge, model.car.layout), model.car, model.history)
    for happening in (*readings_joined(model.history, model.knowledge.model.complaint), *moves):
        builder.take(happening)
    return builder.model()


def moves_of(step: Step) -> tuple[Moved, ...]:
    return tuple(Moved(f"in thought {part}", part, first, second) for part, first, second in step.moves)


def engine_of(model: Model) -> Engine:
    return Engine(model.network, TIGHT)
