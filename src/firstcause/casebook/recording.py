"""What may be recorded next: known to the knowledge base, able to stand, and never 'cured' against a hard objection."""

from __future__ import annotations

from collections.abc import Callable, Sequence

from firstcause.casebook.case import Case, replay
from firstcause.casebook.events import Body, Closed, Corrected, Event
from firstcause.casebook.history import validate_known
from firstcause.casebook.weighing import WeighedCase, guard_closing, weigh_case
from firstcause.knowledge.base import Knowledge


def admitted(case: Case, body: Body, knowledge: Knowledge, weighed: Callable[[], WeighedCase]) -> Body:
    """The event as it may be recorded next; a closing keeps its objections. `weighed` is asked only when closing.

    Raises a CaseError with the reason when it may not.
    """
    validate_known(case, body, knowledge)
    return _guarded(body, weighed)


def admitted_all(
    case: Case, bodies: Sequence[Body], knowledge: Knowledge, weighed: Callable[[], WeighedCase]
) -> tuple[Body, ...]:
    """Several events as they may be recorded next, each on top of the one before, see `admitted`."""
    held: list[Body] = []
    for body in bodies:
        held.append(admitted(case, body, knowledge, weighed))
        case = replay((*case.events, Event(id=case.next_id, at=case.events[-1].at, body=held[-1])))
        weighed = lambda case=case: weigh_case(case, knowledge)  # type: ignore[misc]  # noqa: E731
    return tuple(held)


def admitted_closings(events: Sequence[Event], knowledge: Knowledge) -> tuple[Event, ...]:
    """A story told at once, each of its closings held to what was known then; objections that stand are kept with it.

    Objections that a closing already carries were kept when it was made, and stay as they are. Raises a CaseError for
    the first closing that may not stand.
    """
    held: list[Event] = []
    for event in events:
        closing = _innermost(event.body)
        if isinstance(closing, Closed):
            before = replay(held)
            body = _guarded(event.body, lambda before=before: weigh_case(before, knowledge))  # type: ignore[misc]
            event = event if closing.despite else event.model_copy(update={"body": body})
        held.append(event)
    return tuple(held)


def _innermost(body: Body) -> Body:
    while isinstance(body, Corrected):
        body = body.by
    return body


def _guarded(body: Body, weighed: Callable[[], WeighedCase]) -> Body:
    if isinstance(body, Closed):
        return guard_closing(weighed(), body)
    if isinstance(body, Corrected):
        return body.model_copy(update={"by": _guarded(body.by, weighed)})
    return body
