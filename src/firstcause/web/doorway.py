"""The door to the garage's network: who was not let in sees only the page that asks for the code."""

from __future__ import annotations

from http.cookies import CookieError, SimpleCookie
from io import BytesIO

from fastapi import APIRouter, Request
from starlette.datastructures import Headers
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Receive, Scope, Send

from firstcause.web.actions import TheForm, go_to
from firstcause.web.forms import text
from firstcause.web.pages import TheRender
from firstcause.web.pairing import Pairing, in_two
from firstcause.web.render import A_YEAR_S, BY_COOKIE, remember

router = APIRouter(include_in_schema=False)
COOKIE = "device"
AT_THE_SERVER = ("127.0.0.1", "::1")


class Doorway:
    """Lets through what comes from the server itself or from a paired device; all else only to the pairing page."""

    def __init__(self, app: ASGIApp, pairing: Pairing) -> None:
        self.app, self.pairing = app, pairing

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or self._is_let_in(scope):
            await self.app(scope, receive, send)
            return
        answer: Response
        if scope["method"] in ("GET", "HEAD") and not scope["path"].startswith("/api/"):
            answer = RedirectResponse("/pair", status_code=303)
        else:
            answer = PlainTextResponse("This device is not paired. Nothing was read or written.\n", status_code=401)
        await answer(scope, receive, send)

    def _is_let_in(self, scope: Scope) -> bool:
        path = scope["path"]
        if path == "/pair" or path.startswith("/static/") or is_at_the_server(scope):
            return True
        return self.pairing.device_of(secret_of(Headers(scope=scope).get("cookie", ""))) is not None


def is_at_the_server(scope: Scope) -> bool:
    """Whether a request comes from the machine that serves: there the code is shown, so it needs none."""
    client = scope.get("client")
    return client is not None and client[0] in AT_THE_SERVER


def secret_of(cookies: str) -> str:
    """What a device shows; empty when nothing."""
    try:
        found = SimpleCookie(cookies).get(COOKIE)
    except CookieError:
        return ""
    return found.value if found else ""


def _pairing(request: Request) -> Pairing | None:
    found: Pairing | None = request.app.state.pairing
    return found


@router.get("/pair")
def pair(request: Request, render: TheRender) -> Response:
    if _pairing(request) is None:
        return RedirectResponse("/", status_code=303)
    return render.page(request, "pair.html", {})


@router.post("/pair")
def let_in(request: Request, form: TheForm) -> Response:
    pairing = _pairing(request)
    if pairing is None:
        return RedirectResponse("/", status_code=303)
    name = text(form, "name")
    secret = pairing.let_in(text(form, "code"), name)
    answer = go_to(request, "/")
    answer.set_cookie(
        COOKIE, secret, max_age=A_YEAR_S, httponly=True, samesite="strict", secure=pairing.is_secret, path="/"
    )
    if name and BY_COOKIE not in request.cookies:
        remember(answer, name)
    return answer


@router.post("/devices/send-away")
def send_away(request: Request, form: TheForm) -> Response:
    pairing = _pairing(request)
    if pairing is not None:
        pairing.send_away(text(form, "device"))
    return go_to(request, "/settings?kept=devices")


@router.get("/devices/code.svg")
def code_picture(request: Request) -> Response:
    """Address and code as a picture for a phone's camera; the code stands behind the #, which no server is told."""
    import segno

    pairing = _pairing(request)
    if pairing is None:
        return PlainTextResponse("The page is open to this machine only.\n", status_code=404)
    drawn = BytesIO()
    segno.make(pair_address(pairing), error="m").save(drawn, kind="svg", scale=6, border=4, light="#fff")
    return Response(drawn.getvalue(), media_type="image/svg+xml")


def pair_address(pairing: Pairing) -> str:
    """Where a phone begins: address and code."""
    return f"{pairing.address}/pair#{pairing.code}"


def door_values(request: Request) -> dict[str, object]:
    """What the settings show of the door; `door` None when only this machine may use the page."""
    pairing = _pairing(request)
    if pairing is None:
        return {"door": None}
    return {"door": {"address": pairing.address, "code": in_two(pairing.code), "devices": pairing.devices}}
