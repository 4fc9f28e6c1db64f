"""The questions of a sweep, put to the engine all at once and each but once, and what the outcomes come to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import chain

import numpy as np

from firstcause.reasoning.compiled import Model
from firstcause.reasoning.exact import Engine, Extra
from firstcause.reasoning.foreseen import Foreseen
from firstcause.reasoning.looks import Plan
from firstcause.reasoning.theory import Array

Key = frozenset[tuple[str, float]]


@dataclass(frozen=True)
class Ask:
    """A look whose outcomes are asked for: the car it is done on, who is asked about it, and the roots in question."""

    model: Model
    engine: Engine | Foreseen
    plan: Plan
    roots: Sequence[str]


@dataclass(frozen=True, eq=False)
class Answer:
    """P(outcome), P(outcome, this root alone still stands), P(outcome, none does), and P(root | outcome)."""

    chance: Array
    joint: Array
    cured: Array
    shares: Array


class Questions:
    """What one engine was asked of one moment. `cured` is the chance that no live cause stands."""

    def __init__(self, model: Model, engine: Engine) -> None:
        self.model, self.engine = model, engine
        self._wanted: dict[str, int] = {}
        self._row: dict[Key, int] = {}
        self._z, self._joint = np.empty(0), np.empty((0, 0))
        self._lives: dict[tuple[str, ...], _Live] = {}
        self._none: dict[tuple[int, Key], float] = {}
        self.cured = float(self._cured([(model, engine, [Extra({})])])[0][0])

    def ask(self, asks: Sequence[Ask]) -> list[Answer]:
        """The answers to all of these."""
        if not asks:
            return []
        told = [_told(ask.engine, ask.plan.extras) for ask in asks]
        needed = [_needed(ask.engine, ask.roots) for ask in asks]
        keys = [[_key(extra) for extra in extras] for extras in told]
        self._look_up(
            dict(zip(chain.from_iterable(keys), chain.from_iterable(told), strict=True)),
            dict.fromkeys(chain.from_iterable(needed)),
        )
        cured = self._cured([(ask.model, ask.engine, ask.plan.extras) for ask in asks])
        found = []
        for ask, own, names, none in zip(asks, keys, needed, cured, strict=True):
            rows, columns = [self._row[key] for key in own], [self._wanted[name] for name in names]
            z, joint = self._z[rows], self._joint[rows][:, columns]
            if isinstance(ask.engine, Foreseen):
                by_name = dict(zip(names, joint.T, strict=True))
                z, joint = ask.engine.answer(ask.plan.extras, ask.roots, z, by_name)
            found.append(np.maximum(ask.plan.combine @ np.column_stack([z, none, joint]), 0.0))
        return _answers(found)

    def _look_up(self, extras: Mapping[Key, Extra], needed: Mapping[str, None]) -> None:
        """Ask the engine for what is not known yet. Where other causes are wanted all is asked anew."""
        if not needed.keys() <= self._wanted.keys():
            self._wanted = {name: at for at, name in enumerate({**dict.fromkeys(self._wanted), **needed})}
            self._row, self._z, self._joint = {}, np.empty(0), np.empty((0, len(self._wanted)))
        new = {key: extra for key, extra in extras.items() if key not in self._row}
        if new:
            z, joint = self.engine.with_extras([*new.values()], [*self._wanted])
            self._row |= {key: len(self._z) + at for at, key in enumerate(new)}
            self._z, self._joint = np.concatenate([self._z, z]), np.concatenate([self._joint, joint])

    def _cured(self, asked: Sequence[tuple[Model, Engine | Foreseen, Sequence[Extra]]]) -> list[Array]:
        """P(extra, no live cause) for each, against the share of healthy cars that have none: the cause is gone.

        Where no live cause is present, only the other causes of an extra can still matter.
        """
        new: dict[tuple[int, Key], tuple[Extra, float]] = {}
        keys: list[list[tuple[int, Key]]] = []
        for model, engine, extras in asked:
            live = self._live(model)
            keys.append([])
            for extra in extras:
                rest = {c: v for c, v in extra.when_present.items() if v != 1.0 and c not in live.none}
                key = live.number, frozenset(rest.items())
                keys[-1].append(key)
                if key not in self._none and key not in new:
                    whole, scale = Extra({**rest, **live.none}), 1.0
                    if isinstance(engine, Foreseen):
                        whole, scale = engine.told(whole)
                    new[key] = whole, scale / live.healthy
        if new:
            z, _ = self.engine.with_extras([extra for extra, _ in new.values()], [])
            shares = np.clip(z * np.array([scale for _, scale in new.values()]), 0.0, 1.0)
            self._none.update(zip(new, shares.tolist(), strict=True))
        return [np.array([self._none[key] for key in own]) for own in keys]

    def _live(self, model: Model) -> _Live:
        if model.live not in self._lives:
            leaks = {cause.id: cause.leak for cause in model.network.causes}
            healthy = float(np.prod([1.0 - leaks[cause] for cause in model.live]))
            self._lives[model.live] = _Live(len(self._lives), dict.fromkeys(model.live, 0.0), healthy)
        return self._lives[model.live]


@dataclass(frozen=True)
class _Live:
    """The live causes of a car: which of several, as factors that rule them out, and how often none is there."""

    number: int
    none: Mapping[str, float]
    healthy: float


def _key(extra: Extra) -> Key:
    return frozenset(item for item in extra.when_present.items() if item[1] != 1.0)


def _told(engine: Engine | Foreseen, extras: Sequence[Extra]) -> Sequence[Extra]:
    return extras if isinstance(engine, Engine) else [engine.told(extra)[0] for extra in extras]


def _needed(engine: Engine | Foreseen, roots: Sequence[str]) -> Sequence[str]:
    return roots if isinstance(engine, Engine) else engine.needed(roots)


def _answers(found: Sequence[Array]) -> list[Answer]:
    """From P(outcome), P(outcome, no live cause) and P(outcome, root), side by side for each look."""
    answers = []
    for each in found:
        chance, joint = each[:, 0], each[:, 2:]
        cured = np.minimum(each[:, 1], chance)
        shares = np.divide(joint, chance[:, None], out=np.zeros_like(joint), where=chance[:, None] > 0.0)
        answers.append(Answer(chance, scaled(joint, chance - cured), cured, shares))
    return answers


def scaled(joint: Array, not_cured: Array) -> Array:
    """Root shares brought to sum to the chance that some cause still stands (the single-fault reading of a posterior).

    Source: Heckerman et al. 1994, section 4.3 (renormalise the cause probabilities after every update).
    """
    total = joint.sum(axis=1, keepdims=True)
    even = np.full_like(joint, 1.0 / max(joint.shape[1], 1))
    shares = np.divide(joint, total, out=even, where=total > 0.0)
    return np.asarray(shares * np.maximum(not_cured, 0.0)[:, None])
