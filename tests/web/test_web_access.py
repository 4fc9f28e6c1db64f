"""For everybody: axe finds nothing serious on any screen in any mode; every target is big; keys alone suffice."""

from __future__ import annotations

import pytest
from tests.web.conftest import LAPTOP, PHONE
from tests.web.screens import MODES, addresses, full_case

pytestmark = pytest.mark.browser
axe = pytest.importorskip("axe_playwright_python.sync_playwright")
SMALL_TARGETS = """() => [...document.querySelectorAll('a, button, input, select, summary, textarea')]
  .filter(e => e.checkVisibility() && !e.closest('svg, td, p.e-words') && !e.matches('.skip, [type=hidden]'))
  .map(e => [e.closest('label') && e.matches('[type=radio], [type=checkbox]') ? e.closest('label') : e, e])
  .map(([box, e]) => [box.getBoundingClientRect(), e])
  .filter(([box]) => box.height > 0 && (box.height < 44 || box.width < 44))
  .map(([box, e]) => `${e.outerHTML.slice(0, 80)}: ${Math.round(box.width)} x ${Math.round(box.height)}`)"""


# Every text that is shown, with its contrast to the nearest ground behind it (WCAG 2.2, relative luminance).
FAINT = r"""() => {
  const rgba = (colour) => colour.match(/[\d.]+/g).map(Number);
  const light = ([r, g, b]) => [r, g, b].map((v) => v / 255)
    .map((v) => (v <= 0.04045 ? v / 12.92 : ((v + 0.055) / 1.055) ** 2.4))
    .reduce((sum, v, i) => sum + v * [0.2126, 0.7152, 0.0722][i], 0);
  const ground = (e) => {
    for (; e; e = e.parentElement) {
      const found = rgba(getComputedStyle(e).backgroundColor);
      if (found.length === 3 || found[3] === 1) return found;
    }
    return [255, 255, 255];
  };
  const faint = [];
  const texts = document.createTreeWalker(document.body, NodeFilter.SHOW_TEXT);
  while (texts.nextNode()) {
    const e = texts.currentNode.parentElement;
    if (!texts.currentNode.textContent.trim() || !e.checkVisibility() || e.closest("svg, .skip, option")) continue;
    const [a, b] = [light(rgba(getComputedStyle(e).color)), light(ground(e))].sort((x, y) => y - x);
    const contrast = (a + 0.05) / (b + 0.05);
    if (contrast < 7) faint.push(`${texts.currentNode.textContent.trim().slice(0, 40)}: ${contrast.toFixed(1)}`);
  }
  return [...new Set(faint)];
}"""
OPEN_ALL = "document.querySelectorAll('details').forEach((each) => { each.open = true; })"


def serious(page) -> list[str]:
    """What axe-core (4.x, as the test library ships it) calls serious or critical, one line each.

    Not inside frames: the papers stand in sandboxed ones, to which no script may speak.
    """
    found = axe.Axe().run(page, options={"resultTypes": ["violations"], "iframes": False}).response["violations"]
    return [
        f"{each['id']} ({each['impact']}): {each['help']}: {node['html'][:140]}"
        for each in found
        if each["impact"] in ("serious", "critical")
        for node in each["nodes"][:3]
    ]


@pytest.mark.parametrize("mode", MODES)
def test_axe_finds_nothing_serious_and_every_target_is_big_on_every_screen(visit, shop, mode):
    """44 px: WCAG 2.2, 2.5.5; contrast 7: WCAG 2.2, 1.4.6. Nothing is wider than the screen in any mode."""
    case_id = full_case(shop)
    page = visit("/", PHONE if mode != "dark" else LAPTOP)
    page.context.add_cookies([{"name": "looks", "value": MODES[mode], "url": shop.base}])
    complaints = []
    for address in addresses(case_id):
        page.goto(shop.base + address)
        page.evaluate(OPEN_ALL)
        wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
        told = [*serious(page), *page.evaluate(SMALL_TARGETS), *page.evaluate(FAINT)]
        complaints += [f"{address}: {words}" for words in [*told, *([f"{wide} px too wide"] if wide > 0 else [])]]
    assert "\n".join(complaints) == ""


def test_a_whole_step_is_taken_by_keys_alone(visit, shop):
    """From the list of cars to a recorded outcome: Tab, arrows, Enter and nothing else, with the focus to be seen."""
    case_id = shop.misfiring()
    page = visit("/", LAPTOP)

    def tab_to(selector: str, most: int = 80) -> None:
        for _ in range(most):
            page.keyboard.press("Tab")
            if page.evaluate("(wanted) => document.activeElement.matches(wanted)", selector):
                return
        raise AssertionError(f"Tab never reached {selector}")

    tab_to("a.car")
    assert page.evaluate("getComputedStyle(document.activeElement).outlineStyle") == "solid"
    page.keyboard.press("Enter")
    page.wait_for_url(f"**/cases/{case_id}")
    tab_to(".deck")
    page.keyboard.press("ArrowRight")
    page.locator(".deck-nav a[aria-current]", has_text="2").wait_for()
    page.keyboard.press("ArrowLeft")
    page.locator(".deck-nav a[aria-current]", has_text="1").wait_for()
    tab_to("#step-1 button.tap")
    page.keyboard.press("Enter")
    page.locator("#e5").wait_for(state="attached")
    assert shop.desk.store.events(case_id)[-1].body.kind in ("found", "moved", "counted")


def test_who_asks_for_stillness_gets_it(visit, shop):
    """prefers-reduced-motion (Media Queries 5): the deck jumps instead of gliding, and nothing else moves."""
    page = visit(f"/cases/{shop.misfiring()}", PHONE, reduced_motion="reduce")
    page.locator(".deck-nav a").nth(2).click()
    page.locator(".deck-nav a[aria-current]", has_text="3").wait_for(timeout=500)
    moving = page.evaluate(
        """() => [...document.querySelectorAll('*')].map(getComputedStyle)
        .filter((style) => parseFloat(style.animationDuration) + parseFloat(style.transitionDuration) > 0).length"""
    )
    assert moving == 0


def test_no_sign_is_given_by_colour_alone(visit, shop):
    """In a page without colours each state still has its own sign in words or shape (WCAG 2.2, 1.4.1)."""
    case_id = full_case(shop)
    page = visit(f"/cases/{case_id}")
    assert page.locator(".safety h2").inner_text()[0] in "✖▲◆?"
    for kind, word in (("danger", "Danger"), ("care", "Care")):
        for box in page.locator(f".warn.c-{kind}").all():
            assert word in box.text_content()
    moved, home = page.locator("svg.engine .e-moved").first, page.locator("svg.engine .e-home").first
    assert moved.evaluate("(e) => getComputedStyle(e).fill") != home.evaluate("(e) => getComputedStyle(e).fill")
    assert page.locator("svg.engine .e-label-moved").first.text_content() == "coil ← 3"
    page.goto(f"{shop.base}/cases/{case_id}/closing")
    assert "Refused while this stands:" in page.locator(".barred").first.inner_text()
