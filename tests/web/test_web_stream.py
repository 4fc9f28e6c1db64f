"""The stream of one page: news within a second, from this program and from others, and a stop that waits for nobody."""

from __future__ import annotations

import asyncio
import json
import threading
import time
from collections.abc import Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import contextmanager
from datetime import UTC, datetime

import httpx

from firstcause.casebook.events import Noted
from firstcause.casebook.store import CaseStore
from firstcause.web.stream import Listener, message


class Ear:
    """Listens to one case in a thread; `heard` holds (seconds, event, data)."""

    def __init__(self, base: str, case_id: str, seen: str = "") -> None:
        self.heard: list[tuple[float, str, dict[str, object]]] = []
        self._address = f"{base}/cases/{case_id}/stream?seen={seen}"
        self.thread = threading.Thread(target=self._listen, daemon=True)
        self.thread.start()

    def _listen(self) -> None:
        event = ""
        with httpx.stream("GET", self._address, timeout=30) as answer:
            assert answer.headers["content-type"].startswith("text/event-stream")
            for words in answer.iter_lines():
                if words.startswith("event: "):
                    event = words[7:]
                elif words.startswith("data: "):
                    self.heard.append((time.monotonic(), event, json.loads(words[6:])))

    def wait_for(self, head: str, within_s: float) -> float:
        """When the news of this head was heard."""
        until = time.monotonic() + within_s
        while time.monotonic() < until:
            for at, event, data in self.heard:
                if event == "news" and data["head"] == head:
                    return at
            time.sleep(0.005)
        raise AssertionError(f"not heard in {within_s} s: {self.heard}")


@contextmanager
def another_program(shop) -> Iterator[CaseStore]:
    with CaseStore(shop.desk.store.path, clock=lambda: datetime.now(UTC)) as store:
        yield store


def test_each_page_of_a_case_hears_within_a_second_what_was_recorded_and_other_cases_do_not(shop):
    case_id, other = shop.take_in(), shop.take_in()
    head = shop.desk.store.head(case_id)
    ears, far = [Ear(shop.base, case_id) for _ in range(3)], Ear(shop.base, other)
    for ear in ears:
        ear.wait_for(head, 5)

    began = time.monotonic()
    shop.post(f"/cases/{case_id}/record", kind="noted", words="Plug wet.")
    now = shop.desk.store.head(case_id)

    assert max(ear.wait_for(now, 5) for ear in ears) - began < 1
    assert ears[0].heard[-1][2]["events"] == [{"id": "e2", "by": "", "words": "Note: Plug wet."}]
    assert [event for _, event, data in far.heard if event == "news" and data["head"] == now] == []


def test_what_another_program_writes_is_heard_within_a_second(shop):
    case_id = shop.take_in()
    ear = Ear(shop.base, case_id)
    ear.wait_for(shop.desk.store.head(case_id), 5)
    time.sleep(0.6)  # the first look at the head of this case
    with another_program(shop) as store:
        store.append(case_id, Noted(words="From the command line."), "Bo")
        began = time.monotonic()
        assert ear.wait_for(store.head(case_id), 5) - began < 1


def test_who_comes_late_hears_what_was_missed(shop):
    case_id = shop.take_in()
    seen = shop.desk.store.head(case_id)
    shop.desk.record(case_id, Noted(words="Plug wet."), "Bo")
    ear = Ear(shop.base, case_id, seen)
    ear.wait_for(shop.desk.store.head(case_id), 5)
    assert [(event["id"], event["by"]) for event in ear.heard[0][2]["events"]] == [("e2", "Bo")]


def test_a_case_that_is_not_there_has_no_stream(shop):
    assert shop.client.get("/cases/c-9999/stream").status_code == 404


def test_a_slow_page_gets_all_news_and_the_newest_frame_only():
    """Ours, see decisions/0032: news are never dropped, a frame that was overtaken is, and is counted."""

    async def play() -> Listener:
        listener = Listener()
        for n in range(5):
            listener.put(message("live", n), "live")
            listener.put(message("news", n))
        taken = await listener.take(1)
        assert taken == [*(message("news", n) for n in range(5)), message("live", 4)]
        assert await listener.take(0.01) == []
        return listener

    with ThreadPoolExecutor(1) as elsewhere:  # a browser's loop runs in the thread of the tests
        listener = elsewhere.submit(asyncio.run, play()).result()
    assert (listener.sent_frames, listener.dropped_frames) == (1, 4)
