"""A case weighed: may it be driven, who is suspect and why, what to do next, what must go back, may it be closed."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from firstcause.casebook.case import Case
from firstcause.casebook.doubts import conflict_words, event_words
from firstcause.casebook.events import Closed, ClosingState
from firstcause.casebook.history import ReadCase, read_for_weighing
from firstcause.casebook.ledger import Ledger, ledger_of
from firstcause.casebook.refusals import BrokenOrder
from firstcause.casebook.shop import Shop, notes_on_terms, terms_of
from firstcause.knowledge.base import Knowledge, load
from firstcause.knowledge.schema import Triage
from firstcause.reasoning.exact import Contradiction
from firstcause.reasoning.history import TOLD_OF_THE_CAR
from firstcause.reasoning.verdict import Objection, objections
from firstcause.reasoning.weigh import Weighing, weigh

CLOSING_STATES: tuple[ClosingState, ...] = ("cured", "relieved", "declined", "not-found", "referred")
_WORST_FIRST = ("stop", "move-only", "with-care")


@dataclass(frozen=True)
class Safety:
    """The first decision: the rules that speak, the worst first; none speaks if nothing worrying was told."""

    rules: tuple[Triage, ...]

    @property
    def verdict(self) -> str:
        """`stop`, `move-only`, `with-care`, or `not-told` when no sign was told at all."""
        return self.rules[0].verdict if self.rules else "not-told"

    def to_dict(self, knowledge: Knowledge) -> dict[str, Any]:
        return {
            "verdict": self.verdict,
            "rules": [
                {
                    "id": rule.id,
                    "verdict": rule.verdict,
                    "owner": rule.owner,
                    "do": rule.do,
                    "cautions": [knowledge.cautions[c].text for c in rule.cautions if c in knowledge.cautions],
                }
                for rule in self.rules
            ],
        }


@dataclass(frozen=True)
class WeighedCase:
    """A case with everything that can be said of it now."""

    case: Case
    knowledge: Knowledge
    read: ReadCase
    weighing: Weighing
    ledger: Ledger
    safety: Safety
    objections: Mapping[ClosingState, tuple[Objection, ...]]

    @property
    def nothing_found(self) -> bool:
        """Whether nothing of this car was read or seen yet; a story alone moves only how frequent its causes are."""
        return all(isinstance(happening, TOLD_OF_THE_CAR) for happening in self.read.history)

    def to_dict(self) -> dict[str, Any]:
        """Stable keys for programs: safety, suspects, victims, next_steps, ledger, objections, notes, state."""
        return {
            "title": self.case.title,
            "state": self.case.state,
            "safety": self.safety.to_dict(self.knowledge),
            **self.weighing.to_dict(),
            "ledger": self.ledger.to_dict(),
            "conflicts": [
                {
                    "events": list(conflict.happenings),
                    "times_less_likely": conflict.times,
                    "doubtful": conflict.doubtful,
                    "read_again": None if conflict.again is None else conflict.again[0],
                    "read_again_minutes": None if conflict.again is None else conflict.again[1],
                    "words": conflict_words(conflict, self.case, self.knowledge),
                }
                for conflict in self.weighing.conflicts
            ],
            "objections": {
                state: [{"code": o.code, "words": o.words, "settle": o.settle, "hard": o.hard} for o in found]
                for state, found in self.objections.items()
            },
            "notes": [{"event": note.event, "text": note.text} for note in self.read.notes],
        }


def knowledge_of(case: Case, own: Path | None = None) -> Knowledge:
    """The shipped pack that the case names, under the own entries in the folder `own` when there is one.

    Raises KnowledgeError when there is no pack of that name, or no such folder.
    """
    return load(case.opened.pack, own=own)


def safety_of(case: Case, knowledge: Knowledge) -> Safety:
    """Which rules of the first decision speak for this story."""
    yes = {question for question, answer in case.story.answers.items() if answer == "yes"}
    speaking = [
        rule
        for rule in knowledge.triage.values()
        if case.story.lamp in rule.lamp or (rule.fuel_smell and case.story.fuel_smell) or yes & set(rule.answers)
    ]
    return Safety(tuple(sorted(speaking, key=lambda rule: _WORST_FIRST.index(rule.verdict))))


def weigh_case(
    case: Case,
    knowledge: Knowledge,
    *,
    shop: Shop = Shop(),  # noqa: B008
    cannot: Iterable[str] = (),
) -> WeighedCase:
    """Weigh a case as it stands. `cannot`: ids of tests and repairs that cannot be done here at all.

    Raises a CaseError that names the event which cannot be read, Contradiction when findings exclude each other.
    """
    read = read_for_weighing(case, knowledge)
    read = replace(read, notes=(*read.notes, *notes_on_terms(case, knowledge)))
    terms = terms_of(case, knowledge, read.history, shop, cannot)
    try:
        weighing = weigh(knowledge, case.facts, read.history, terms)
    except Contradiction as error:
        told = [f"{name}: {event_words(name, case, knowledge)}" for name in error.culprits]
        raise Contradiction(error.culprits, told) from error
    found = {
        state: tuple(objections(weighing.model, weighing.belief, weighing.removed, state)) for state in CLOSING_STATES
    }
    return WeighedCase(case, knowledge, read, weighing, ledger_of(case, knowledge), safety_of(case, knowledge), found)


def guard_closing(weighed: WeighedCase, closed: Closed) -> Closed:
    """The closing with its objections kept; refuses a state while a hard objection to it stands.

    Raises BrokenOrder (a CaseError) that names the objection and what would settle it.
    """
    against = weighed.objections[closed.state]
    for objection in against:
        if objection.hard:
            raise BrokenOrder(weighed.case.next_id, "closed", objection.words.rstrip("."), objection.settle)
    return closed.model_copy(update={"despite": tuple(objection.words for objection in against)})
