"""Why an event was refused: each reason with its facts and one clear sentence."""

from __future__ import annotations

import difflib
from collections.abc import Iterable

from firstcause.errors import CaseError
from firstcause.tongue import _


def near(wrong: str, known: Iterable[str]) -> str:
    """A hint such as ` (did you mean 'coil-swap'?)`, or nothing when no known name is near."""
    matches = difflib.get_close_matches(wrong, list(known), n=3, cutoff=0.5)
    return _(" (did you mean {listed}?)", listed=_(" or ").join(repr(match) for match in matches)) if matches else ""


class EventRefused(CaseError):
    """An event cannot stand in this case; nothing of the case was changed by it."""

    def __init__(self, event: str, kind: str, why: str, todo: str) -> None:
        self.event, self.kind, self.why, self.todo = event, kind, why, todo
        super().__init__(
            _(
                "Event {event} ({kind}) cannot stand: {why}. The events before it are kept. {todo}",
                event=event,
                kind=kind,
                why=why,
                todo=todo,
            )
        )


class BrokenOrder(EventRefused):
    """A case begins with `opened`, once, and its events are e1, e2, e3 … without a gap."""


class CaseIsClosed(EventRefused):
    """Something was to be recorded in a closed case."""


class NoSuchEvent(EventRefused):
    """A withdrawal, correction or erase names an event that is not there, or may not be treated so."""


class EvidenceNotSaved(EventRefused):
    """Codes were erased without a snapshot that holds what the erase destroyed."""


class NotOnThisEngine(EventRefused):
    """An event names a cylinder, bank or joint that this engine does not have."""


class ImpossibleReading(EventRefused):
    """A count, number or code that cannot have been read."""


class UnknownId(EventRefused):
    """An event names a test, outcome, part, repair or question that the knowledge base does not know."""


class EngineCannotBe(EventRefused):
    """The engine in `opened` contradicts itself or is not described far enough."""
