"""The settings: what the shop says once, and how this device shows the page."""

from __future__ import annotations

from typing import Annotated, Any

from fastapi import APIRouter, Query, Request
from pydantic import ValidationError
from starlette.datastructures import FormData
from starlette.responses import Response

from firstcause.casebook.shop_settings import ShopSettings
from firstcause.handover.paper_rules import rule_sets
from firstcause.tongue import languages
from firstcause.web.actions import TheForm, go_to
from firstcause.web.doorway import door_values
from firstcause.web.forms import NotFilledIn, complaints_of, number_of, text
from firstcause.web.guard import is_own_page
from firstcause.web.pages import TheDesk, TheRender
from firstcause.web.render import LOOKS, remember, remember_looks

router = APIRouter(include_in_schema=False)
LANGUAGE_NAMES = {"en": "English", "de": "Deutsch", "es": "español", "fr": "français", "pt": "português"}
ON_PAPERS = ("address", "phone", "email", "registration_number", "tax_number", "paper_rules")
CURRENCIES = ("USD", "CAD", "MXN", "BRL", "EUR", "GBP", "CHF", "SEK", "PLN", "ZAR", "INR", "AUD", "NZD", "JPY")


@router.get("/settings")
def settings(
    request: Request, desk: TheDesk, render: TheRender, kept: Annotated[str, Query(max_length=10)] = ""
) -> Response:
    said = desk.settings
    values = {
        "kept_now": kept,
        "kept": said,
        "tools": sorted(desk.known_tools | said.tools_missing, key=str.lower),
        "languages": [(name, LANGUAGE_NAMES.get(name, name)) for name in dict.fromkeys((*languages(), said.language))],
        "currencies": tuple(dict.fromkeys((said.currency, *CURRENCIES))),
        "usual_rate": desk.usual_rate,
        "given_at_start": desk.given_at_start,
        "looks_known": LOOKS,
        "rule_sets": tuple(rule_sets().values()),
        **door_values(request),
    }
    return render.page(request, "settings.html", values)


@router.post("/settings")
def keep(request: Request, form: TheForm, desk: TheDesk) -> Response:
    desk.keep_settings(settings_of(form))
    return go_to(request, "/settings?kept=shop")


@router.post("/display")
def display(request: Request, form: TheForm) -> Response:
    """How this device shows the page, and who writes on it; nobody else sees a difference."""
    back = text(form, "back")
    answer = go_to(request, back if is_own_page(back) else "/settings?kept=device")
    remember_looks(answer, text(form, "light"), text(form, "type"))
    if "by" in form:
        remember(answer, text(form, "by"))
    return answer


def settings_of(form: FormData) -> ShopSettings:
    """The settings that a form describes. Raises NotFilledIn with every complaint."""
    given: dict[str, Any] = {key: text(form, key) for key in ("name", "units", "language", *ON_PAPERS)}
    given["currency"] = text(form, "currency").upper()
    given["labour_per_hour"] = number_of(text(form, "labour_per_hour"), "rate")
    given["tools_missing"] = frozenset(name for name in form.getlist("missing") if isinstance(name, str))
    try:
        return ShopSettings.model_validate(given)
    except ValidationError as error:
        raise NotFilledIn(complaints_of(error)) from error
