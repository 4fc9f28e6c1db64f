"""What is read: the cases in the shop, the case on one screen, and the screens beside it."""

from __future__ import annotations

from collections import defaultdict
from dataclasses import replace
from typing import Annotated, Any

from fastapi import APIRouter, Depends, Query, Request
from starlette.responses import Response

from firstcause.casebook.case import Case
from firstcause.casebook.drives import heard_of
from firstcause.casebook.events import Attached, Drove, Snapshot
from firstcause.casebook.measured import BY_CYLINDER, NUMBERS_UNDER, circumstances_of, units_of
from firstcause.casebook.shop_settings import Units
from firstcause.casebook.weighing import CLOSING_STATES, WeighedCase
from firstcause.casebook.words import ordinal, unit_words
from firstcause.errors import FirstcauseError, RequestError
from firstcause.handover.record import frame_rows
from firstcause.handover.telling import parts_in_words
from firstcause.knowledge.base import Knowledge, fits
from firstcause.knowledge.schema import TestEntry
from firstcause.reasoning.saying import CAUTION
from firstcause.roadtest.headings import meaning_words
from firstcause.tongue import _
from firstcause.vehicle.layout import common_shapes
from firstcause.web.arguing import argument_view, choices
from firstcause.web.cars import stand_of
from firstcause.web.desk import Desk
from firstcause.web.ending import End, always_said, ends_of, proof_of
from firstcause.web.measures import asked_in
from firstcause.web.render import Render
from firstcause.web.views import (
    CaseView,
    case_view,
    code_lists,
    engine_drawing,
    event_view,
    put_back_words,
    step_fan,
)

router = APIRouter(include_in_schema=False)
FIRST_PACK = "misfire"
SHAPES = common_shapes()


def desk_of(request: Request) -> Desk:
    """The casebook and what belongs to it."""
    desk: Desk = request.app.state.desk
    return desk


def render_of(request: Request) -> Render:
    """The templates."""
    render: Render = request.app.state.render
    return render


TheDesk = Annotated[Desk, Depends(desk_of)]
TheRender = Annotated[Render, Depends(render_of)]


def weighed_or_why(desk: Desk, case_id: str) -> tuple[WeighedCase | None, str]:
    """The weighing, or the sentence that says why there is none; a case that is not there is still an error."""
    desk.store.head(case_id)
    try:
        return desk.weighed(case_id), ""
    except FirstcauseError as error:
        return None, str(error)


def view_of(desk: Desk, case_id: str) -> tuple[CaseView, WeighedCase | None]:
    """What the page of a case shows."""
    head, case = desk.store.head(case_id), desk.store.case(case_id)
    weighed, trouble = weighed_or_why(desk, case_id)
    return case_view(case_id, head, case, desk.pack(case.opened.pack), weighed, desk.currency, trouble), weighed


@router.get("/")
def cases(request: Request, desk: TheDesk, render: TheRender) -> Response:
    lines: list[dict[str, Any]] = []
    for line in sorted(desk.store.cases(), key=lambda line: line.changed_at, reverse=True):
        weighed = desk.known_weighing(line.case_id) if line.state == "open" else None
        lines.append({"line": line, "stand": None if weighed is None else stand_of(weighed)})
    here = [entry for entry in lines if entry["line"].state == "open"]
    gone = [entry for entry in lines if entry not in here]
    return render.page(request, "cases.html", {"here": here, "gone": gone})


@router.get("/cases/{case_id}/stand")
def where_it_stands(request: Request, case_id: str, desk: TheDesk, render: TheRender) -> Response:
    """The middle of one card of the cars in, weighed if it has not been: a piece of a page, for the script there."""
    weighed, trouble = weighed_or_why(desk, case_id)
    stand = None if weighed is None else stand_of(weighed)
    return render.page(request, "stand.html", {"stand": stand, "trouble": trouble})


@router.get("/new")
def new_case(
    request: Request, desk: TheDesk, render: TheRender, pack: Annotated[str, Query(max_length=40)] = FIRST_PACK
) -> Response:
    knowledge = desk.pack(pack)
    complaints = {name: desk.pack(name).model.complaint.name for name in desk.packs}
    values = {"shapes": SHAPES, "questions": knowledge.questions.values(), "pack": pack, "complaints": complaints,
              "shop_name": desk.settings.name}  # fmt: skip
    return render.page(request, "new.html", values)


@router.get("/cases/{case_id}")
def case_page(request: Request, case_id: str, desk: TheDesk, render: TheRender) -> Response:
    view, _ = view_of(desk, case_id)
    return render.page(request, "case.html", {"view": view, "tab": "case"})


@router.get("/cases/{case_id}/steps")
def steps(request: Request, case_id: str, desk: TheDesk, render: TheRender) -> Response:
    view, _ = view_of(desk, case_id)
    every = [step for step in (view.best, *view.others) if step is not None]
    return render.page(request, "steps.html", {"view": view, "tab": "case", "steps": every, **money_terms(desk)})


def money_terms(desk: Desk) -> dict[str, Any]:
    """What amounts are reckoned with: the hourly rate, whether it is the shop's own, and the currency."""
    own = desk.shop.labour_per_hour
    return {"rate": desk.usual_rate if own is None else own, "own_rate": own is not None, "currency": desk.currency}


@router.get("/cases/{case_id}/step")
def one_step(
    request: Request, case_id: str, key: Annotated[str, Query(max_length=120)], desk: TheDesk, render: TheRender
) -> Response:
    view, weighed = view_of(desk, case_id)
    step = next((step for step in (view.best, *view.others) if step is not None and step.key == key), None)
    if step is None:
        gone = _("The step {key!r} is not proposed any more: the case has gone on. Look at the case again.", key=key)
        raise RequestError(view.trouble or gone)
    if weighed is not None:
        option = next(option for option in weighed.weighing.advice.options if option.step.key == key)
        step = replace(step, fan=step_fan(option, weighed, desk.currency))
    return render.page(request, "step.html", {"view": view, "tab": "case", "step": step})


@router.get("/cases/{case_id}/suspect")
def suspect(
    request: Request, case_id: str, desk: TheDesk, render: TheRender, cause: Annotated[str, Query(max_length=120)] = ""
) -> Response:
    """What speaks for and against one cause, shown or not; without one, the choice of all."""
    view, weighed = view_of(desk, case_id)
    if weighed is None:
        raise RequestError(view.trouble)
    values = {"view": view, "tab": "case", "choices": choices(weighed), "caution": _(CAUTION)}
    if not cause:
        return render.page(request, "another.html", values)
    known = f"/knowledge/{desk.store.case(case_id).opened.pack}/{cause.partition('@')[0]}"
    return render.page(request, "suspect.html", {**values, "a": argument_view(cause, weighed), "known": known})


@router.get("/cases/{case_id}/parts")
def parts(request: Request, case_id: str, desk: TheDesk, render: TheRender) -> Response:
    view, weighed = view_of(desk, case_id)
    ledger = None if weighed is None else weighed.ledger
    values = {
        "view": view,
        "tab": "parts",
        "ledger": ledger,
        "put_back": () if ledger is None else put_back_words(ledger),
        "kinds": desk.knowledge_of(case_id).parts,
    }
    return render.page(request, "parts.html", values)


@router.get("/cases/{case_id}/evidence")
def evidence(request: Request, case_id: str, desk: TheDesk, render: TheRender) -> Response:
    view, _ = view_of(desk, case_id)
    return render.page(
        request,
        "evidence.html",
        {
            "view": view,
            "tab": "evidence",
            "people": desk.store.people(case_id),
            "snapshots": [event for event in view.case.effective if isinstance(event.body, Snapshot)],
            "frame_rows": frame_rows,
            "code_lists": code_lists,
        },
    )


@router.get("/cases/{case_id}/roadtest")
def roadtest(request: Request, case_id: str, desk: TheDesk, render: TheRender) -> Response:
    view, _ = view_of(desk, case_id)
    drives = [
        (event.id, event.at, event.body, pictures_of(desk, event.body), heard_of(view.case, event.id))
        for event in reversed(view.case.effective)
        if isinstance(event.body, Drove)
    ]
    values = {
        "view": view, "tab": "roadtest", "drives": drives, "knowledge": desk.knowledge_of(case_id),
        "coming": desk.coming(case_id), "signal_words": meaning_words,
    }  # fmt: skip
    return render.page(request, "roadtest.html", values)


def pictures_of(desk: Desk, drove: Drove) -> list[str]:
    """Which pictures of a drive can be drawn from its log."""
    if drove.log_sha256 is None:
        return []
    try:
        log = desk.drive_log(drove)
    except FirstcauseError:
        return []
    return ["time", "plane"] if log.rpm is not None and log.load_percent is not None else ["time"]


@router.get("/cases/{case_id}/closing")
def closing(request: Request, case_id: str, desk: TheDesk, render: TheRender) -> Response:
    view, weighed = view_of(desk, case_id)
    bare = tuple(End(state, False, ()) for state in CLOSING_STATES)
    values = {
        "view": view,
        "tab": "closing",
        "ends": bare if weighed is None else ends_of(weighed),
        "always": () if weighed is None else always_said(weighed),
        "proof": None if weighed is None else proof_of(weighed),
        "in_words": lambda text: parts_in_words(text, desk.knowledge_of(case_id)),
    }
    return render.page(request, "closing.html", values)


@router.get("/cases/{case_id}/cylinder/{number}")
def cylinder(request: Request, case_id: str, number: int, desk: TheDesk, render: TheRender) -> Response:
    view, weighed = view_of(desk, case_id)
    view.case.layout.require(number)
    here, layout = f"cylinder {number}", view.case.layout
    ours = [s for s in (*view.suspects, *view.victims) if s.where == here or s.where.endswith(f"from {here}")]
    steps = [s for s in (view.best, *view.others) if s is not None and concerns(s.place, s.swap, number)]
    values = {
        "view": view,
        "tab": "case",
        "number": number,
        "suspects": ours,
        "steps": steps,
        "sitting": [] if weighed is None else [part for part in weighed.ledger.sitting if number in part.at],
        "drawing": engine_drawing(case_id, view.case, desk.knowledge_of(case_id), weighed, focus=number),
        "layout": layout,
        "ordinal": ordinal,
    }
    return render.page(request, "cylinder.html", values)


def concerns(place: str, swap: tuple[str, int, int] | None, number: int) -> bool:
    """Whether a step is done at this cylinder."""
    return place == f"cylinder {number}" or (swap is not None and number in swap[1:])


@router.get("/cases/{case_id}/record")
def record_forms(
    request: Request,
    case_id: str,
    desk: TheDesk,
    render: TheRender,
    kind: Annotated[str, Query(max_length=20)] = "",
    test: Annotated[str, Query(max_length=80)] = "",
    repair: Annotated[str, Query(max_length=80)] = "",
) -> Response:
    """The forms for everything that may have happened; for a finding first the choice of the test."""
    head, case = desk.store.head(case_id), desk.store.case(case_id)
    knowledge = desk.pack(case.opened.pack)
    view = case_view(case_id, head, case, knowledge, desk.known_weighing(case_id), desk.currency)
    values = {
        "view": view,
        "tab": "record",
        "kind": kind,
        "given": defaultdict(str, request.query_params),
        "cylinders": case.layout.cylinders,
        "complaint": knowledge.model.complaint,
        "units": range(1, len(case.layout.groups(knowledge.model.complaint.unit)) + 1),
        "unit_words": unit_words,
        "parts": [part for part in knowledge.parts.values() if fits(part.fitted, case.layout)],
        "tests": sorted((t for t in knowledge.tests.values() if fits(t.fitted, case.layout)), key=lambda t: t.name),
        "test": knowledge.tests.get(test),
        "number": number_fields(knowledge.tests.get(test), desk.settings.units),
        "repair": knowledge.repairs.get(repair),
        "cautions": knowledge.cautions,
        "part_dangers": dangers_of(case, knowledge),
        "repairs": sorted((r for r in knowledge.repairs.values() if fits(r.fitted, case.layout)), key=lambda r: r.name),
        "questions": knowledge.questions.values(),
        "places": places_of(case),
        "events": [event_view(event, case, knowledge, ()) for event in case.events],
        "currency": desk.currency,
    }
    return render.page(request, "record.html", values)


def number_fields(test: TestEntry | None, units: Units = "metric") -> dict[str, Any] | None:
    """What the form asks for when a test's number is entered, the shop's unit first; None without numbers."""
    if test is None or test.measures is None:
        return None
    usual = asked_in(test.measures.unit, units)
    return {
        "quantity": test.measures.quantity,
        "units": sorted(units_of(test), key=lambda unit: unit != usual),
        "by_cylinder": test.measures.judged_by in BY_CYLINDER,
        "asks": test.measures.asks,
        "under": circumstances_of(test),
        "numbers_under": NUMBERS_UNDER.get(test.measures.judged_by, {}),
    }


def dangers_of(case: Case, knowledge: Knowledge) -> list[str]:
    """The cautions of level danger that belong to the parts of this engine, each once."""
    named = (name for part in knowledge.parts.values() if fits(part.fitted, case.layout) for name in part.cautions)
    return [name for name in dict.fromkeys(named) if knowledge.cautions[name].level == "danger"]


def places_of(case: Case) -> dict[str, list[str]]:
    """Every place of this engine in its written form, by kind."""
    layout = case.layout
    joints = sorted({(min(n, m), max(n, m)) for n in layout.cylinders for m in layout.neighbours(n)})
    return {
        "cylinder": [f"cylinder {n}" for n in layout.cylinders],
        "part": [f"cylinder {n}" for n in layout.cylinders],
        "joint": [f"joint {a}-{b}" for a, b in joints],
        "bank": [f"bank {n}" for n in range(1, len(layout.banks) + 1)],
        "engine": ["engine"],
    }


@router.get("/cases/{case_id}/files/{sha256}")
def kept_file(case_id: str, sha256: str, desk: TheDesk) -> Response:
    """A photo or recording of this case; only what the case itself names, and never as anything that can run."""
    named = (event.body for event in desk.store.case(case_id).events)
    found = next((body for body in named if isinstance(body, Attached) and body.sha256 == sha256), None)
    if found is None:
        raise RequestError("This case keeps no such file. Nothing was changed. Go back to the evidence.")
    image = found.media_type in ("image/png", "image/jpeg", "image/webp")
    headers = {
        "Content-Security-Policy": "default-src 'none'; sandbox",
        "Content-Disposition": "inline" if image else "attachment",
    }
    data = desk.store.blobs.read(sha256)
    return Response(data, media_type=found.media_type if image else "application/octet-stream", headers=headers)
