"""The page open to the garage's network: only devices let in with the code see or write anything.

A device of the network is played by a client that comes from 127.0.0.2, which is not the server's own 127.0.0.1.
"""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta

import httpx
import pytest
from click.testing import CliRunner
from tests.web.conftest import PHONE

from firstcause.cli.main import main
from firstcause.web import doorway
from firstcause.web.app import create_app
from firstcause.web.guard import LOOPBACK
from firstcause.web.pairing import (
    LETTERS,
    WRONG_IN_A_ROW,
    DevicesUnreadable,
    Pairing,
    TooManyTries,
    WrongCode,
    devices_path,
    in_two,
)
from firstcause.web.serving import Server

NOON = datetime(2026, 3, 2, 12, 0, tzinfo=UTC)


class Clock:
    """A clock that stands until it is set on."""

    def __init__(self) -> None:
        self.now = NOON

    def __call__(self) -> datetime:
        return self.now


@pytest.fixture
def pairing(tmp_path) -> Pairing:
    found = Pairing(devices_path(tmp_path / "casebook.db"), Clock())
    found.address = "http://garage.test:8321"
    return found


@pytest.fixture
def garage(tmp_path, packs, pairing) -> Iterator[str]:
    """The address of a page that is open to the network."""
    app = create_app(
        tmp_path / "casebook.db", clock=lambda: datetime.now(UTC), packs=packs, hosts=LOOPBACK, pairing=pairing
    )
    listening = socket.socket()
    listening.bind(("127.0.0.1", 0))
    server = Server(app)
    thread = threading.Thread(target=server.run, kwargs={"sockets": [listening]}, daemon=True)
    thread.start()
    until = time.monotonic() + 60
    while not server.started and time.monotonic() < until:
        time.sleep(0.01)
    assert server.started
    yield f"http://127.0.0.1:{listening.getsockname()[1]}"
    server.should_exit = True
    thread.join(timeout=60)
    listening.close()
    assert not thread.is_alive()


@pytest.fixture
def phone(garage) -> Iterator[httpx.Client]:
    with httpx.Client(base_url=garage, timeout=60, transport=httpx.HTTPTransport(local_address="127.0.0.2")) as client:
        yield client


def test_a_device_that_was_not_let_in_sees_and_writes_nothing(phone, garage):
    with httpx.Client(base_url=garage, timeout=60) as at_the_server:
        car = {"make": "Velmora", "model": "Tessin", "shape": "I4", "pack": "misfire", "distance_km": "1000"}
        case = at_the_server.post("/cases", data=car).headers["location"]
        for address in ("/", "/new", case, "/settings", "/devices/code.svg", "/knowledge", f"{case}/papers/owner.pdf"):
            answer = phone.get(address)
            assert (answer.status_code, answer.headers["location"]) == (303, "/pair"), address
        for address in ("/cases", f"{case}/record", "/settings", "/devices/send-away", "/display"):
            answer = phone.post(address, data={**car, "kind": "noted", "words": "hm"})
            assert answer.status_code == 401, address
        assert phone.get("/api/cases").status_code == 401
        assert phone.get("/api/openapi.json").status_code == 401
        assert phone.get("/static/../settings").status_code != 200
        assert "Tessin" not in phone.get("/pair").text
        assert len(at_the_server.get(case.replace("/cases", "/api/cases")).json()["events"]) == 1


def test_the_code_lets_a_device_in_until_it_is_sent_away(phone, garage, pairing):
    answer = phone.post("/pair", data={"code": in_two(pairing.code).lower(), "name": "Ada's phone"})
    cookie = answer.headers["set-cookie"].lower()
    assert answer.headers["location"] == "/"
    assert "httponly" in cookie
    assert "samesite=strict" in cookie
    assert phone.get("/").status_code == 200
    assert "Ada&#39;s phone" in phone.get("/settings").text
    assert phone.get("/devices/code.svg").headers["content-type"].startswith("image/svg")

    other = Pairing(devices_path(pairing._path.with_name("casebook.db")), Clock())
    assert [device.name for device in other.devices] == ["Ada's phone"]  # kept over a restart

    phone.post("/devices/send-away", data={"device": pairing.devices[0].id})
    assert phone.get("/").headers["location"] == "/pair"


def test_another_site_cannot_use_the_session_of_a_device(phone, pairing):
    phone.post("/pair", data={"code": pairing.code})
    for headers in ({"Sec-Fetch-Site": "cross-site"}, {"Origin": "http://elsewhere.test"}):
        assert phone.post("/display", data={"light": "sun"}, headers=headers).status_code == 403
    assert phone.get("/", headers={"Host": "elsewhere.test"}).status_code == 421


@pytest.mark.parametrize("cookie", ["device=", "device=x", 'device="', ";;=;", "device=" + "a" * 4000])
def test_a_made_up_session_opens_nothing(phone, pairing, cookie):
    pairing.let_in(pairing.code, "another")
    assert phone.get("/", headers={"Cookie": cookie}).headers["location"] == "/pair"


def test_guessing_is_stopped_and_the_code_changes(pairing):
    first = pairing.code
    for _ in range(WRONG_IN_A_ROW - 1):
        with pytest.raises(WrongCode):
            pairing.let_in("AAAA AAAA" if first != "AAAAAAAA" else "BBBB BBBB", "")
    with pytest.raises(TooManyTries):
        pairing.let_in("", "")
    assert pairing.code != first
    with pytest.raises(TooManyTries):  # even the right one waits
        pairing.let_in(pairing.code, "")
    pairing._clock.now += timedelta(minutes=1)
    assert pairing.let_in(pairing.code, "")
    assert set(pairing.code) <= set(LETTERS)


def test_what_is_kept_lets_nobody_in(pairing):
    secret = pairing.let_in(pairing.code, "Ada")
    kept = pairing._path.read_text("utf-8")
    assert secret not in kept
    assert pairing.code not in kept
    assert pairing._path.stat().st_mode & 0o077 == 0
    pairing._path.write_text("{", "utf-8")
    with pytest.raises(DevicesUnreadable, match="pair each device anew"):
        Pairing(pairing._path, Clock())


def served(monkeypatch, tmp_path, *words: str) -> tuple[str, list[dict[str, object]]]:
    """What the command says and would start."""
    started: list[dict[str, object]] = []

    class NoServer:
        def __init__(self, app, **settings):
            started.append({"app": app, **settings})

        def run(self) -> None:
            return None

    monkeypatch.setattr("firstcause.web.serving.Server", NoServer)
    result = CliRunner().invoke(main, ["serve", "--casebook", str(tmp_path / "book.db"), *words])
    return result.output, started


def test_the_network_is_a_deliberate_act(monkeypatch, tmp_path):
    said, started = served(monkeypatch, tmp_path, "--host", "0.0.0.0")
    assert "--open-to-network" in said
    assert started == []

    said, started = served(monkeypatch, tmp_path)
    assert started[0]["host"] == "127.0.0.1"
    assert started[0]["app"].state.pairing is None

    said, started = served(monkeypatch, tmp_path, "--open-to-network", "--name", "garage.test")
    assert started[0]["host"] == "0.0.0.0"
    pairing = started[0]["app"].state.pairing
    assert in_two(pairing.code) in said
    assert "http://garage.test:8321/pair" in said
    assert "█" in said or "▀" in said  # the picture for a camera

    said, started = served(monkeypatch, tmp_path, "--tls-cert", __file__)
    assert "belong together" in said
    assert started == []


@pytest.mark.browser
def test_a_phone_is_paired_by_the_address_of_the_picture(browser, garage, pairing, monkeypatch):
    """The code behind the # is put into its field, and leaves the address bar."""
    monkeypatch.setattr(doorway, "AT_THE_SERVER", ())  # this browser's address is the server's own
    context = browser.new_context(viewport=PHONE)
    page = context.new_page()
    pairing.address = garage
    page.goto(f"{garage}/cases/c-0001")
    assert page.url == f"{garage}/pair"
    page.goto("about:blank")
    page.goto(doorway.pair_address(pairing))
    page.wait_for_function("document.querySelector('#pair-code').value !== ''")
    assert pairing.code not in page.url
    page.get_by_label("Your name").fill("Ada")
    page.get_by_role("button", name="Let this device in").click()
    page.wait_for_url(f"{garage}/")
    page.goto(f"{garage}/settings")
    assert page.get_by_text("let in").count() > 0
    context.close()
