"""Who may write from where, and how much: host, origin and size of every request, headers of every answer."""

from __future__ import annotations

import re
from collections.abc import Sequence
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from firstcause.errors import RequestError

LOOPBACK = ("127.0.0.1", "localhost", "::1")
MOST_BYTES = 24_000_000  # of one request; a phone's photo has 3 to 12 MB
MOST_PHOTO_BYTES = 16_000_000
MOST_LOG_BYTES = 2_200_000_000  # of the recordings of one drive, which are read in pieces and never held whole
_DRIVES = re.compile(r"/cases/[^/]+/drives")
READING = ("GET", "HEAD")
CSP = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; form-action 'self';"
    " frame-src 'self'; base-uri 'none'; frame-ancestors 'none'"
)
# A paper stands in a frame of our own page, so the sentence that says why there is none must be readable there too.
FRAMED_CSP = CSP.replace("frame-ancestors 'none'", "frame-ancestors 'self'")
_HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "same-origin",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "geolocation=(), microphone=(), payment=(), usb=()",
    "Cache-Control": "no-store",
}


class TooLarge(RequestError):
    """More was sent than is taken."""

    def __init__(self, most_bytes: int) -> None:
        self.most_bytes = most_bytes
        super().__init__(
            f"This is larger than {most_bytes / 1e6:.0f} MB. Nothing was kept. Send a smaller photo or a shorter log."
        )


class WrongKind(RequestError):
    """A file is not of a kind that is kept."""

    def __init__(self, name: str, wanted: str) -> None:
        self.name, self.wanted = name, wanted
        super().__init__(f"{name or 'The file'} is not {wanted}. Nothing was kept. Choose another file.")


class Guard:
    """Refuses foreign hosts, cross-site writes and bodies without end; sets the headers of every answer."""

    def __init__(self, app: ASGIApp, hosts: Sequence[str] = LOOPBACK, most_bytes: int = MOST_BYTES) -> None:
        self.app, self.hosts, self.most_bytes = app, frozenset(hosts), most_bytes

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self.app(scope, receive, send)
            return
        headers = Headers(scope=scope)
        most = MOST_LOG_BYTES if _DRIVES.fullmatch(scope["path"]) else self.most_bytes
        answer = self._refusal(scope["method"], scope["scheme"], headers, most)
        app: ASGIApp = self.app if answer is None else answer
        taken = 0

        async def counted() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > most:
                raise TooLarge(most)
            return message

        async def dressed(message: Message) -> None:
            if message["type"] == "http.response.start":
                given = MutableHeaders(scope=message)
                policy = FRAMED_CSP if "/papers/" in scope["path"] else CSP
                for name, value in {**_HEADERS, "Content-Security-Policy": policy}.items():
                    given.setdefault(name, value)
            await send(message)

        await app(scope, counted, dressed)

    def _refusal(self, method: str, scheme: str, headers: Headers, most: int) -> PlainTextResponse | None:
        if host_of(headers.get("host", "")) not in self.hosts:
            return _refused(421, "This page is served under another name. Nothing was read or written.")
        if method in READING:
            return None
        if not same_origin(scheme, headers):
            return _refused(403, "Another site tried to write into the casebook. Nothing was written.")
        length = headers.get("content-length", "0")
        if not length.isdigit() or int(length) > most:
            return _refused(413, str(TooLarge(most)))
        return None


def host_of(host: str) -> str:
    """The name in a Host header without its port: `127.0.0.1:8321` -> `127.0.0.1`, `[::1]:80` -> `::1`."""
    try:
        return urlsplit(f"//{host}").hostname or ""
    except ValueError:
        return ""


def same_origin(scheme: str, headers: Headers) -> bool:
    """Whether a write comes from our own page, or from a program that is no browser.

    A browser says where a request comes from in Sec-Fetch-Site or Origin (Fetch Metadata, W3C; RFC 6454); whatever it
    says must be us. Programs such as curl send neither, and carry no victim's session.
    """
    if headers.get("sec-fetch-site", "same-origin") != "same-origin":
        return False
    origin = headers.get("origin")
    return origin is None or origin == f"{scheme}://{headers.get('host', '')}"


def image_type(data: bytes) -> str | None:
    """The media type of a photo by its first bytes: PNG, JPEG or WebP; None for anything else.

    Source: PNG (W3C, 5.2), JPEG (ITU-T T.81, SOI marker and the one after it), WebP container (RFC 9649, 2.3).
    """
    if data.startswith(b"\x89PNG\r\n\x1a\n"):
        return "image/png"
    if data.startswith(b"\xff\xd8\xff"):
        return "image/jpeg"
    if data[:4] == b"RIFF" and data[8:12] == b"WEBP":
        return "image/webp"
    return None


def is_own_page(address: str) -> bool:
    """Whether an address to go back to is one of our own pages."""
    return address.startswith("/") and not address.startswith(("//", "/\\")) and address.isprintable()


def is_text(data: bytes) -> bool:
    """Whether a file may be a log in text: no zero byte, unless it is marked as UTF-16."""
    return data[:2] in (b"\xff\xfe", b"\xfe\xff") or b"\0" not in data


def _refused(status: int, words: str) -> PlainTextResponse:
    return PlainTextResponse(words + "\n", status_code=status)
