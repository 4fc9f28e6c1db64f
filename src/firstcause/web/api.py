"""The same for programs: cases, events and weighings as JSON, with the same checks as the page."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query
from pydantic import BaseModel, ConfigDict

from firstcause.casebook.advice_words import thought_words, what_if_words
from firstcause.casebook.case import Case
from firstcause.casebook.store import CaseLine
from firstcause.reasoning.weigh import thought_dict, what_if_dict
from firstcause.web.cars import waits_for
from firstcause.web.desk import Desk
from firstcause.web.forms import valid_body
from firstcause.web.pages import TheDesk
from firstcause.web.views import put_back_words

router = APIRouter(prefix="/api", tags=["cases"])


class ToRecord(BaseModel):
    """One event to be recorded: who says so, what happened, and the head of the story that the writer has seen.

    `entry_id`: a random name of the writer's for it; sent again under the same name it is not recorded again.
    """

    model_config = ConfigDict(extra="forbid")

    body: dict[str, Any]
    by: str = ""
    expected_head: str | None = None
    entry_id: str | None = None


@router.get("/cases")
def cases(desk: TheDesk) -> dict[str, Any]:
    """Every case, with its state."""
    return {"cases": [line_dict(line) for line in desk.store.cases()]}


@router.get("/cases/{case_id}")
def case(case_id: str, desk: TheDesk) -> dict[str, Any]:
    """One case as recorded: its events in order, which of them count, and its head."""
    return case_dict(desk, case_id, desk.store.case(case_id))


@router.get("/cases/{case_id}/head")
def head(case_id: str, desk: TheDesk) -> dict[str, str]:
    """The head alone: whether anything was written since one looked."""
    return {"head": desk.store.head(case_id)}


@router.get("/cases/{case_id}/weighing")
def weighing(case_id: str, desk: TheDesk) -> dict[str, Any]:
    """The case weighed: safety, suspects, victims, next steps, ledger, objections."""
    weighed = desk.weighed(case_id)
    return {"case_id": case_id, "head": desk.store.head(case_id), **weighed.to_dict()}


@router.get("/cases/{case_id}/waits-for")
def next_step(case_id: str, desk: TheDesk) -> dict[str, Any]:
    """The best next step in a few words, and what must go back."""
    weighed = desk.weighed(case_id)
    return {"waits_for": waits_for(weighed), "put_back": list(put_back_words(weighed.ledger))}


@router.get("/cases/{case_id}/thought")
def thought(case_id: str, head: str, desk: TheDesk) -> dict[str, Any]:
    """Thinks about the best steps for about a second more; ask again until `finished`. `moved`: the story went on."""
    found = desk.think(case_id, head)
    if found is None:
        return {"moved": True}
    weighed, now = found
    words = thought_words(now, weighed.weighing.advice, lambda amount: f"{amount:,.0f} {desk.currency}")
    return {"moved": False, "words": words, **thought_dict(now)}


@router.get("/cases/{case_id}/what-if")
def what_if(case_id: str, key: Annotated[str, Query(max_length=120)], desk: TheDesk) -> dict[str, Any]:
    """What any step costs over the best, proposed or not; `key` as in the weighing, e.g. `leak-down at cylinder 2`."""
    asked = desk.weighed(case_id).weighing.what_if(key)
    return {
        "words": what_if_words(asked, lambda amount: f"{amount:,.0f} {desk.currency}"),
        **what_if_dict(asked),
    }


@router.post("/cases/{case_id}/events", status_code=201)
def record(case_id: str, wanted: ToRecord, desk: TheDesk) -> dict[str, Any]:
    """Record one event. 409 with what was written in between when `expected_head` is not the head any more."""
    recorded = desk.record_all(case_id, [valid_body(wanted.body)], wanted.by, wanted.expected_head, wanted.entry_id)
    return {"event": recorded.events[0].model_dump(mode="json"), "before": recorded.before, "head": recorded.head}


def line_dict(line: CaseLine) -> dict[str, Any]:
    return {
        "case_id": line.case_id,
        "title": line.title,
        "state": line.state,
        "events": line.events,
        "opened_at": line.opened_at.isoformat(),
        "changed_at": line.changed_at.isoformat(),
    }


def case_dict(desk: Desk, case_id: str, case: Case) -> dict[str, Any]:
    return {
        "case_id": case_id,
        "head": desk.store.head(case_id),
        "title": case.title,
        "state": case.state,
        "events": [event.model_dump(mode="json") for event in case.events],
        "withdrawn": dict(case.withdrawn),
        "corrected": dict(case.corrected),
        "notes": [{"event": note.event, "text": note.text} for note in case.notes],
    }
