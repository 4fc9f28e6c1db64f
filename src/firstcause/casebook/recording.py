"""What may be recorded next: known to the knowledge base, able to stand, and never 'cured' against a hard objection."""

from __future__ import annotations

from collections.abc import Callable

from firstcause.casebook.case import Case
from firstcause.casebook.events import Body, Closed, Corrected
from firstcause.casebook.history import validate_known
from firstcause.casebook.weighing import WeighedCase, guard_closing
from firstcause.knowledge.base import Knowledge


def admitted(case: Case, body: Body, knowledge: Knowledge, weighed: Callable[[], WeighedCase]) -> Body:
    """The event as it may be recorded next; a closing keeps its objections. `weighed` is asked only when closing.

    Raises a CaseError with the reason when it may not.
    """
    validate_known(case, body, knowledge)
    return _guarded(body, weighed)


def _guarded(body: Body, weighed: Callable[[], WeighedCase]) -> Body:
    if isinstance(body, Closed):
        return guard_closing(weighed(), body)
    if isinstance(body, Corrected):
        return body.model_copy(update={"by": _guarded(body.by, weighed)})
    return body
