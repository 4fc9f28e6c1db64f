"""Templates: one environment, its filters, and the answer in which a page leaves."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from datetime import datetime
from pathlib import Path
from typing import Any
from urllib.parse import quote, unquote

from jinja2 import ChoiceLoader, Environment, FileSystemLoader, PackageLoader, StrictUndefined
from markupsafe import Markup
from starlette.requests import Request
from starlette.responses import HTMLResponse, Response

from firstcause.casebook.shop_settings import ShopSettings
from firstcause.casebook.words import STATE_WORDS, place_said, say
from firstcause.tongue import date_and_time, small
from firstcause.web.language import words_in
from firstcause.web.measures import asked_in, in_units, shown

HERE = Path(__file__).parent
STATIC = HERE / "static"
BY_COOKIE, LOOKS_COOKIE = "recorded_by", "looks"
LOOKS = {"light": ("auto", "light", "dark", "sun"), "type": ("usual", "large")}
"""How a device may show the page; the first of each is what it does unless told."""
A_YEAR_S = 31_536_000


class Render:
    """The page's templates, once for each language; a name that a template lacks is an error, not an empty place."""

    def __init__(self, settings: Callable[[], ShopSettings] = ShopSettings) -> None:
        self._settings = settings
        self._templates: dict[str, Environment] = {}

    def page(self, request: Request, name: str, values: Mapping[str, Any], status: int = 200) -> Response:
        """A page, with who is writing, in the language of the shop."""
        said = self._settings()
        language = said.language
        if language not in self._templates:
            self._templates[language] = templates_in(language)
        frame = {"by": who(request), "looks": looks(request), "language": language, "shop_units": said.units}
        text = (
            self._templates[language]
            .get_template(name)
            .render(**values, **frame, path=request.url.path, method=request.method)
        )
        return HTMLResponse(text, status)


def templates_in(language: str) -> Environment:
    """The templates with their words in one language."""
    made = Environment(
        loader=ChoiceLoader([FileSystemLoader(HERE / "templates"), PackageLoader("firstcause.handover", "templates")]),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
        extensions=["jinja2.ext.i18n"],
    )
    made.policies["ext.i18n.trimmed"] = True
    made.install_gettext_translations(words_in(language), newstyle=True)  # type: ignore[attr-defined]
    made.filters |= {"when": when, "drawing": Markup, "shortened": shortened, "in_units": in_units}
    made.filters |= {"said": place_said, "small": small, "first_big": lambda words: words[:1].upper() + words[1:]}
    made.globals |= {"say": say, "STATE_WORDS": STATE_WORDS, "asked_in": asked_in, "shown": shown}
    return made


def who(request: Request) -> str:
    """Who is writing, as told once on this device."""
    return unquote(request.cookies.get(BY_COOKIE, ""))[:60]


def remember(response: Response, name: str) -> None:
    """Keep on this device who is writing."""
    response.set_cookie(BY_COOKIE, quote(name[:60]), max_age=A_YEAR_S, httponly=True, samesite="strict")


def looks(request: Request) -> dict[str, str]:
    """How this device shows the page; what it cannot be is read as usual."""
    said = request.cookies.get(LOOKS_COOKIE, "").split("-")
    return {key: next((word for word in said if word in known), known[0]) for key, known in LOOKS.items()}


def remember_looks(response: Response, light: str, type_: str) -> None:
    """Keep on this device how it shows the page."""
    kept = "-".join(word for word, known in zip((light, type_), LOOKS.values(), strict=True) if word in known)
    response.set_cookie(LOOKS_COOKIE, kept, max_age=A_YEAR_S, httponly=True, samesite="strict")


def wants_json(request: Request) -> bool:
    """Whether a program asks, or our own script that shows the sentence in place."""
    return request.url.path.startswith("/api/") or "application/json" in request.headers.get("accept", "")


def when(at: datetime) -> Markup:
    """A time in the zone in which it was recorded; a script turns it into the reader's own."""
    zone = "" if at.tzinfo is None else f" {at.tzname()}"
    shown = f"{date_and_time(at)}{zone}"
    return Markup('<time datetime="{}">{}</time>').format(at.isoformat(), shown)


def shortened(words: str, most: int = 140) -> str:
    """The beginning of long words, cut at a blank."""
    return words if len(words) <= most else words[:most].rsplit(" ", 1)[0] + " …"
