"""What is written: form posts that become events. Each answers with the page to go to, or with the reason why not."""

from __future__ import annotations

from collections.abc import AsyncIterator
from typing import Annotated

from fastapi import APIRouter, Depends, Request
from starlette.datastructures import FormData, UploadFile
from starlette.responses import JSONResponse, RedirectResponse, Response

from firstcause.casebook.events import Body, Found
from firstcause.casebook.people import Person
from firstcause.casebook.store import Recorded
from firstcause.errors import RequestError
from firstcause.web.forms import body_from_json, body_of, opening_of, text, valid_body
from firstcause.web.guard import (
    MOST_PHOTO_BYTES,
    TooLarge,
    WrongKind,
    image_type,
    is_own_page,
)
from firstcause.web.pages import TheDesk
from firstcause.web.render import wants_json, who

router = APIRouter(include_in_schema=False)


async def read_form(request: Request) -> AsyncIterator[FormData]:
    """The form, with its files, which are closed when the answer is made."""
    async with request.form(max_files=12, max_fields=300, max_part_size=1_000_000) as form:
        yield form


TheForm = Annotated[FormData, Depends(read_form)]


def go_to(request: Request, address: str) -> Response:
    """After writing: on to a page, so that a reload writes nothing again."""
    if wants_json(request):
        return JSONResponse({"next": address})
    return RedirectResponse(address, status_code=303)


@router.post("/cases")
def open_case(request: Request, form: TheForm, desk: TheDesk) -> Response:
    bodies, owner = opening_of(form)
    people = {"owner": Person(**owner)} if owner else {}
    case_id = desk.open_case(bodies, who(request), people, text(form, "entry") or None)
    return go_to(request, f"/cases/{case_id}")


@router.post("/cases/{case_id}/record")
def record(request: Request, case_id: str, form: TheForm, desk: TheDesk) -> Response:
    """One entry: ready-made (each `body`, what a tap records) or from the fields of its kind; all of it or nothing."""
    ready = [found.strip() for found in form.getlist("body") if isinstance(found, str) and found.strip()]
    bodies = [body_from_json(words) for words in ready] or [body_of(text(form, "kind"), form)]
    if text(form, "sure"):
        bodies = [
            valid_body({**body.model_dump(), "sure": text(form, "sure")}) if isinstance(body, Found) else body
            for body in bodies
        ]
    recorded = desk.record_all(case_id, bodies, who(request), text(form, "head") or None, text(form, "entry") or None)
    return recorded_then(request, recorded, f"/cases/{case_id}" + _tail(bodies[-1]))


def recorded_then(request: Request, recorded: Recorded, address: str) -> Response:
    """After recording: where to go, and for our own script the head before the entry and after it."""
    if wants_json(request):
        return JSONResponse({"next": address, "before": recorded.before, "head": recorded.head})
    return RedirectResponse(address, status_code=303)


_AFTER = {
    "closed": "/closing", "reopened": "/closing", "moved": "/parts",
    "estimated": "/money", "agreed": "/money", "invoiced": "/money",
}  # fmt: skip


def _tail(body: Body) -> str:
    return _AFTER.get(body.kind, "")


@router.post("/cases/{case_id}/forget")
def forget(request: Request, case_id: str, form: TheForm, desk: TheDesk) -> Response:
    """The owner's data beside the case go for good; its events stay."""
    desk.store.head(case_id)
    desk.store.forget_person(case_id, text(form, "person"))
    return go_to(request, f"/cases/{case_id}/evidence")


@router.post("/cases/{case_id}/photos")
def photo(request: Request, case_id: str, form: TheForm, desk: TheDesk) -> Response:
    name, data = upload_of(form, "photo", MOST_PHOTO_BYTES)
    desk.store.head(case_id)
    kind = image_type(data)
    if kind is None:
        raise WrongKind(name, "a photo (PNG, JPEG or WebP)")
    body = desk.store.keep(data, name, kind, text(form, "about"))
    recorded = desk.record_all(case_id, [body], who(request), entry_id=text(form, "entry") or None)
    back = text(form, "back")
    return recorded_then(request, recorded, back if is_own_page(back) else f"/cases/{case_id}/evidence")


def plain_name(upload: UploadFile) -> str:
    """The name of an uploaded file without any folder."""
    name = (upload.filename or "").replace("\\", "/").rpartition("/")[2]
    return "".join(letter for letter in name if letter.isprintable())[:120].strip(". ") or "file"


def upload_of(form: FormData, key: str, most_bytes: int) -> tuple[str, bytes]:
    """Name and bytes of an uploaded file; the name without any folder.

    Raises RequestError when none was chosen or it is empty, TooLarge above the limit.
    """
    found = form.get(key)
    if not isinstance(found, UploadFile) or not found.filename:
        raise RequestError("No file was chosen. Nothing was kept. Choose one and send it again.")
    data = found.file.read(most_bytes + 1)
    if len(data) > most_bytes:
        raise TooLarge(most_bytes)
    if not data:
        raise RequestError(f"{found.filename} is empty. Nothing was kept. Choose another file.")
    return plain_name(found), data
