"""The application: one casebook, one knowledge base, pages, JSON, headers, and every error as a clear sentence."""

from __future__ import annotations

from collections.abc import AsyncIterator, Callable, Mapping, Sequence
from contextlib import asynccontextmanager
from datetime import datetime
from pathlib import Path

from fastapi import FastAPI, Request
from fastapi.exceptions import RequestValidationError
from starlette.exceptions import HTTPException
from starlette.responses import JSONResponse, Response
from starlette.staticfiles import StaticFiles

from firstcause.casebook.blobs import LostAttachment
from firstcause.casebook.shop import Shop
from firstcause.casebook.shop_settings import ShopSettings, read_settings, settings_path
from firstcause.casebook.store import CaseStore, NoSuchCase, NotReadable, NotRecorded, WrittenInBetween
from firstcause.casebook.words import say
from firstcause.errors import FirstcauseError
from firstcause.knowledge.base import Knowledge, load, pack_names
from firstcause.web import actions, api, doorway, drives, knowing, money, pages, papers, settings, stream
from firstcause.web.desk import Desk
from firstcause.web.guard import LOOPBACK, Guard, TooLarge, WrongKind
from firstcause.web.language import SpeaksTheShopsLanguage
from firstcause.web.pairing import Pairing
from firstcause.web.render import STATIC, Render, wants_json

_STATUS: tuple[tuple[type[FirstcauseError], int], ...] = (
    (NoSuchCase, 404),
    (LostAttachment, 404),
    (WrittenInBetween, 409),
    (TooLarge, 413),
    (WrongKind, 415),
    (NotRecorded, 507),
    (NotReadable, 503),
)


def create_app(
    store_path: Path,
    *,
    clock: Callable[[], datetime],
    packs: Mapping[str, Knowledge] | None = None,
    shop: Shop = Shop(),  # noqa: B008
    hosts: Sequence[str] = LOOPBACK,
    pairing: Pairing | None = None,
) -> FastAPI:
    """The page over the casebook at `store_path` (made when it is not there).

    `clock` gives the time of every event and must know its zone; `packs` are the shipped packs unless given; `shop`
    says a rate and tools that go before the kept settings while this runs; `hosts` are the names under which the page
    answers, loopback only unless told otherwise; with `pairing` every device but the server itself
    must be let in first.

    Raises NotACasebook when the file is none, SettingsUnreadable when the settings beside it are broken,
    KnowledgeError when the knowledge base cannot be read.
    """
    settings_file = settings_path(store_path)
    kept = read_settings(settings_file) or ShopSettings()
    store = CaseStore(store_path, clock=clock)

    @asynccontextmanager
    async def closing(app: FastAPI) -> AsyncIterator[None]:
        yield
        store.close()

    app = FastAPI(title="firstcause", docs_url=None, redoc_url=None, openapi_url="/api/openapi.json", lifespan=closing)
    if packs is None:
        packs = {name: load(name) for name in pack_names()}
    desk = Desk(
        store, packs, clock=clock, settings=kept, settings_file=settings_file, given_at_start=shop,
        columns_file=store_path.with_suffix(".columns.json"),
    )  # fmt: skip
    app.state.desk, app.state.render = desk, Render(lambda: desk.settings)
    app.state.streams = stream.Streams(store.head)
    desk.listeners.append(stream.tell(app.state.streams, desk))
    app.state.pairing = pairing
    if pairing is not None:
        app.add_middleware(doorway.Doorway, pairing=pairing)
    app.add_middleware(Guard, hosts=hosts)
    app.add_middleware(SpeaksTheShopsLanguage, language=lambda: desk.settings.language)
    for module in (pages, papers, money, knowing, actions, drives, settings, doorway, api, stream):
        app.include_router(module.router)
    app.mount("/static", StaticFiles(directory=STATIC), name="static")
    app.add_exception_handler(FirstcauseError, _sentence)
    app.add_exception_handler(HTTPException, _http)
    app.add_exception_handler(RequestValidationError, _unreadable)
    return app


def _sentence(request: Request, error: Exception) -> Response:
    """Every error of ours is one sentence: what happened, what was kept, what to do."""
    assert isinstance(error, FirstcauseError)
    status = next((status for kind, status in _STATUS if isinstance(error, kind)), 422)
    if isinstance(error, WrittenInBetween):
        return _conflict(request, error)
    if wants_json(request):
        return JSONResponse({"error": str(error), "kind": type(error).__name__}, status)
    return _render(request).page(request, "sentence.html", {"words": str(error)}, status)


def _conflict(request: Request, error: WrittenInBetween) -> Response:
    """What was written in between, and what was not recorded: ready to be recorded again on top of it."""
    desk: Desk = request.app.state.desk
    known = desk.knowledge_of(error.case_id)
    if wants_json(request):
        return JSONResponse(
            {
                "error": str(error),
                "kind": "WrittenInBetween",
                "head": error.head,
                "since": [event.model_dump(mode="json") for event in error.since],
                "not_recorded": [body.model_dump(mode="json") for body in error.bodies],
                "said": {
                    "since": [say(event.body, known) for event in error.since],
                    "not_recorded": [say(body, known) for body in error.bodies],
                },
            },
            409,
        )
    values = {"error": error, "knowledge": known}
    return _render(request).page(request, "conflict.html", values, 409)


def _http(request: Request, error: Exception) -> Response:
    assert isinstance(error, HTTPException)
    words = {
        404: "There is no such page. Nothing was changed. Go back to the list of cases.",
        405: "This address does not take that. Nothing was changed.",
    }.get(error.status_code, str(error.detail))
    if wants_json(request):
        return JSONResponse({"error": words, "kind": "HTTPException"}, error.status_code)
    return _render(request).page(request, "sentence.html", {"words": words}, error.status_code)


def _unreadable(request: Request, error: Exception) -> Response:
    assert isinstance(error, RequestValidationError)
    said = "; ".join(f"{'.'.join(str(step) for step in item['loc'][1:])}: {item['msg']}" for item in error.errors())
    words = f"The request cannot be read: {said}. Nothing was changed. Correct it and send it again."
    if wants_json(request):
        return JSONResponse({"error": words, "kind": "RequestError"}, 422)
    return _render(request).page(request, "sentence.html", {"words": words}, 422)


def _render(request: Request) -> Render:
    render: Render = request.app.state.render
    return render
