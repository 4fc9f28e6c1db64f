"""Findings that can hardly be right together, in the words of the case."""

from __future__ import annotations

from firstcause.casebook.case import Case
from firstcause.casebook.words import say
from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.conflict import Conflict
from firstcause.tongue import _

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
        badly = _("can hardly be right beside") if hardly else _("goes badly with")
        said = _(
            "This finding {badly} everything else that was found: {words}. It is {times:.0f} "
            "times less likely after the rest than by itself.",
            badly=badly,
            words=words[0],
            times=conflict.times,
        )
        doubt = _("Read it again before you build on it")
    else:
        badly = _("can hardly both be right") if hardly else _("go badly together")
        said = _(
            "These two findings {badly}: {words}, and {words2}. Together they are {times:.0f} "
            "times less likely than each by itself.",
            badly=badly,
            words=words[0],
            words2=words[1],
            times=conflict.times,
        )
        doubt = _("Read again the one you trust least; by the numbers that is {doubtful}", doubtful=conflict.doubtful)
    if conflict.again is None:
        return f"{said} {doubt}."
    name, minutes = conflict.again
    which = _("that takes") if len(words) == 1 else _("the sooner done is {name}, in", name=name)
    return _(
        "{said} {doubt}; {which} about {minutes:.0f} minutes. If it stands, withdraw nothing: both are weighed.",
        said=said,
        doubt=doubt,
        which=which,
        minutes=minutes,
    )
