"""What a case asks of the drive that is to prove its repair: where it failed, what is suspected, what has not run."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from firstcause.casebook.case import Case
from firstcause.casebook.events import Erased, Renewed, Repaired, Snapshot
from firstcause.casebook.evidence import freeze_frame_of
from firstcause.casebook.history import read_for_weighing
from firstcause.casebook.weighing import WeighedCase
from firstcause.knowledge.base import Knowledge
from firstcause.knowledge.schema import Behaviour
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.exact import Engine
from firstcause.reasoning.verdict import removed_causes
from firstcause.reasoning.weigh import TOLERANCE
from firstcause.roadtest.plan import USUAL_SPEED_LIMIT_KMH, PlanNeeds
from firstcause.tongue import _, small

WORTH_RULING_OUT = 0.1  # a suspect below this is not what a drive is planned for: judgement


@dataclass(frozen=True, slots=True)
class RoadSuspect:
    """The fault that a quiet drive is to rule out: the likeliest of those taken away, or of those still open."""

    cause: str
    name: str
    removed: bool
    behaviour: Behaviour

    @property
    def spacing_min(self) -> float | None:
        """Mean time between its bouts, minutes; None for a fault that acts steadily."""
        return self.behaviour.between_bouts or None


def road_suspect(model: Model, belief: Mapping[str, float]) -> RoadSuspect | None:
    """None when no suspect is likely enough to plan for, or none of them does anything to the counts."""
    removed = removed_causes(model)
    for causes, is_removed in ((removed, True), (model.live_roots, False)):
        likely = [cause for cause in causes if belief[cause] >= WORTH_RULING_OUT and _behaviour(model, cause)]
        if likely:
            cause = max(likely, key=lambda each: belief[each])
            behaviour = _behaviour(model, cause)
            assert behaviour is not None
            return RoadSuspect(cause, small(model.entry(cause).name), is_removed, behaviour)
    return None


def _behaviour(model: Model, cause: str) -> Behaviour | None:
    return model.entry(cause).behaviour


def spacing_of(case: Case, knowledge: Knowledge) -> float | None:
    """Mean minutes between bouts of the fault that a drive is to rule out; None when it is steady, or not known."""
    model = compile_model(knowledge, case.facts, read_for_weighing(case, knowledge).history)
    suspect = road_suspect(model, Engine(model.network, TOLERANCE).posterior().probability)
    return None if suspect is None else suspect.spacing_min


def plan_needs(weighed: WeighedCase, *, speed_limit_kmh: float = USUAL_SPEED_LIMIT_KMH.value) -> PlanNeeds:
    """What the case, as weighed, asks of a drive. The first decision (may it be driven?) comes along as `stop`."""
    case = weighed.case
    suspect = road_suspect(weighed.weighing.model, weighed.weighing.belief)
    stored = case.freeze_frame
    codes = tuple(dict.fromkeys(code for body in case.bodies(Snapshot) for code in (*body.stored, *body.pending)))
    return PlanNeeds(
        frame=freeze_frame_of(stored),
        frame_speed_kmh=None if stored is None else stored.speed_kmh,
        suspect=None if suspect is None else suspect.name,
        spacing_min=None if suspect is None else suspect.spacing_min,
        acts={} if suspect is None else dict(suspect.behaviour.acts),
        codes=codes,
        permanent=() if case.codes is None else case.codes.permanent,
        incomplete=incomplete_monitors(case) or (),
        erased=bool(case.bodies(Erased)),
        cylinders=case.layout.count,
        stop=_stop(weighed),
        speed_limit_kmh=speed_limit_kmh,
    )


def incomplete_monitors(case: Case) -> tuple[str, ...] | None:
    """Self-checks that had not run at the last snapshot that told; None when none did."""
    told = [body.readiness_incomplete for body in case.bodies(Snapshot) if body.readiness_incomplete is not None]
    return told[-1] if told else None


def _stop(weighed: WeighedCase) -> tuple[str, ...]:
    """Why it must not be driven: the rules of the first decision, unless something was mended since."""
    if weighed.safety.verdict not in ("stop", "move-only"):
        return ()
    said = [rule.do for rule in weighed.safety.rules if rule.verdict in ("stop", "move-only")]
    if any(isinstance(event.body, Repaired | Renewed) for event in weighed.case.effective):
        first = _("Before the repair this car was not to be driven: see first that the reason is gone.")
        return (f"{first} {said[0]}",)
    return tuple(f"{_('Do not drive this car yet.')} {words}" for words in said)
