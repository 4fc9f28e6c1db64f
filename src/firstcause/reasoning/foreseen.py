"""Parts change places in thought: the car after it, and what is believed of it then, by the engine of the car as it is.

A move tells nothing by itself: the causes stay the same and act elsewhere. Only a contact that was handled gets a
successor, which no finding of the past hangs on; summed out it is one more factor on the contact it comes from. So
no second network is weighed. Parts that remember how they act go on remembering it in thought.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from firstcause.reasoning.compiled import Model
from firstcause.reasoning.exact import Engine, Extra
from firstcause.reasoning.network import Cause

Array = NDArray[np.float64]
Number = TypeVar("Number", float, Array)


class Foreseen:
    """The engine of a car for the causes that the moves in thought bring up. It answers as `Engine` does."""

    def __init__(self, engine: Engine, added: Sequence[Cause]) -> None:
        self.engine = engine
        self._heirs = [_Heir(cause) for cause in added]

    @classmethod
    def of(cls, engine: Engine, after: Model) -> Foreseen:
        """`after` is the model of `after_moves`; `engine` holds the network of the model before."""
        return cls(engine, after.network.causes[len(engine.network.causes) :])

    def believed(self, belief: Mapping[str, float]) -> dict[str, float]:
        """The beliefs before the moves, and those in what they bring up."""
        found = dict(belief)
        for heir in self._heirs:
            found[heir.id] = found[heir.parent] * heir.stays + (1.0 - found[heir.parent]) * heir.comes
        return found

    def told(self, extra: Extra) -> tuple[Extra, float]:
        """An extra as one on the causes that the engine knows, and what the answer is to be multiplied by."""
        factors, scale = dict(extra.when_present), 1.0
        for heir in reversed(self._heirs):
            if heir.id in factors:
                with_it, without = heir.sums(factors.pop(heir.id))
                if without <= 0.0:  # it comes about whatever was there, and is ruled out
                    return Extra({}), 0.0
                factors[heir.parent] = factors.get(heir.parent, 1.0) * with_it / without
                scale *= without
        return Extra(factors), scale

    def needed(self, wanted: Sequence[str]) -> tuple[str, ...]:
        """The causes that the engine is to be asked about for these."""
        parents = {heir.id: heir.parent for heir in self._heirs}
        found = []
        for name in wanted:
            while name in parents:
                name = parents[name]
            found.append(name)
        return tuple(dict.fromkeys(found))

    def answer(
        self, extras: Sequence[Extra], wanted: Sequence[str], z: Array, joint: Mapping[str, Array]
    ) -> tuple[Array, Array]:
        """What the engine gave for the extras as told (z (e,) and joint (e,) for each cause needed), for ours."""
        scale = np.array([self.told(extra)[1] for extra in extras])
        z = z * scale
        found = {name: each * scale for name, each in joint.items()}
        for heir in self._heirs:
            if heir.parent in found:
                found[heir.id] = self._of_heir(heir, extras, z, found[heir.parent])
        return z, np.array([found[name] for name in wanted]).reshape(len(wanted), len(extras)).T

    def _of_heir(self, heir: _Heir, extras: Sequence[Extra], z: Array, parent: Array) -> Array:
        """P(extra, heir) from P(extra, its parent): the share of each state of the parent that has the heir."""
        factor = np.array([self._in_full(heir, extra) for extra in extras])
        with_it, without = heir.sums(factor)
        stays = np.divide(heir.stays * factor, with_it, out=np.zeros_like(factor), where=with_it > 0.0)
        comes = np.divide(heir.comes * factor, without, out=np.zeros_like(factor), where=without > 0.0)
        return np.asarray(parent * stays + (z - parent) * comes)

    def _in_full(self, wanted: _Heir, extra: Extra) -> float:
        """The factor on an heir with all that its own heirs bring to it."""
        factors = dict(extra.when_present)
        for heir in reversed(self._heirs):
            if heir.id == wanted.id:
                break
            if heir.id in factors:
                with_it, without = heir.sums(factors.pop(heir.id))
                factors[heir.parent] = factors.get(heir.parent, 1.0) * (with_it / without if without > 0.0 else 0.0)
        return factors.get(wanted.id, 1.0)

    def with_extras(self, extras: Sequence[Extra], wanted: Sequence[str]) -> tuple[Array, Array]:
        """For each extra: P(extra | evidence) and P(extra, cause | evidence); shapes (extras,), (extras, wanted)."""
        needed = self.needed(wanted)
        z, joint = self.engine.with_extras([self.told(extra)[0] for extra in extras], needed)
        return self.answer(extras, wanted, z, dict(zip(needed, joint.T, strict=True)))


class _Heir:
    """A cause with one parent: how likely it is there behind it, and by itself."""

    def __init__(self, cause: Cause) -> None:
        ((self.parent, chance),) = cause.parents
        self.id = cause.id
        self.comes = cause.leak
        self.stays = 1.0 - (1.0 - cause.leak) * (1.0 - chance)

    def sums(self, factor: Number) -> tuple[Number, Number]:
        """A factor on it, summed over whether it is there: with its parent, and without."""
        return 1.0 - self.stays * (1.0 - factor), 1.0 - self.comes * (1.0 - factor)
