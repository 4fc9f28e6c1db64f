"""A whole weighing: suspects with reasons, victims with their parents, and the ranked steps. Pure; JSON-ready."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Any

from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.because import weight_of_evidence
from firstcause.reasoning.choice import Advice, Option, advise
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.conflict import Conflict, conflicts, culprits, evidence_of
from firstcause.reasoning.exact import Contradiction, Engine, Posterior
from firstcause.reasoning.history import CarFacts, History
from firstcause.reasoning.steps import Terms
from firstcause.reasoning.verdict import chance_removed

TOLERANCE = 1e-5
WORTH_NAMING = 0.01
MOST_SUSPECTS = 12


@dataclass(frozen=True)
class Suspect:
    """One cause that may stand behind the complaint, with what speaks for and against it (in decibans)."""

    cause: str
    fault: str
    name: str
    plain: str
    kind: str
    where: str
    place: str
    probability: float
    evidence: tuple[tuple[str, float], ...]
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
            "evidence": [{"event": event, "decibans": weight} for event, weight in self.evidence],
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

    @property
    def belief(self) -> Mapping[str, float]:
        return self.posterior.probability

    @cached_property
    def conflicts(self) -> tuple[Conflict, ...]:
        """Findings that can hardly be right together. Worked out when first asked for, then kept."""
        return conflicts(self.model, evidence_of(self.model))

    def to_dict(self) -> dict[str, Any]:
        """Stable keys for programs; probabilities between 0 and 1, prices in the shop's currency, times in minutes."""
        advice = self.advice
        return {
            "complaint_on": [str(self.model.unit_place(number)) for number in sorted(self.model.complaint)],
            "complaint_cylinders": sorted(self.model.complaint_cylinders),
            "suspects": [suspect.to_dict() for suspect in self.roots],
            "victims": [suspect.to_dict() for suspect in self.victims],
            "cured_probability": advice.cured,
            "cause_removed_probability": self.removed,
            "expected_cost_without_looking": advice.without_looking,
            "cost_if_cause_were_known": advice.at_least,
            "open": sorted(advice.standing_open),
            "next_steps": [option_dict(option, self.model) for option in advice.options],
            "knowledge": {"pack": self.model.knowledge.pack, "version": self.model.knowledge.version},
            "left_out_at_most": self.posterior.tolerance,
        }


def name_of(model: Model, cause: str) -> str:
    """A cause in words, with the part or place it sits in."""
    return f"{model.entry(cause).name} ({model.facts[cause].holder})"


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
                "suspects_then": [
                    {"cause": cause, "name": name_of(model, cause), "probability": p} for cause, p in look.suspects
                ],
            }
            for look in option.fan
        ],
    }


def weigh(knowledge: Knowledge, car: CarFacts, history: History, terms: Terms, *, explain: bool = True) -> Weighing:
    """Compile, infer, explain and advise.

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
    evidence = weight_of_evidence(model, belief, [*roots, *victims]) if explain else {}
    return Weighing(
        model,
        posterior,
        tuple(_suspect(model, belief, cause, evidence) for cause in roots),
        tuple(_suspect(model, belief, cause, evidence) for cause in victims),
        advise(model, terms, engine),
        chance_removed(model, engine),
    )


def _suspect(
    model: Model, belief: Mapping[str, float], cause: str, evidence: Mapping[str, list[tuple[str, float]]]
) -> Suspect:
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
        tuple(evidence.get(cause, [])),
        tuple((parent, name_of(model, parent), p) for parent, p in behind if p >= WORTH_NAMING),
        entry.watch,
    )
