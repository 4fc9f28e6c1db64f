"""Pictures of a road test and the papers of the hand-over, each served as a document of its own."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from contextlib import suppress
from typing import Annotated

from fastapi import APIRouter, Query, Request
from starlette.responses import Response

from firstcause.casebook.blobs import LostAttachment
from firstcause.casebook.events import Drove
from firstcause.casebook.evidence import freeze_frame_of
from firstcause.errors import LogError, RequestError
from firstcause.handover import (
    Report,
    build_report,
    owner_page_html,
    owner_page_pdf,
    technician_record_html,
    technician_record_pdf,
)
from firstcause.roadtest.picture import drive_over_time_svg, speed_load_plane_svg
from firstcause.tongue import languages, speaking
from firstcause.web.desk import Desk
from firstcause.web.pages import TheDesk, TheRender, view_of
from firstcause.web.settings import LANGUAGE_NAMES

router = APIRouter(include_in_schema=False)
PICTURE_CSP = "default-src 'none'; style-src 'unsafe-inline'; sandbox"
# A paper carries its own style and pictures; nothing in it runs, and only our own page may show it in a frame.
PAPER_CSP = (
    "default-src 'none'; style-src 'unsafe-inline'; img-src data:; font-src data:; frame-ancestors 'self'; sandbox"
)
PAPERS: Mapping[str, Callable[[Report], str | bytes]] = {
    "owner.html": owner_page_html,
    "record.html": technician_record_html,
    "owner.pdf": owner_page_pdf,
    "record.pdf": technician_record_pdf,
}


@router.get("/cases/{case_id}/drives/{event_id}/{picture}.svg")
def drive_picture(case_id: str, event_id: str, picture: str, desk: TheDesk) -> Response:
    """The drive over time, or in the plane of engine speed and load, drawn from the log that was kept."""
    case = desk.store.case(case_id)
    body = next((e.body for e in case.effective if e.id == event_id and isinstance(e.body, Drove)), None)
    if body is None or body.log_sha256 is None or picture not in ("time", "plane"):
        raise RequestError("There is no such picture of a road test. Nothing was changed.")
    log = desk.drive_log(body)
    frame = freeze_frame_of(case.freeze_frame)
    drawn = drive_over_time_svg(log, frame) if picture == "time" else speed_load_plane_svg(log, frame)
    if drawn is None:
        raise RequestError("Engine speed or load was not recorded, so there is no such picture. The log is kept.")
    return Response(drawn, media_type="image/svg+xml", headers={"Content-Security-Policy": PICTURE_CSP})


@router.get("/cases/{case_id}/handover")
def handover(request: Request, case_id: str, desk: TheDesk, render: TheRender) -> Response:
    view, _ = view_of(desk, case_id)
    others = [(name, LANGUAGE_NAMES.get(name, name)) for name in languages() if name != desk.settings.language]
    return render.page(request, "handover.html", {"view": view, "tab": "handover", "other_languages": others})


@router.get("/cases/{case_id}/papers/{paper}")
def paper(case_id: str, paper: str, desk: TheDesk, language: Annotated[str, Query(max_length=5)] = "") -> Response:
    """One paper of the hand-over, as a document that stands alone: HTML to look at and print, PDF to keep.

    `language`: that of its reader, where it is another than the shop's.
    """
    if paper not in PAPERS:
        raise RequestError("There is no such paper. Nothing was changed. Go back to the hand-over.")
    with speaking(language if language in languages() else desk.settings.language):
        made = PAPERS[paper](report_of(desk, case_id))
    if isinstance(made, str):
        return Response(made, media_type="text/html", headers={"Content-Security-Policy": PAPER_CSP})
    headers = {"Content-Disposition": f'attachment; filename="{case_id}-{paper}"'}
    return Response(made, media_type="application/pdf", headers=headers)


def report_of(desk: Desk, case_id: str) -> Report:
    """The facts of the hand-over as the case stands now; a lost recording costs its pictures and the record says so."""
    head, weighed = desk.store.head(case_id), desk.weighed(case_id)
    logs = {}
    for drive in weighed.case.drives:
        if drive.log_sha256 is not None:
            with suppress(LostAttachment, LogError):
                logs[drive.log_sha256] = desk.drive_log(drive)
    return build_report(
        weighed, head=head, now=desk.clock(), people=desk.store.people(case_id), currency=desk.currency, logs=logs
    )
