"""A whole weighing: suspects with reasons, victims with their parents, and the ranked steps. Pure; JSON-ready."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import cached_property
from math import isfinite
from typing import Any

from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.because import Reasons, WeighedSets, reasons_for, reasons_from
from firstcause.reasoning.change_of_mind import (
    Asked,
    Instead,
    Mind,
    Sight,
    Turn,
    instead_of,
    mind_of,
    sights,
    what_it_would_take,
)
from firstcause.reasoning.choice import Advice, Adviser, Option, WhatIf, advise
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.conflict import Conflict, conflicts, culprits, evidence_of
from firstcause.reasoning.exact import Contradiction, Engine, Posterior, rough_engine
from firstcause.reasoning.history import CarFacts, History
from firstcause.reasoning.inthought import CarScene
from firstcause.reasoning.lookahead import Thought, think
from firstcause.reasoning.steps import Terms
from firstcause.reasoning.verdict import chance_removed

TOLERANCE = 1e-5
WORTH_NAMING = 0.01
MOST_SUSPECTS = 12
MOST_LEADING = 2


@dataclass(frozen=True)
class Suspect:
    """One cause that may stand behind the complaint."""

    cause: str
    fault: str
    name: str
    plain: str
    kind: str
    where: str
    place: str
    probability: float
    behind: tuple[tuple[str, str, float], ...]
    """for a victim: the causes that may stand behind it: (cause, its name, probability)"""
    watch: str

    def to_dict(self) -> dict[str, Any]:
        return {
            "cause": self.cause,
            "fault": self.fault,
            "name": self.name,
            "plain": self.plain,
            "kind": self.kind,
            "where": self.where,
            "place": self.place,
            "probability": self.probability,
            "behind": [{"cause": cause, "name": name, "probability": p} for cause, name, p in self.behind],
            "watch": self.watch,
        }


@dataclass(frozen=True)
class Weighing:
    """What is believed of a car, and what to do next."""

    model: Model
    posterior: Posterior
    roots: tuple[Suspect, ...]
    victims: tuple[Suspect, ...]
    advice: Advice
    removed: float
    """chance that at least one of the causes removed in this case was there"""
    terms: Terms

    @property
    def belief(self) -> Mapping[str, float]:
        return self.posterior.probability

    @cached_property
    def conflicts(self) -> tuple[Conflict, ...]:
        """Findings that can hardly be right together. Worked out when first asked for, then kept."""
        return conflicts(self.model, self._sets.log_evidence)

    @cached_property
    def _sets(self) -> WeighedSets:
        """Sets of findings weighed for reasons and conflicts alike."""
        causes = [suspect.cause for suspect in (*self.roots, *self.victims)]
        return WeighedSets(self.model, self.belief, causes, log_evidence=self.posterior.log_evidence)

    @cached_property
    def reasons(self) -> Mapping[str, Reasons]:
        """Why each root and victim named here stands where it stands. Worked out when first asked for, then kept."""
        return reasons_from(self._sets)

    @cached_property
    def sights(self) -> tuple[Sight, ...]:
        """Every outcome of every test, reading and swap that can be had now. Worked out when first asked for."""
        return sights(self.model, self.terms, rough_engine(self.model.network))

    @cached_property
    def instead(self) -> Mapping[str, Instead]:
        """Of each root named here: if it is not this one, who is it? Worked out when first asked for."""
        return instead_of(self.model, rough_engine(self.model.network), [suspect.cause for suspect in self.roots])

    def mind(self, cause: str) -> Mind:
        """Which single findings would change the mind about a live root."""
        roots = {root: self.belief[root] for root in self.model.live_roots}
        return mind_of(cause, roots, self.sights, self.model.knowledge.model.closing.cause_at_least)

    def why_not(self, cause: str) -> WhyNot:
        """What speaks against any cause of the model that stands in the car now, and what it would take."""
        engine = rough_engine(self.model.network)
        reasons = self.reasons.get(cause) or reasons_for(self.model, self.belief, [cause])[cause]
        return WhyNot(
            cause,
            cause in self.model.live,
            reasons,
            self.instead.get(cause) or instead_of(self.model, engine, [cause])[cause],
            what_it_would_take(self.model, self.terms, engine, cause),
        )

    def what_if(self, key: str) -> WhatIf:
        """What it costs to do something else than what is proposed; raises RequestError when there is no such step."""
        return Adviser(self.model, self.terms, Engine(self.model.network, TOLERANCE)).what_if(key)

    def think(self) -> Iterator[Thought]:
        """The list refined by a second sweep behind each outcome of the best steps; stop listening at any time."""
        return think(CarScene(self.model, self.terms, self.advice))

    def to_dict(self) -> dict[str, Any]:
        """Stable keys for programs; probabilities between 0 and 1, prices in the shop's currency, times in minutes."""
        advice = self.advice
        return {
            "complaint_on": [str(self.model.unit_place(number)) for number in sorted(self.model.complaint)],
            "complaint_cylinders": sorted(self.model.complaint_cylinders),
            "suspects": [{**suspect.to_dict(), **reasons_dict(self.reasons[suspect.cause])} for suspect in self.roots],
            "victims": [{**victim.to_dict(), **reasons_dict(self.reasons[victim.cause])} for victim in self.victims],
            "change_of_mind": [
                {**mind_dict(self.mind(leader.cause)), **instead_dict(self.instead[leader.cause], self.model)}
                for leader in self.roots[:MOST_LEADING]
            ],
            "cured_probability": advice.cured,
            "cause_removed_probability": self.removed,
            "expected_cost_without_looking": advice.without_looking,
            "cost_if_cause_were_known": advice.at_least,
            "open": sorted(advice.standing_open),
            "next_steps": [option_dict(option, self.model) for option in advice.options],
            **advice_dict(advice),
            "knowledge": {"pack": self.model.knowledge.pack, "version": self.model.knowledge.version},
            "left_out_at_most": self.posterior.tolerance,
        }


@dataclass(frozen=True)
class WhyNot:
    """The case against a cause, as strong as it stands: not `able`: it cannot make this complaint here."""

    cause: str
    able: bool
    reasons: Reasons
    instead: Instead
    asked: Asked

    def to_dict(self, model: Model) -> dict[str, Any]:
        """Stable keys for programs."""
        return {
            "cause": self.cause,
            "name": name_of(model, self.cause),
            "able": self.able,
            **reasons_dict(self.reasons),
            "probability": self.reasons.now,
            **instead_dict(self.instead, model),
            "would_take": [turn_dict(turn) for turn in self.asked.turns],
            "would_take_chance": self.asked.chance,
        }


def reasons_dict(reasons: Reasons) -> dict[str, Any]:
    """The way from the start to now as plain values; decibans add up, `without` is a probability."""
    return {
        "start_probability": reasons.start,
        "start_decibans": reasons.start_decibans,
        "now_decibans": reasons.now_decibans,
        "evidence": [
            {"events": list(piece.happenings), "decibans": piece.decibans, "probability_without": piece.without}
            for piece in reasons.pieces
        ],
    }


def instead_dict(instead: Instead, model: Model) -> dict[str, Any]:
    """Who else, as plain values."""
    return {
        "instead": [
            {"cause": r.cause, "name": name_of(model, r.cause), "probability": r.probability, "gone": r.gone}
            for r in instead.rivals
        ],
        "any_here": instead.any_here,
    }


def turn_dict(turn: Turn) -> dict[str, Any]:
    """One finding that would change the mind, as plain values."""
    sight = turn.sight
    return {
        "step": sight.step.key,
        "name": sight.step.name,
        "place": str(sight.step.place),
        "outcome": sight.outcome,
        "outcome_name": sight.name,
        "chance": sight.chance,
        "minutes": sight.step.minutes,
        "probability_then": turn.then,
        "leader_then": turn.leader,
        "leader_probability_then": turn.leader_then,
    }


def mind_dict(mind: Mind) -> dict[str, Any]:
    """What would change the mind about one suspect, as plain values."""
    return {
        "cause": mind.cause,
        "limit": mind.limit,
        "falls": [turn_dict(turn) for turn in mind.falls],
        "settles": [turn_dict(turn) for turn in mind.settles],
    }


def name_of(model: Model, cause: str) -> str:
    """A cause in words, with the part or place it sits in."""
    return f"{model.entry(cause).name} ({model.facts[cause].holder})"


def advice_dict(advice: Advice) -> dict[str, Any]:
    """What the list says beside its steps, as plain values; None where it does not apply."""
    budget, timing = advice.budget, advice.timing
    return {
        "could_save_at_most": advice.could_save,
        "waiting": [{"key": w.step.key, "first": [step.key for step in w.first]} for w in advice.waiting],
        "forgone": [
            {"name": f.name, "why": f.aside.why, "steps": [step.key for step in f.steps], "rise": f.rise}
            for f in advice.forgone
        ],
        "budget": None
        if budget is None
        else {
            "limit": budget.limit,
            "spent": budget.spent,
            "left": budget.left,
            "best_within": budget.best_within.key,
            "limit_costs": budget.more,
            "chance_repair_passes_it": budget.chance_over,
            "ask_owner": budget.ask,
        },
        "now_or_later": None
        if timing is None
        else {
            "look": timing.look.key,
            "repair": timing.repair.key,
            "look_now_costs": timing.now,
            "repair_first_costs": timing.after_the_repair,
            "never_looking_costs": timing.never,
            "look_now": timing.look_now,
        },
    }


def what_if_dict(what_if: WhatIf) -> dict[str, Any]:
    """Something else than what is proposed, as plain values."""
    step = what_if.option.step
    return {
        "key": step.key,
        "expected_cost": what_if.option.expected_cost,
        "more_than_best": what_if.more,
        "set_aside": None if what_if.aside is None else what_if.aside.why,
        "spoils": [each.key for each in what_if.spoils],
        "over_limit": what_if.option.over_limit,
    }


def thought_dict(thought: Thought) -> dict[str, Any]:
    """Where the thinking stands, as plain values."""
    return {
        "best": thought.best.key,
        "costs_at_most": thought.best.upper,
        "could_save_at_most": thought.could_save,
        "swept": thought.swept,
        "to_sweep": thought.to_sweep,
        "finished": thought.finished,
        "refined": [
            {"key": b.key, "at_least": b.lower, "at_most": b.upper}
            for b in thought.branches
            if b.key in thought.refined
        ],
    }


def option_dict(option: Option, model: Model) -> dict[str, Any]:
    """One option as plain values."""
    step = option.step
    cautions = [model.knowledge.cautions[name] for name in step.cautions if name in model.knowledge.cautions]
    return {
        "key": step.key,
        "kind": step.kind,
        "what": step.what,
        "name": step.name,
        "place": str(step.place),
        "other": step.other,
        "minutes": step.minutes,
        "price": step.price,
        "expected_cost": option.expected_cost,
        "at_least": option.lower,
        "at_most": option.upper if isfinite(option.upper) else None,
        "over_limit": option.over_limit,
        "moves": [list(move) for move in step.moves],
        "also": [
            {"key": a.step.key, "minutes": a.minutes, "price": a.price, "after": list(a.after), "always": a.always}
            for a in option.also
        ],
        "opens": list(step.opens),
        "tools": list(step.tools),
        "cautions": [{"id": c.id, "level": c.level, "text": c.text} for c in cautions],
        "watched": dict(step.watched),
        "outcomes": [
            {
                "outcome": look.outcome,
                "name": look.name,
                "chance": look.chance,
                "expected_cost_then": look.expected_cost,
                "then": look.then,
                "suspects_then": [
                    {"cause": cause, "name": name_of(model, cause), "probability": p} for cause, p in look.suspects
                ],
            }
            for look in option.fan
        ],
    }


def weigh(knowledge: Knowledge, car: CarFacts, history: History, terms: Terms) -> Weighing:
    """Compile, infer and advise; the explanations are worked out when they are asked for.

    Raises RequestError when the history names what the engine or the knowledge base does not have, Contradiction when
    the findings exclude each other.
    """
    model = compile_model(knowledge, car, history)
    try:
        engine = Engine(model.network, TOLERANCE)
    except Contradiction as error:
        raise Contradiction(culprits(model, evidence_of(model))) from error
    posterior = engine.posterior()
    belief = posterior.probability
    named = sorted((c for c in model.live if belief[c] >= WORTH_NAMING), key=lambda c: -belief[c])
    roots = [c for c in named if model.entry(c).kind != "victim"][:MOST_SUSPECTS]
    victims = [c for c in named if model.entry(c).kind == "victim"]
    return Weighing(
        model,
        posterior,
        tuple(_suspect(model, belief, cause) for cause in roots),
        tuple(_suspect(model, belief, cause) for cause in victims),
        advise(model, terms, engine),
        chance_removed(model, engine),
        terms,
    )


def _suspect(model: Model, belief: Mapping[str, float], cause: str) -> Suspect:
    entry, facts = model.entry(cause), model.facts[cause]
    parents = next(c.parents for c in model.network.causes if c.id == cause)
    behind = sorted(
        ((parent, belief[parent]) for parent, _ in parents if parent in model.live_roots), key=lambda pair: -pair[1]
    )
    return Suspect(
        cause,
        entry.id,
        entry.name,
        entry.plain,
        entry.kind,
        facts.holder,
        str(model.place_now(cause)),
        belief[cause],
        tuple((parent, name_of(model, parent), p) for parent, p in behind if p >= WORTH_NAMING),
        entry.watch,
    )
