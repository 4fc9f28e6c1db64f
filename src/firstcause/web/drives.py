"""Recordings of a drive taken in and judged; what their columns are taken for: shown, corrected once, remembered."""

from __future__ import annotations

import shutil
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from starlette.datastructures import FormData, UploadFile
from starlette.responses import RedirectResponse, Response

from firstcause.casebook.case import Case
from firstcause.casebook.drives import drove_from
from firstcause.casebook.events import Attached, Body, Corrected, Drove
from firstcause.cli.recorded import ending_of, headings_of, kept_files, read_kept, read_recorded
from firstcause.errors import RequestError
from firstcause.knowledge.base import Knowledge
from firstcause.roadtest.choosing import NoTime
from firstcause.roadtest.drivelog import Reading
from firstcause.roadtest.headings import MEANINGS, meaning_words
from firstcause.roadtest.remembered import guessed, recalled, remember
from firstcause.roadtest.tracks import NoSignal
from firstcause.tongue import _
from firstcause.web.actions import TheForm, plain_name, recorded_then
from firstcause.web.desk import Desk, judged_drive, recordings_of
from firstcause.web.forms import text
from firstcause.web.guard import WrongKind, is_text
from firstcause.web.pages import TheDesk, TheRender, view_of
from firstcause.web.render import wants_json, who

router = APIRouter(include_in_schema=False)
UNITS = ("km/h", "mph", "m/s", "degC", "degF", "K", "s", "ms", "min", "h", "%", "rpm", "m", "ft")
MOST_SHOWN = 400  # columns of one recording; a measurement file may hold thousands of signals nobody judges by


@router.post("/cases/{case_id}/drives")
def drive(request: Request, case_id: str, form: TheForm, desk: TheDesk) -> Response:
    """The recordings of one drive: read in pieces, kept whole, judged, and recorded as a road test.

    Where the columns do not tell what a drive is judged by, the recordings are kept and the columns are asked for.
    """
    case = desk.store.case(case_id)
    with TemporaryDirectory(prefix="firstcause-") as folder:
        files = recordings_from(form, "log", Path(folder))
        reading: Reading | None
        try:
            reading = read_recorded(files, kept=desk.columns())
        except (NoTime, NoSignal) as error:
            columns = error.headings if isinstance(error, NoTime) else error.found
            if wants_json(request) or len(columns) < 2:
                raise  # a program, or a queue that sends later, has nobody to ask; one column is no drive
            reading = None
        kept = [desk.store.keep(_pieces(file), file.name, media_type_of(file), "drive log") for file in files]
    hashes = [each.sha256 for each in kept]
    if reading is None:
        return RedirectResponse(
            f"/cases/{case_id}/columns?" + "&".join(f"recording={each}" for each in hashes), status_code=303
        )
    drove = drove_of(case, desk.knowledge_of(case_id), reading, hashes, text(form, "note"))
    recorded = desk.record_all(case_id, [*kept, drove], who(request), entry_id=text(form, "entry") or None)
    return recorded_then(request, recorded, f"/cases/{case_id}/roadtest")


def drove_of(case: Case, knowledge: Knowledge, reading: Reading, hashes: Sequence[str], note: str = "") -> Drove:
    """The event of a drive with what was read of its recordings beside the judgement."""
    drove = drove_from(case, knowledge, judged_drive(reading), hashes[0], note)
    read: dict[str, Any] = {"sentences": reading.report.sentences(), **reading.report.to_dict()}
    read["recordings"] = list(hashes)
    return drove.model_copy(update={"judgement": {**(drove.judgement or {}), "reading": read}})


def recordings_from(form: FormData, key: str, folder: Path) -> list[Path]:
    """The uploaded recordings of one drive, written under their own names into `folder`, piece by piece.

    Raises RequestError when none was chosen or one is empty, WrongKind for one that is no recording.
    """
    found = [each for each in form.getlist(key) if isinstance(each, UploadFile) and each.filename]
    if not found:
        raise RequestError("No file was chosen. Nothing was kept. Choose one and send it again.")
    files = []
    for number, upload in enumerate(found, start=1):
        name = plain_name(upload)
        head = upload.file.read(4096)
        if not head:
            raise RequestError(f"{name} is empty. Nothing was kept. Choose another file.")
        ending = ending_of(head)
        if ending == ".csv" and not is_text(head):
            raise WrongKind(name, "a drive log (a table in text, MDF4, or a bus trace)")
        inside = folder / str(number)
        inside.mkdir()
        file = inside / (name if name.lower().endswith(ending) or ending == ".csv" else name + ending)
        with file.open("wb") as out:
            out.write(head)
            shutil.copyfileobj(upload.file, out, 1 << 20)
        files.append(file)
    return files


def media_type_of(file: Path) -> str:
    """How a kept recording is labelled."""
    with file.open("rb") as head:
        ending = ending_of(head.read(64))
    return "text/csv" if ending == ".csv" else "application/octet-stream"


def _pieces(file: Path) -> Iterator[bytes]:
    with file.open("rb") as whole:
        while piece := whole.read(1 << 20):
            yield piece


@dataclass(frozen=True, slots=True)
class Column:
    """One column: what it is taken for now (`ignore`: not used), in which unit, and whether somebody said so."""

    heading: str
    signal: str
    unit: str
    said: bool


@dataclass(frozen=True, slots=True)
class FileColumns:
    """The columns of one recording, those in use first; `left_off`: how many more there are."""

    name: str
    columns: tuple[Column, ...]
    left_off: int


def file_columns(desk: Desk, hashes: Sequence[str], names: Mapping[str, str]) -> tuple[FileColumns, ...]:
    """The columns of each kept recording. Raises LostAttachment, or LogError for one without headings."""
    kept, found = desk.columns(), []
    with kept_files(desk.store.blobs, hashes) as files:
        for sha256, file in zip(hashes, files, strict=True):
            headings = headings_of(file, kept, {})
            before = recalled(kept, headings)
            columns = []
            for heading, meaning in guessed(headings, before).items():
                signal, _at, unit = meaning.partition("@")
                columns.append(Column(heading, signal, unit, heading in before))
            columns.sort(key=lambda column: column.signal == "ignore")
            name = names.get(sha256, file.name)
            found.append(FileColumns(name, tuple(columns[:MOST_SHOWN]), max(0, len(columns) - MOST_SHOWN)))
    return tuple(found)


def signals(cylinders: int) -> list[tuple[str, str]]:
    """What a column can be taken for, with its words."""
    misfires = [(f"misfires:{n}", _("misfires, cylinder {n}", n=n)) for n in range(1, cylinders + 1)]
    return [("ignore", _("not used")), *((each.key, meaning_words(each.key)) for each in MEANINGS), *misfires]


@router.get("/cases/{case_id}/columns")
def columns(
    request: Request, case_id: str, desk: TheDesk, render: TheRender, drive: str = "",
    recording: Annotated[list[str] | None, Query()] = None,
) -> Response:  # fmt: skip
    """The columns of a drive of the case, or of recordings that could not be read as they stand."""
    view, _weighed = view_of(desk, case_id)
    hashes = _hashes(view.case, drive, recording or [])
    names = {event.body.sha256: event.body.name for event in view.case.effective if isinstance(event.body, Attached)}
    values = {
        "view": view, "tab": "roadtest", "drive": drive, "recordings": hashes,
        "files": file_columns(desk, hashes, names), "signals": signals(view.case.layout.count), "units": UNITS,
    }  # fmt: skip
    return render.page(request, "columns.html", values)


@router.post("/cases/{case_id}/columns")
def correct(request: Request, case_id: str, form: TheForm, desk: TheDesk) -> Response:
    """Remember what is said of the columns, and judge the drive by it: a new drive, or a correction of one."""
    case = desk.store.case(case_id)
    drive = str(form.get("drive") or "")
    hashes = _hashes(case, drive, [str(each) for each in form.getlist("recording")])
    kept = desk.columns()
    with kept_files(desk.store.blobs, hashes) as files:
        for number, file in enumerate(files):
            headings = headings_of(file, kept, {})
            said = _said(form, number, headings, recalled(kept, headings))
            guessed(headings, said)  # what does not exist is refused before it is kept
            kept = remember(kept, headings, said) if said else kept
    reading = read_kept(desk.store.blobs, hashes, kept)  # and what still cannot be read
    desk.keep_columns(kept)
    knowledge = desk.knowledge_of(case_id)
    if drive:
        old = next(event.body for event in case.effective if event.id == drive)
        assert isinstance(old, Drove)
        new = drove_of(case, knowledge, reading, hashes, old.note)
        bodies: list[Body] = [Corrected(event=drive, by=new, why=_("the columns of its recording were corrected"))]
    else:
        sizes = [desk.store.blobs.file(each).stat().st_size for each in hashes]
        media = "application/octet-stream"
        bodies = [
            Attached(sha256=each, name=f"drive {n}", media_type=media, size_bytes=size, about="drive log")
            for n, (each, size) in enumerate(zip(hashes, sizes, strict=True), start=1)
        ]
        bodies.append(drove_of(case, knowledge, reading, hashes))
    recorded = desk.record_all(case_id, bodies, who(request))
    return recorded_then(request, recorded, f"/cases/{case_id}/roadtest")


def _hashes(case: Case, drive: str, recordings: Sequence[str]) -> tuple[str, ...]:
    """The recordings that are meant. Raises RequestError when none is."""
    if drive:
        body = next((event.body for event in case.effective if event.id == drive), None)
        found = recordings_of(body) if isinstance(body, Drove) else ()
    else:
        found = tuple(recordings)
    if not found:
        raise RequestError("No recording of a drive is meant. Nothing was changed. Go back to the road test.")
    return found


def _said(form: FormData, number: int, headings: Sequence[str], before: Mapping[str, str]) -> dict[str, str]:
    """What the form says that differs from what is guessed, and of what was said before all of it."""
    guess = guessed(headings)
    said = {}
    for place in range(len(headings)):
        heading = str(form.get(f"heading-{number}-{place}") or "")
        if heading not in guess:
            continue
        signal, unit = (str(form.get(f"{what}-{number}-{place}") or "") for what in ("signal", "unit"))
        meaning = signal if signal == "ignore" or signal.startswith("misfires:") or not unit else f"{signal}@{unit}"
        if meaning != guess[heading] or heading in before:
            said[heading] = meaning
    return said
