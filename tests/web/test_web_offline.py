"""Working on without the network, and two devices on one case, in a real browser over plain http by a host name.

`http://garage.test` is no secure context, as a phone in the bay has it: no service worker, no randomUUID.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import httpx
import pytest
from tests.web.conftest import FLAGS, LAPTOP, PHONE

from firstcause.casebook.events import (
    Attached,
    Car,
    Counted,
    EngineDescription,
    FreezeFrame,
    Noted,
    Opened,
    Snapshot,
    Told,
)
from firstcause.web.app import create_app
from firstcause.web.guard import LOOPBACK
from firstcause.web.serving import Server

pytestmark = pytest.mark.browser


class Bay:
    """A casebook whose server can be stopped and started again on the same port."""

    def __init__(self, path: Path, packs) -> None:
        self.path, self.packs = path, packs
        with socket.socket() as free:
            free.bind(("127.0.0.1", 0))
            self.port = free.getsockname()[1]
        self.base = f"http://garage.test:{self.port}"
        self.start()

    def start(self) -> None:
        app = create_app(self.path, clock=lambda: datetime.now(UTC), packs=self.packs, hosts=(*LOOPBACK, "garage.test"))
        self.desk = app.state.desk
        self.server = Server(app, host="127.0.0.1", port=self.port)
        self.thread = threading.Thread(target=self.server.run, daemon=True)
        self.thread.start()
        until = time.monotonic() + 20
        while not self.server.started and time.monotonic() < until:
            time.sleep(0.01)
        assert self.server.started

    def stop(self) -> None:
        self.server.should_exit = True
        self.thread.join(timeout=60)
        assert not self.thread.is_alive()

    def take_in(self) -> str:
        car = Car(make="Velmora", model="Tessin", engine_code="VT20", distance_km=148_000,
                  engine=EngineDescription(shape="I4"))  # fmt: skip
        frame = FreezeFrame(code="P0303", rpm=720, load_percent=24, coolant_c=88, speed_kmh=0, run_time_s=640)
        return self.desk.open_case(
            [
                Opened(car=car),
                Told(words="Shakes at the lights.", lamp="flashing"),
                Snapshot(stored=("P0303",), freeze_frame=frame),
                Counted(minutes={"idle": 2.0}, rpm=720, misfires={1: 0, 2: 0, 3: 180, 4: 1}),
            ],
            "Ada",
            {},
        )

    def words(self, case_id: str) -> list[str]:
        """Notes and photos of the case, in the order of the story."""
        bodies = [event.body for event in self.desk.store.events(case_id)]
        kept = {Noted: lambda b: b.words, Attached: lambda b: f"photo {b.about}"}
        return [kept[type(b)](b) for b in bodies if type(b) in kept]


@pytest.fixture
def bay(tmp_path, packs) -> Iterator[Bay]:
    bay = Bay(tmp_path / "casebook.db", packs)
    yield bay
    bay.stop()


@pytest.fixture(scope="module")
def far_browser(driver) -> Iterator[object]:
    flags = [*FLAGS.split(), "--host-resolver-rules=MAP garage.test 127.0.0.1"]
    found = driver.chromium.launch(executable_path="/usr/bin/chromium", args=flags)
    yield found
    found.close()


@pytest.fixture
def device(far_browser, bay) -> Iterator[Callable]:
    contexts, troubles = [], []

    def opened(address: str, size=PHONE):
        context = far_browser.new_context(viewport=size)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(20_000)
        page.on("pageerror", lambda error: troubles.append(str(error)))
        page.goto(bay.base + address)
        return page

    yield opened
    for context in contexts:
        context.close()
    assert troubles == []


def all_kept(page) -> None:
    page.locator("html[data-kept]").wait_for(state="attached", timeout=60_000)


def note(page, words: str) -> None:
    page.get_by_label("Words").fill(words)
    page.get_by_role("button", name="Keep the note").click()
    page.locator(".kept").wait_for()


def settled(page) -> None:
    """Nothing waits on this device any more."""
    page.locator("#waiting").wait_for(state="hidden")


def until_recorded(page, bay: Bay, case_id: str, wanted: list[str], within_s: float = 15.0) -> None:
    until = time.monotonic() + within_s
    while bay.words(case_id) != wanted and time.monotonic() < until:
        page.wait_for_timeout(50)
    assert bay.words(case_id) == wanted


@pytest.mark.parametrize(("size", "how"), [(PHONE, "no network"), (LAPTOP, "server down")])
def test_entries_made_without_the_casebook_arrive_once_and_in_order(device, bay, tmp_path, how, size):
    case_id = bay.take_in()
    page = device(f"/cases/{case_id}", size)
    assert page.evaluate("[isSecureContext, 'serviceWorker' in navigator]") == [False, False]
    all_kept(page)
    picture = tmp_path / "plug.png"
    picture.write_bytes(page.screenshot(clip={"x": 0, "y": 0, "width": 40, "height": 30}))

    if how == "no network":
        page.context.set_offline(True)
    else:
        bay.stop()
    page.locator("#no-answer").wait_for()
    page.get_by_role("navigation", name="The case").get_by_role("link", name="Evidence").click()
    page.get_by_role("heading", name="Evidence", exact=True).wait_for()
    assert "P0303" in page.locator("main").inner_text()
    page.locator("#waiting").wait_for(state="hidden")
    page.get_by_text("Add one from this device").click()
    page.locator("form.box input[type=file]").set_input_files(picture)
    page.get_by_label("What it shows").fill("plug 3")
    page.locator("form.box").get_by_role("button", name="Keep the photo").click()
    page.locator("#waiting li").wait_for()
    page.get_by_role("navigation", name="The case").get_by_role("link", name="Case", exact=True).click()
    page.get_by_role("link", name="I did something else").click()
    page.locator("a[href*='kind=noted']").first.click()
    note(page, "first")
    note(page, "second")
    assert page.locator("#waiting li").count() == 3
    assert "waiting" in page.locator("#waiting").inner_text()
    page.screenshot(path=tmp_path / f"waiting-{size['width']}.png")
    if how == "server down":
        bay.start()
    assert bay.words(case_id) == []

    page.context.set_offline(False)
    until_recorded(page, bay, case_id, ["photo plug 3", "first", "second"])
    settled(page)
    time.sleep(1.0)
    assert bay.words(case_id) == ["photo plug 3", "first", "second"]


def test_an_answer_that_is_lost_on_its_way_doubles_nothing(device, bay):
    """The casebook has recorded, the phone has not heard so: it sends again, and is told what was recorded."""
    case_id = bay.take_in()
    page = device(f"/cases/{case_id}/record?kind=noted")
    lost = []

    def once(route):
        if lost:
            route.continue_()
            return
        sent = route.request
        headers = {name: sent.headers[name] for name in ("content-type", "accept")}
        there = f"http://127.0.0.1:{bay.port}/cases/{case_id}/record"
        answer = httpx.post(
            there, content=sent.post_data_buffer, headers={**headers, "Host": f"garage.test:{bay.port}"}
        )
        lost.append(answer.status_code)
        route.abort()

    page.route("**/record", once)
    page.get_by_label("Words").fill("Plug wet.")
    page.get_by_role("button", name="Keep the note").click()
    until_recorded(page, bay, case_id, ["Plug wet."])
    settled(page)
    assert lost == [200]
    assert bay.words(case_id) == ["Plug wet."]


def test_at_the_first_conflict_the_queue_stops_shows_it_and_loses_nothing(device, bay, tmp_path):
    case_id = bay.take_in()
    page = device(f"/cases/{case_id}/record?kind=noted")
    page.context.set_offline(True)
    page.locator("#no-answer").wait_for()
    note(page, "mine, first")
    note(page, "mine, second")
    bay.desk.record(case_id, Noted(words="theirs"), "Bo")
    page.context.set_offline(False)

    stopped = page.locator("#waiting li[data-state=conflict]")
    stopped.wait_for()
    assert "theirs" in stopped.inner_text()
    assert page.locator("#waiting li").count() == 2
    assert bay.words(case_id) == ["theirs"]
    page.screenshot(path=tmp_path / "conflict.png")

    page.reload()  # what waits outlives the page
    stopped.wait_for()
    stopped.get_by_role("button", name="It still holds: record it now").click()
    until_recorded(page, bay, case_id, ["theirs", "mine, first", "mine, second"])
    settled(page)


def test_what_no_longer_holds_is_thrown_away_and_the_rest_goes_on(device, bay):
    case_id = bay.take_in()
    page = device(f"/cases/{case_id}/record?kind=noted")
    page.context.set_offline(True)
    page.locator("#no-answer").wait_for()
    note(page, "mine")
    bay.desk.record(case_id, Noted(words="theirs"), "Bo")
    page.context.set_offline(False)
    page.locator("#waiting li[data-state=conflict]").wait_for()

    page.on("dialog", lambda dialog: dialog.accept())
    page.get_by_role("button", name="Throw it away").click()
    settled(page)
    assert bay.words(case_id) == ["theirs"]


def test_two_devices_on_one_case_see_each_other_within_a_second(device, bay, tmp_path):
    case_id = bay.take_in()
    phone, desk = device(f"/cases/{case_id}/record?kind=noted"), device(f"/cases/{case_id}", LAPTOP)
    desk.wait_for_timeout(800)
    phone.get_by_label("Words").fill("Plug 3 is wet.")
    assert desk.locator("#fresh").is_hidden()

    phone.get_by_role("button", name="Keep the note").click()
    began = time.monotonic()
    while not bay.words(case_id) and time.monotonic() - began < 5:
        time.sleep(0.005)
    recorded = time.monotonic()
    desk.locator("#fresh", has_text="Plug 3 is wet.").wait_for(timeout=5000)
    seen = time.monotonic()
    desk.screenshot(path=tmp_path / "news.png")

    assert seen - recorded < 1
    desk.get_by_role("link", name="Show it").click()
    desk.locator("#e5").wait_for()
    assert desk.locator("#fresh").is_hidden()
