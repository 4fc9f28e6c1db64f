"""A casebook of its own for each test, served as in the workshop: by uvicorn, over HTTP, on loopback."""

from __future__ import annotations

import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import httpx
import pytest

from firstcause.casebook.events import Body, Car, Counted, EngineDescription, FreezeFrame, Opened, Snapshot, Told
from firstcause.knowledge.base import Knowledge, load, pack_names
from firstcause.web.app import create_app
from firstcause.web.desk import Desk
from firstcause.web.serving import Server

PHONE, LAPTOP = {"width": 390, "height": 844}, {"width": 1280, "height": 800}
FLAGS = (
    "--headless --no-sandbox --disable-gpu --disable-quic --no-first-run --disable-background-networking"
    " --disable-component-update --disable-sync"
)
MORNING = datetime(2026, 3, 2, 8, 30, tzinfo=UTC)


class Shop:
    """The served page: `base` is its address, `client` speaks HTTP to it as a program that is no browser."""

    def __init__(self, base: str, desk: Desk) -> None:
        self.base, self.desk = base, desk
        self.client = httpx.Client(base_url=base, timeout=60.0)

    def take_in(self, *more: Body, shape: str = "I4", **engine: object) -> str:
        """A car with its lamp on; `more` is recorded after its opening."""
        car = Car(
            make="Velmora",
            model="Tessin",
            engine_code="VT20",
            distance_km=148_000,
            engine=EngineDescription(shape=shape, **engine),  # type: ignore[arg-type]
        )
        return self.desk.open_case([Opened(car=car), *more], "Ada", {})

    def misfiring(self) -> str:
        """A car that misses on cylinder 3: lamp, code with freeze frame, counts at idle."""
        frame = FreezeFrame(code="P0303", rpm=720, load_percent=24, coolant_c=88, speed_kmh=0, run_time_s=640)
        return self.take_in(
            Told(words="Shakes at the lights.", lamp="flashing"),
            Snapshot(stored=("P0303",), freeze_frame=frame),
            Counted(minutes={"idle": 2.0}, rpm=720, misfires={1: 0, 2: 0, 3: 180, 4: 1}),
        )

    def post(self, address: str, **fields: str) -> httpx.Response:
        """A form post, as a form without script sends it."""
        return self.client.post(address, data=fields)


@pytest.fixture(scope="session")
def knowledge() -> Knowledge:
    return load()


@pytest.fixture(scope="session")
def packs() -> dict[str, Knowledge]:
    return {name: load(name) for name in pack_names()}


@pytest.fixture
def shop(tmp_path: Path, knowledge: Knowledge, packs: dict[str, Knowledge]) -> Iterator[Shop]:
    minutes = iter(range(100_000))
    app = create_app(
        tmp_path / "casebook.db",
        clock=lambda: MORNING + timedelta(minutes=next(minutes)),
        packs={**packs, "misfire": knowledge},
    )
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    server = Server(app)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    until = time.monotonic() + 20
    while not server.started and time.monotonic() < until:
        time.sleep(0.01)
    assert server.started
    shop = Shop(f"http://127.0.0.1:{listening.getsockname()[1]}", app.state.desk)
    yield shop
    shop.client.close()
    server.should_exit = True
    thread.join(timeout=60)
    listening.close()
    assert not thread.is_alive()


@pytest.fixture(scope="session")
def driver() -> Iterator[Any]:
    """What starts browsers; one for all tests of a process, for a second one in the same thread is refused."""
    sync_api = pytest.importorskip("playwright.sync_api")
    with sync_api.sync_playwright() as playwright:
        yield playwright


@pytest.fixture(scope="session")
def browser(driver: Any) -> Iterator[object]:
    found = driver.chromium.launch(executable_path="/usr/bin/chromium", args=FLAGS.split())
    yield found
    found.close()


@pytest.fixture
def visit(browser, shop) -> Iterator[Callable]:
    """Open an address in a fresh context; at the end nothing may have gone wrong in it unseen."""
    contexts, troubles = [], []

    def opened(address: str, size: dict[str, int] = PHONE, **more: object):
        context = browser.new_context(viewport=size, **more)
        contexts.append(context)
        page = context.new_page()
        page.set_default_timeout(20_000)
        page.on("console", lambda told: troubles.append(told.text) if told.type in ("error", "warning") else None)
        page.on("pageerror", lambda error: troubles.append(str(error)))
        page.on("request", lambda sent: None if sent.url.startswith(shop.base) else troubles.append(sent.url))
        page.goto(shop.base + address)
        return page

    yield opened
    for context in contexts:
        context.close()
    # The browser's own note of an answer that the test asks for, or of a line that it cut.
    expected = re.compile(r"status of (409|422|413|415)|net::ERR_FAILED")
    assert [trouble for trouble in troubles if not expected.search(trouble)] == []
