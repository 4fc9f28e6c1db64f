"""Cars in, the ledger and the closing: what is said where, against whom, and that it prints."""

from __future__ import annotations

import re
import subprocess
from dataclasses import replace

import pytest
from tests.web.conftest import LAPTOP, PHONE
from tests.web.screens import full_case

from firstcause.casebook.events import Agreed, Counted, Moved, Noted, Repaired
from firstcause.web.cars import stand_of
from firstcause.web.ending import always_said, ends_of, proof_of


def test_a_card_of_the_cars_in_says_where_it_stands_and_what_it_waits_for(shop):
    fresh, busy = shop.take_in(), shop.misfiring()
    shop.desk.record(busy, Moved(part="coil", first=3, second=1), "Ada")
    assert stand_of(shop.desk.weighed(fresh)).on == "evidence"
    stand = stand_of(shop.desk.weighed(busy))
    top = shop.desk.weighed(busy).weighing.roots[0]
    assert (stand.on, stand.away) == ("shop", 2)
    assert stand.leading.startswith(top.name)
    assert stand.leading.endswith("cylinder 3")

    piece = shop.client.get(f"/cases/{busy}/stand").text
    assert "2 parts are away from their places" in piece
    assert "Waits for the shop" in piece
    assert "Waits for the evidence" in shop.client.get(f"/cases/{fresh}/stand").text


@pytest.mark.parametrize(("limit", "waits"), [(60.0, "owner"), (9_000.0, "shop")])
def test_a_car_whose_best_step_passes_the_owners_limit_waits_for_the_owner(shop, limit, waits):
    case_id = shop.misfiring()
    shop.desk.record(case_id, Agreed(work="find the cause", limit=limit), "Ada")
    weighed = shop.desk.weighed(case_id)
    advice = weighed.weighing.advice
    dearest = max((o for o in advice.options if o.step.kind == "repair"), key=lambda option: option.step.price)
    leads = replace(advice, options=(dearest, *advice.options))
    assert leads.best is dearest
    assert stand_of(replace(weighed, weighing=replace(weighed.weighing, advice=leads))).on == waits


def test_what_holds_against_every_end_is_said_once(shop):
    case_id = shop.misfiring()
    shop.desk.record(case_id, Moved(part="coil", first=3, second=1), "Ada")
    weighed = shop.desk.weighed(case_id)
    assert [objection.code for objection in always_said(weighed)] == ["parts-away"]
    for end in ends_of(weighed):
        said = [*end.against, *always_said(weighed)]
        assert sorted(o.code for o in said) == sorted(o.code for o in weighed.objections[end.state])
    text = shop.client.get(f"/cases/{case_id}/closing").text
    assert text.count("Parts are not where they came from") == 1


def test_every_end_that_the_casebook_refuses_is_marked_refused(shop):
    """Relieved too is refused without a quiet reading; the page said otherwise once."""
    case_id = shop.misfiring()
    refused = {end.state for end in ends_of(shop.desk.weighed(case_id)) if end.refused}
    assert refused == {"cured", "relieved"}
    for state in ("cured", "relieved"):
        answer = shop.post(f"/cases/{case_id}/record", kind="closed", state=state)
        assert answer.status_code == 422
    text = shop.client.get(f"/cases/{case_id}/closing").text
    assert text.count("Refused while this stands:") == 2


def test_the_four_needs_of_a_proven_repair_come_one_by_one(shop):
    case_id = shop.misfiring()
    shop.desk.record(case_id, Moved(part="coil", first=3, second=1), "Ada")
    before = proof_of(shop.desk.weighed(case_id))
    assert (before.met, bool(before.quiet), bool(before.away)) == (0, True, True)
    for body in (
        Repaired(repair="head-overhaul", place="bank 1"),
        Moved(part="coil", first=1, second=3),
        Counted(minutes={"idle": 20.0}, rpm=720, misfires={1: 0, 2: 0, 3: 0, 4: 0}),
    ):
        shop.desk.record(case_id, body, "Ada")
    after = proof_of(shop.desk.weighed(case_id))
    assert not after.away
    assert not any(o.hard for o in after.quiet)
    assert after.cause.width > before.cause.width
    assert all(bar.good == (bar.width <= bar.limit) for bar in (*after.open,))


@pytest.mark.browser
@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_the_list_of_cars_fills_itself(visit, shop, size):
    shop.misfiring()
    page = visit("/", size)
    page.locator(".st-lead").first.wait_for()
    assert "Waits for the shop" in page.locator(".car .waits").first.inner_text()


@pytest.mark.browser
def test_no_word_of_the_ledger_is_broken_on_a_phone(visit, shop):
    """Each cell of its first column is as tall as one line."""
    page = visit(f"/cases/{full_case(shop)}/parts", PHONE)
    lines = page.evaluate(
        """() => [...document.querySelectorAll('.sits th[scope=row]')].map((cell) => {
        const words = document.createRange(); words.selectNodeContents(cell);
        return [cell.textContent, new Set([...words.getClientRects()].map((r) => Math.round(r.top))).size]; })"""
    )
    assert lines
    assert [word for word, tall in lines if tall != 1] == []


@pytest.mark.browser
def test_the_pictures_print_and_what_can_only_be_pressed_does_not(visit, shop, tmp_path):
    case_id = full_case(shop)
    shop.desk.record(case_id, Noted(words="Printed."), "Ada")
    page = visit(f"/cases/{case_id}", LAPTOP)
    for screen, wanted in (("", "Suspects"), ("/parts", "Must go back"), ("/closing", "What a proven repair asks for")):
        page.goto(f"{shop.base}/cases/{case_id}{screen}")
        sheet = tmp_path / "sheet.pdf"
        sheet.write_bytes(page.pdf(format="A4"))
        said = subprocess.run(
            ["pdftotext", "-layout", str(sheet), "-"], capture_output=True, text=True, timeout=120, check=True
        ).stdout
        assert wanted in said
        assert not re.search(r"Swapped back|Close the case|I did something else|Cars in", said)
        shown = page.evaluate("matchMedia('print').matches")
        assert shown is False
