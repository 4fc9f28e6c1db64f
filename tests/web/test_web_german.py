"""The page in German: every screen says so, and none of our English is left on it."""

from __future__ import annotations

import html
import re

from tests.web.conftest import PHONE
from tests.web.screens import addresses, full_case

from firstcause.tongue import catalogue

NOT_OURS = {"from 3", "kept for the owner", "find the cause"}
"""What the case of this test was written with, and what a form is filled with before anybody typed."""


def spoken(page: str) -> list[str]:
    """Every text and every spoken attribute of a page."""
    page = re.sub(r"<(script|style)[^>]*>.*?</\1>", "", page, flags=re.DOTALL)
    attributes = re.findall(r'(?:aria-label|title|alt|placeholder)="([^"]*)"', page)
    return [html.unescape(part).strip() for part in (*re.split(r"<[^>]*>", page), *attributes) if part.strip()]


def in_german(shop) -> None:
    shop.desk.settings = shop.desk.settings.model_copy(update={"language": "de", "currency": "EUR"})


def test_no_screen_says_anything_in_english(shop):
    in_german(shop)
    case_id = full_case(shop)
    german = set(catalogue("de").values())
    english = {text for text, said in catalogue("de").items() if said != text and len(text) > 3} - german - NOT_OURS
    found = {}
    for address in addresses(case_id):
        answer = shop.client.get(address)
        assert answer.status_code == 200, address
        assert '<html lang="de"' in answer.text, address
        found |= {text: address for text in spoken(answer.text) if text in english}
    assert found == {}


def test_another_language_is_a_setting_and_goes_back(shop):
    case_id = shop.misfiring()
    english = shop.client.get(f"/cases/{case_id}").text
    in_german(shop)
    assert "Der Motor von oben" in shop.client.get(f"/cases/{case_id}").text
    shop.desk.settings = shop.desk.settings.model_copy(update={"language": "en", "currency": "USD"})
    assert shop.client.get(f"/cases/{case_id}").text == english


def test_the_owner_may_read_another_language_than_the_shop(shop):
    case_id = shop.misfiring()
    assert '<html lang="en">' in shop.client.get(f"/cases/{case_id}/papers/owner.html").text
    paper = shop.client.get(f"/cases/{case_id}/papers/owner.html?language=de").text
    assert '<html lang="de">' in paper
    assert "Warum das Auto kam" in paper
    assert f"/cases/{case_id}/papers/owner.pdf?language=de" in shop.client.get(f"/cases/{case_id}/handover").text


def test_a_browser_shows_it_in_german_without_overflow(shop, visit):
    in_german(shop)
    page = visit(f"/cases/{shop.misfiring()}", PHONE)
    assert page.evaluate("document.documentElement.lang") == "de"
    assert page.evaluate("document.documentElement.scrollWidth <= innerWidth")
    assert page.get_by_role("heading", name="Der Motor von oben").count() == 1
