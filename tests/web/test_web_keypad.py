"""At the car: numbers by our own big keys on a touch screen, photos straight from the camera; a mouse sees no keys."""

from __future__ import annotations

import pytest
from tests.web.conftest import LAPTOP, PHONE

from firstcause.casebook.events import Counted, Found

pytestmark = pytest.mark.browser
TOUCH = {"has_touch": True, "is_mobile": True}


def press(page, *keys: str) -> None:
    for key in keys:
        page.locator(f".keypad [data-key='{key}']").tap()


def test_a_number_is_typed_with_gloves_and_keeps_the_unit_that_was_chosen(visit, shop):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}/record?kind=found&test=compression-dry&place=cylinder%203", PHONE, **TOUCH)
    field = page.get_by_label("Value here")
    field.tap()
    assert field.get_attribute("inputmode") == "none"  # the device's own keys stay away
    keys = [key.bounding_box() for key in page.locator(".keypad button").all() if key.is_visible()]
    assert min(min(box["width"], box["height"]) for box in keys if box["height"] > 50) >= 54
    assert min(box["height"] for box in keys) >= 44

    press(page, "1", "1", "6", "back", "5", ".", "5")
    assert field.input_value() == "115.5"
    page.locator(".kp-units button", has_text="psi").tap()
    for keys in ("170", "168", "", "171"):  # the others, to compare with
        press(page, "next", *keys)
    press(page, "done")
    assert page.locator(".keypad").count() == 0
    page.get_by_role("button", name="Record it").tap()
    page.wait_for_url(f"**/cases/{case_id}")
    body = shop.desk.store.events(case_id)[-1].body
    assert isinstance(body, Found)
    assert (body.value, body.unit, body.others) == (115.5, "psi", {"1": 170.0, "2": 168.0, "4": 171.0})


def test_next_goes_from_cylinder_to_cylinder(visit, shop):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}/record?kind=counted", PHONE, **TOUCH)
    page.get_by_label("Idle").tap()
    press(page, "2")
    page.get_by_label("Cyl. 1").tap()
    for count in "0", "0", "7", "1":
        press(page, count, "next")
    press(page, "7", "2", "0", "done")
    page.get_by_role("button", name="Record the counts").tap()
    page.wait_for_url(f"**/cases/{case_id}")
    assert shop.desk.store.events(case_id)[-1].body == Counted(
        minutes={"idle": 2.0}, rpm=720, misfires={1: 0, 2: 0, 3: 7, 4: 1}
    )


def test_the_devices_own_keyboard_is_one_key_away(visit, shop):
    page = visit(f"/cases/{shop.misfiring()}/record?kind=counted", PHONE, **TOUCH)
    field = page.get_by_label("Idle")
    field.tap()
    press(page, "own")
    assert page.locator(".keypad").count() == 0
    assert field.get_attribute("inputmode") == "decimal"
    assert page.evaluate("document.activeElement.name") == "minutes-idle"
    field.fill("3")
    page.get_by_label("Cyl. 1").tap()
    assert page.locator(".keypad").count() == 1


def test_with_a_mouse_nothing_changes(visit, shop):
    page = visit(f"/cases/{shop.misfiring()}/record?kind=counted", LAPTOP)
    page.get_by_label("Idle").click()
    assert page.locator(".keypad").count() == 0


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_a_photo_of_the_step_goes_straight_into_the_case(visit, shop, tmp_path, script):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}", PHONE, java_script_enabled=script, **TOUCH)
    picture = tmp_path / "plug.png"
    picture.write_bytes(page.screenshot(clip={"x": 0, "y": 0, "width": 40, "height": 30}))
    card = page.locator("#step-1")
    name = card.locator("h3").inner_text()
    camera = card.locator("input[type=file]")
    assert camera.get_attribute("capture") == "environment"
    camera.set_input_files(picture)
    if not script:
        card.get_by_role("button", name="Keep the photo").tap()
    page.locator("#e5 img").wait_for(state="attached")
    kept = shop.desk.store.events(case_id)[-1].body
    assert (kept.kind, kept.about) == ("attached", name)
