"""Pictures of a road test and the papers of the hand-over, each served as a document of its own."""

from __future__ import annotations

from fastapi import APIRouter, Request
from starlette.responses import Response

from firstcause.casebook.events import Drove
from firstcause.casebook.evidence import freeze_frame_of
from firstcause.errors import RequestError
from firstcause.roadtest.picture import drive_over_time_svg, speed_load_plane_svg
from firstcause.roadtest.reading import decode, read_drive
from firstcause.web.pages import TheDesk, TheRender, view_of

router = APIRouter(include_in_schema=False)
PICTURE_CSP = "default-src 'none'; style-src 'unsafe-inline'; sandbox"


@router.get("/cases/{case_id}/drives/{event_id}/{picture}.svg")
def drive_picture(case_id: str, event_id: str, picture: str, desk: TheDesk) -> Response:
    """The drive over time, or in the plane of engine speed and load, drawn from the log that was kept."""
    case = desk.store.case(case_id)
    body = next((e.body for e in case.effective if e.id == event_id and isinstance(e.body, Drove)), None)
    if body is None or body.log_sha256 is None or picture not in ("time", "plane"):
        raise RequestError("There is no such picture of a road test. Nothing was changed.")
    reading = read_drive(decode(desk.store.blobs.read(body.log_sha256)))
    log = max(reading.drives, key=lambda drive: drive.duration_s)
    frame = freeze_frame_of(case.freeze_frame)
    drawn = drive_over_time_svg(log, frame) if picture == "time" else speed_load_plane_svg(log, frame)
    if drawn is None:
        raise RequestError("Engine speed or load was not recorded, so there is no such picture. The log is kept.")
    return Response(drawn, media_type="image/svg+xml", headers={"Content-Security-Policy": PICTURE_CSP})


@router.get("/cases/{case_id}/handover")
def handover(request: Request, case_id: str, desk: TheDesk, render: TheRender) -> Response:
    view, _ = view_of(desk, case_id)
    return render.page(request, "handover.html", {"view": view, "tab": "handover", "ready": False})
