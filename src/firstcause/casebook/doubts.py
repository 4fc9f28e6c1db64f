"""Findings that can hardly be right together, in the words of the case."""

from __future__ import annotations

from firstcause.casebook.case import Case
from firstcause.casebook.words import say
from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.conflict import Conflict

HARDLY = 10.0
"""Times less likely together than apart from which we say "can hardly both be right"; judgement (ours)."""


def event_words(name: str, case: Case, knowledge: Knowledge) -> str:
    """What an event of the case says, as it counts now, without its full stop."""
    body = next(event.body for event in case.effective if event.id == name)
    return say(body, knowledge).rstrip(".")


def conflict_words(conflict: Conflict, case: Case, knowledge: Knowledge) -> str:
    """One paragraph: what contradicts what, by how much, which to doubt first, and which is soonest read again."""
    words = [f"{event_words(name, case, knowledge)} ({name})" for name in conflict.happenings]
    hardly = conflict.times >= HARDLY
    if len(words) == 1:
        badly = "can hardly be right beside" if hardly else "goes badly with"
        said = (
            f"This finding {badly} everything else that was found: {words[0]}. It is {conflict.times:.0f} times less "
            "likely after the rest than by itself."
        )
        doubt = "Read it again before you build on it"
    else:
        badly = "can hardly both be right" if hardly else "go badly together"
        said = (
            f"These two findings {badly}: {words[0]}, and {words[1]}. "
            f"Together they are {conflict.times:.0f} times less likely than each by itself."
        )
        doubt = f"Read again the one you trust least; by the numbers that is {conflict.doubtful}"
    if conflict.again is None:
        return f"{said} {doubt}."
    name, minutes = conflict.again
    which = "that takes" if len(words) == 1 else f"the sooner done is {name}, in"
    return f"{said} {doubt}; {which} about {minutes:.0f} minutes. If it stands, withdraw nothing: both are weighed."
