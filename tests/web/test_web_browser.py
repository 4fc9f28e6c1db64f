"""The page in a real browser (Debian's Chromium, headless), at a phone's size and at a laptop's."""

from __future__ import annotations

from pathlib import Path

import pytest
from tests.web.conftest import LAPTOP, PHONE

from firstcause.casebook.events import Counted, Found, Moved, Noted

pytestmark = pytest.mark.browser
DRIVES = Path(__file__).parent.parent / "data" / "drives"


def width_of_picture(image) -> int:
    """Its own width in px once it is loaded; 0 when it could not be. (A wait inside the page would need eval.)"""
    image.wait_for()
    image.scroll_into_view_if_needed()
    for _ in range(100):
        if image.evaluate("image => image.complete && image.naturalWidth > 0"):
            break
        image.page.wait_for_timeout(100)
    return int(image.evaluate("image => image.naturalWidth"))


def shares(page) -> dict[str, str]:
    """Each suspect shown and its share, as the technician reads them."""
    rows = page.locator(".suspects.first .suspect")
    return {
        f"{row.locator('.s-name').inner_text()} {row.locator('.s-where').inner_text()}": row.locator(
            ".s-chance"
        ).inner_text()
        for row in rows.all()
    }


@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_one_tap_records_an_outcome_and_moves_the_suspects(visit, shop, size, script):
    case_id = shop.misfiring()
    page = visit("/", size, java_script_enabled=script)
    page.get_by_text("Velmora Tessin").click()
    before = shares(page)
    page.goto(f"{shop.base}/cases/{case_id}/steps")
    page.locator(".step-link", has_text="Look or measure").first.click()
    name, striking = page.locator(".card h1").inner_text(), page.locator("button.tap").last
    outcome = striking.locator(".o-name").inner_text()
    striking.click()
    page.wait_for_url(f"**/cases/{case_id}")

    body = shop.desk.store.events(case_id)[-1].body
    assert isinstance(body, Found)
    assert body.sure == "sure"
    sentence = page.locator("#e5 .e-words").inner_text()
    assert sentence.startswith(name)
    assert sentence.endswith(f": {outcome}.")
    assert len(before) == 3
    assert shares(page) != before


def test_a_swap_is_one_tap_and_stands_in_the_ledger_until_it_is_undone(visit, shop):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}")
    page.goto(f"{shop.base}/cases/{case_id}/steps")
    page.locator(".step-link", has_text="Swap: ").filter(has_not_text=" and ").first.click()  # of one part
    page.locator("button.tap", has_text="They are swapped").click()
    page.wait_for_url(f"**/cases/{case_id}/parts")

    body = shop.desk.store.events(case_id)[-1].body
    assert isinstance(body, Moved)
    part, other = body.part, body.second
    assert (body.first, body.mark) == (3, "from 3")
    assert "Must go back" in page.locator(".reminder").inner_text()
    rows = [row.inner_text().split() for row in page.locator("tr.moved").all()]
    assert [row[:4] for row in rows] == sorted(
        [[part, "3", "←", str(other)], [part, str(other), "←", "3"]], key=lambda row: int(row[1])
    )
    drawn = page.locator("svg.engine .e-label-moved")
    assert sorted(drawn.all_text_contents()) == sorted([f"{part} ← {other}", f"{part} ← 3"])

    page.goto(f"{shop.base}/cases/{case_id}")
    assert "Parts away from home" in page.locator(".reminder").inner_text()
    page.goto(f"{shop.base}/cases/{case_id}/parts")
    page.locator("button.tap", has_text="Swapped back").click()
    page.locator(".athome").wait_for()
    assert page.locator(".reminder").count() == 0


def test_a_repair_is_one_tap_and_the_counters_are_typed(visit, shop):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}/record")
    page.get_by_text("I read the misfire counters").click()
    page.get_by_label("Idle").fill("3")
    for number, count in ((1, 0), (2, 0), (3, 41), (4, 0)):
        page.get_by_label(f"Cyl. {number}").fill(str(count))
    page.get_by_label("Engine speed, rpm").fill("750")
    page.get_by_role("button", name="Record the counts").click()
    page.wait_for_url(f"**/cases/{case_id}")

    body = shop.desk.store.events(case_id)[-1].body
    assert body == Counted(minutes={"idle": 3.0}, rpm=750, misfires={1: 0, 2: 0, 3: 41, 4: 0})
    assert "41 missed" in page.locator("svg.engine").text_content()


def test_cured_is_refused_with_its_reason_and_what_was_typed_stays(visit, shop):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}/closing")
    page.get_by_label("Cured").check()
    page.get_by_label("In your words").fill("I am sure.")
    page.get_by_role("button", name="Close the case").click()

    said = page.locator("form .bad")
    said.wait_for()
    assert "still shows misfires" in said.inner_text()
    assert page.get_by_label("In your words").input_value() == "I am sure."
    assert shop.desk.store.case(case_id).state == "open"

    page.get_by_label("Cause not found").check()
    page.get_by_role("button", name="Close the case").click()
    page.get_by_text("Hand-over papers").wait_for()
    assert shop.desk.store.case(case_id).closing.words == "I am sure."


def test_without_script_a_refusal_is_a_page_of_its_own(visit, shop):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}/closing", java_script_enabled=False)
    page.get_by_label("Cured").check()
    page.get_by_role("button", name="Close the case").click()
    assert "still shows misfires" in page.locator("[role=alert]").inner_text()
    assert shop.desk.store.case(case_id).state == "open"


def test_a_second_device_is_told_of_news_and_its_entry_waits(visit, shop):
    case_id = shop.take_in()
    page = visit(f"/cases/{case_id}/record?kind=noted")
    page.get_by_label("Words").fill("Mine.")
    shop.desk.record(case_id, Noted(words="The other device was quicker."), "Bo")

    page.get_by_role("button", name="Keep the note").click()
    page.locator("form .bad").wait_for()
    assert page.locator("#fresh").is_visible()
    assert page.get_by_label("Words").input_value() == "Mine."
    assert len(shop.desk.store.events(case_id)) == 2


def test_no_answer_from_the_server_loses_nothing_that_was_typed(visit, shop):
    case_id = shop.take_in()
    page = visit(f"/cases/{case_id}/record?kind=noted")
    page.route("**/record", lambda route: route.abort())
    page.get_by_label("Words").fill("Plug wet.")
    page.get_by_role("button", name="Keep the note").click()
    page.locator("form .kept").wait_for()
    assert "Plug wet." in page.locator("#waiting li").inner_text()

    page.unroute("**/record")
    page.locator("#waiting").wait_for(state="hidden")
    assert shop.desk.store.events(case_id)[-1].body == Noted(words="Plug wet.")


def test_a_photo_and_a_drive_come_in_and_are_shown(visit, shop, tmp_path):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}/evidence")
    picture = tmp_path / "plug.png"
    picture.write_bytes(page.screenshot(clip={"x": 0, "y": 0, "width": 40, "height": 30}))
    page.get_by_text("Add one from this device").click()
    page.get_by_label("Photo", exact=True).set_input_files(picture)
    page.get_by_label("What it shows").fill("plug 3")
    page.locator("details").get_by_role("button", name="Keep the photo").click()
    assert width_of_picture(page.locator(".photos img[alt='plug 3']")) == 40

    page.goto(f"{shop.base}/cases/{case_id}/roadtest")
    page.get_by_label("Recorded drive").set_input_files(DRIVES / "survey_day_mph_1.csv")
    page.get_by_role("button", name="Judge this drive").click()
    assert width_of_picture(page.locator("img.chart").first) > 0
    assert page.locator(".sentences li").count() > 2


@pytest.mark.parametrize("size", [PHONE, LAPTOP], ids=["phone", "laptop"])
def test_a_suspect_is_argued_about_on_its_own_page(visit, shop, size):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}", size)
    first = page.locator(".suspect").first
    name, stands = first.locator(".s-name").inner_text(), first.locator(".s-chance").inner_text()
    first.click()
    page.locator("svg.way").wait_for()

    assert page.locator("h1").inner_text().startswith(name)
    assert page.locator("h1").inner_text().endswith(stands)
    box = page.locator("svg.way").bounding_box()
    assert box["width"] > 250
    # The arrows of the picture and the rows of the table tell the same findings.
    arrows = page.locator("svg.way polygon").count()
    rows = [row.inner_text() for row in page.locator(".way-table tbody tr").all()]
    assert rows[0].startswith("before any finding")
    assert rows[-1].split()[-2:] == stands.split()[-2:]
    assert len([row for row in rows if " for" in row or " against" in row]) <= arrows == len(rows) - 2
    # What would change the mind leads to the step that could bring it.
    page.locator(".turns a").first.click()
    page.locator("svg.fan-picture").wait_for()
    rays, rows = page.locator("svg.fan-picture .f-ray").count(), page.locator("details.aside table tbody tr").count()
    assert 2 <= rays <= min(rows, 6)


def test_something_nobody_shows_is_named_and_argued_about(visit, shop):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}")
    page.get_by_text("Why not something else?").click()
    page.get_by_label("You suspect something else: name it").select_option("coil-dead@coil-2")
    page.get_by_role("button", name="Say what speaks against it").click()
    page.locator("svg.way").wait_for()
    assert "It cannot make this complaint where it was seen." in page.locator("main").inner_text()
    assert page.locator("svg.way .w-against").count() >= 1


def test_the_pictures_print_in_black_and_white(visit, shop):
    """In print nothing hangs on a colour: the arrows keep ink and hatching, forms and tabs are left out."""
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}/suspect?cause=coil-dead@coil-3", LAPTOP)
    page.emulate_media(media="print")
    assert page.locator("svg.way").is_visible()
    assert not page.locator("form").first.is_visible()
    colours = page.evaluate(
        """() => [...document.querySelectorAll('svg.way polygon, svg.way path')]
        .map((each) => getComputedStyle(each).stroke.match(/[\\d.]+/g).map(Number))"""
    )
    assert colours
    assert all(max(colour[:3]) - min(colour[:3]) <= 16 for colour in colours)


def test_the_keyboard_reaches_the_first_outcome(visit, shop):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}/steps", LAPTOP)
    page.locator(".step-link", has_text="Look or measure").first.click()
    page.locator(".card h1").wait_for()
    for _ in range(40):
        page.keyboard.press("Tab")
        if page.evaluate("document.activeElement.matches('button.tap')"):
            break
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/cases/{case_id}")
    assert shop.desk.store.events(case_id)[-1].body.kind == "found"
