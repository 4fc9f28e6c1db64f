"""The case on one screen: safety, the line so far, suspects with why, and the best steps a swipe or a key apart."""

from __future__ import annotations

import re

import pytest
from tests.web.conftest import LAPTOP, PHONE

from firstcause.casebook.brief import MOST_WORDS, brief
from firstcause.casebook.events import Counted, Found, Moved, Noted, Snapshot, Told

pytestmark = pytest.mark.browser
IN_SIGHT = """() => {
  const deck = document.querySelector('.deck').getBoundingClientRect();
  return [...document.querySelectorAll('.deck > .card')]
    .filter((card) => card.getBoundingClientRect().left >= deck.left)
    .filter((card) => card.getBoundingClientRect().right <= deck.right + 1)
    .map((card) => card.querySelector('h3').textContent);
}"""


def brief_line(page) -> list[str]:
    return [words.inner_text() for words in page.locator(".thread .th-words").all()]


def test_the_line_so_far_is_the_story_with_the_newest_in_sight(visit, shop):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}")
    assert brief_line(page) == ["cylinder 3: 180, 1 more", "P0303", "lamp flashing", "taken in"]
    newest = page.locator(".thread li").first.bounding_box()
    assert newest["x"] > 0
    assert newest["x"] + newest["width"] <= PHONE["width"]


def test_safety_stands_above_everything_and_says_what_to_do_at_once(visit, shop):
    page = visit(f"/cases/{shop.misfiring()}")
    box = page.locator(".safety").bounding_box()
    assert box["y"] < page.locator(".thread").bounding_box()["y"] < page.locator(".deck").bounding_box()["y"]
    assert page.get_by_text("Say to the owner:").first.is_visible()
    assert not page.locator(".safety [aria-hidden=true]").inner_text().isspace()  # a sign beside the colour


def test_the_next_steps_are_a_key_apart_and_the_card_in_sight_is_the_one_that_records(visit, shop):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}")
    names = page.locator(".deck h3").all_text_contents()
    assert page.evaluate(IN_SIGHT) == names[:1]
    page.locator(".deck").focus()
    page.keyboard.press("ArrowRight")
    page.locator(".deck-nav a[aria-current]", has_text="2").wait_for()
    page.wait_for_timeout(400)
    assert page.evaluate(IN_SIGHT) == names[1:2]
    assert page.locator(".card[inert]").count() == len(names) - 1

    card = page.locator("#step-2")
    button = card.locator("button.tap").first
    button.click()
    page.locator("#e5").wait_for(state="attached")
    body = shop.desk.store.events(case_id)[-1].body
    assert isinstance(body, Found | Moved | Counted)


@pytest.mark.parametrize("script", [True, False], ids=["script", "no-script"])
def test_a_number_brings_its_card_with_and_without_script(visit, shop, script):
    page = visit(f"/cases/{shop.misfiring()}", java_script_enabled=script)
    names = page.locator(".deck h3").all_text_contents()
    page.locator(".deck-nav a").nth(3).click()
    page.wait_for_timeout(900)
    assert page.evaluate(IN_SIGHT) == names[3:4]


def test_each_card_says_what_why_minutes_tools_cautions_and_what_each_outcome_means(visit, shop):
    page = visit(f"/cases/{shop.misfiring()}", LAPTOP)
    card = page.locator("#step-1")
    words = card.inner_text()
    for told in ("Why now:", "min", "Tools:", "To a proven repair", "The maker's service information"):
        assert told in words
    assert card.locator(".warn").count() >= 1
    outcomes = card.locator(".fan > li")
    assert outcomes.count() >= 2
    assert all(re.search(r"→ .+\d %", outcome.inner_text(), re.DOTALL) for outcome in outcomes.all())


def test_why_a_suspect_is_one_is_a_picture_with_the_same_in_words(visit, shop):
    page = visit(f"/cases/{shop.misfiring()}")
    first = page.locator(".suspects.first .strip").first
    assert first.get_by_text("e4", exact=True).count() == 1
    assert "for it" in first.locator("desc").text_content()
    assert first.locator("rect.w-for").count() == 2  # the code and the counts


def test_brief_words_are_short_and_say_the_finding(knowledge):
    assert brief(Told(lamp="on", fuel_smell=True), knowledge) == "lamp on, smell of fuel"
    assert brief(Snapshot(), knowledge) == "no code"
    assert brief(Counted(minutes={"idle": 1.0}, misfires={1: 0}), knowledge) == "no misfire"
    assert brief(Moved(part="coil", first=3, second=2), knowledge) == "coil 3 ↔ 2"
    assert brief(Found(test="leak-down", place="cylinder 3", value=41, unit="%"), knowledge).endswith(": 41 %")
    assert len(brief(Noted(words="x" * 200), knowledge)) <= MOST_WORDS


def test_a_cylinder_is_tapped_and_what_concerns_it_is_done_there(visit, shop):
    case_id = shop.misfiring()
    page = visit(f"/cases/{case_id}")
    page.locator("svg.engine a").nth(2).click()
    page.wait_for_url(f"**/cases/{case_id}/cylinder/3")
    assert "Fires 2nd of 1-3-4-2. Beside 2, 4:" in page.locator("main").inner_text()
    assert page.locator("svg.engine .e-focus").count() == 1
    page.get_by_role("link", name="Swap: coil 3").click()
    assert page.get_by_label("Part").input_value() == "coil"
    assert page.get_by_label("From cylinder").input_value() == "3"
    page.get_by_label("with cylinder").select_option("1")
    page.get_by_role("button", name="Record the swap").click()
    page.wait_for_url(f"**/cases/{case_id}/parts")
    assert shop.desk.store.events(case_id)[-1].body == Moved(part="coil", first=3, second=1)
