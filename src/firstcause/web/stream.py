"""News of a case as they happen: one stream for each open page (server-sent events), and none waited for."""

from __future__ import annotations

import asyncio
import json
from collections import defaultdict
from collections.abc import AsyncIterator, Callable
from typing import Any

from fastapi import APIRouter, Query, Request
from starlette.responses import Response, StreamingResponse

from firstcause.casebook.events import Event
from firstcause.casebook.store import Recorded
from firstcause.casebook.words import say
from firstcause.errors import FirstcauseError
from firstcause.web.pages import TheDesk

BEAT_S = 2.5  # a page that hears nothing for longer knows that the line is down
LOOK_S = 0.5  # how often to look for what another program wrote into the same casebook
MOST_WAITING = 200  # news that one page may be behind; more, and it is told to look again


def message(event: str, data: Any) -> bytes:
    """One server-sent event. Source: HTML Living Standard, 9.2.5 (event streams)."""
    return f"event: {event}\ndata: {json.dumps(data, separators=(',', ':'))}\n\n".encode()


class Listener:
    """One open page. News wait their turn; of `frames`, only the newest of each kind waits for a slow page."""

    def __init__(self) -> None:
        self._news: list[bytes] = []
        self._frames: dict[str, bytes] = {}
        self._wake = asyncio.Event()
        self.sent_frames = self.dropped_frames = 0
        self.ended = False

    def put(self, words: bytes, frame: str | None = None) -> None:
        if frame is not None:
            self.dropped_frames += frame in self._frames
            self._frames[frame] = words
        elif len(self._news) < MOST_WAITING:
            self._news.append(words)
        self._wake.set()

    def end(self) -> None:
        self.ended = True
        self._wake.set()

    async def take(self, within_s: float) -> list[bytes]:
        """What waits, or nothing when nothing came in time."""
        try:
            await asyncio.wait_for(self._wake.wait(), within_s)
        except TimeoutError:
            return []
        self._wake.clear()
        taken = [*self._news, *self._frames.values()]
        self.sent_frames += len(self._frames)
        self._news, self._frames = [], {}
        return taken


class Streams:
    """All open pages by their case. `head_of` looks up a case's head, for what other programs write."""

    def __init__(self, head_of: Callable[[str], str]) -> None:
        self._head_of = head_of
        self._listeners: dict[str, set[Listener]] = defaultdict(set)
        self._heads: dict[str, str] = {}
        self._loop: asyncio.AbstractEventLoop | None = None
        self._watching: asyncio.Task[None] | None = None
        self._ended = False

    def publish(self, case_id: str, event: str, data: Any, *, frame: bool = False) -> None:
        """Tell every page of a case; from any thread. A `frame` may be overtaken by the next of its kind."""
        loop = self._loop
        if loop is None or not self._listeners.get(case_id):
            return
        words = message(event, data)
        if not loop.is_closed():
            loop.call_soon_threadsafe(self._put, case_id, words, event if frame else None, data)

    def _put(self, case_id: str, words: bytes, frame: str | None, data: Any) -> None:
        if frame is None and isinstance(data, dict) and "head" in data:
            self._heads[case_id] = data["head"]
        for listener in self._listeners.get(case_id, ()):
            listener.put(words, frame)

    async def listen(self, case_id: str, first: Callable[[], bytes]) -> AsyncIterator[bytes]:
        """The stream of one page: `first`, looked up once it listens, then news as they come, a beat when none do."""
        self._loop = asyncio.get_running_loop()
        listener = Listener()
        self._listeners[case_id].add(listener)
        if self._watching is None or self._watching.done():
            self._watching = asyncio.create_task(self._watch())
        try:
            yield await asyncio.to_thread(first)
            while not self._ended and not listener.ended:
                taken = await listener.take(BEAT_S)
                yield b"".join(taken) if taken else b"event: beat\ndata: {}\n\n"
        finally:
            self._listeners[case_id].discard(listener)
            if not self._listeners[case_id]:
                del self._listeners[case_id]
                self._heads.pop(case_id, None)

    def listeners(self, case_id: str) -> tuple[Listener, ...]:
        """The open pages of a case."""
        return tuple(self._listeners.get(case_id, ()))

    def end(self) -> None:
        """Every stream ends, so that the server can stop at once."""
        self._ended = True
        for listeners in list(self._listeners.values()):
            for listener in listeners:
                listener.end()

    async def _watch(self) -> None:
        """Other programs write into the same file: look at the heads of the cases that somebody watches."""
        while self._listeners and not self._ended:
            for case_id in list(self._listeners):
                try:
                    head = await asyncio.to_thread(self._head_of, case_id)
                except FirstcauseError:
                    continue  # not readable just now: the next look will tell
                if self._heads.setdefault(case_id, head) != head:
                    self._heads[case_id] = head
                    self._put(case_id, message("news", {"head": head, "events": []}), None, None)
            await asyncio.sleep(LOOK_S)


router = APIRouter(include_in_schema=False)


@router.get("/beat")
def beat() -> Response:
    """Whether the casebook answers; nothing else."""
    return Response(status_code=204)


@router.get("/cases/{case_id}/stream")
async def stream(
    request: Request, case_id: str, desk: TheDesk, seen: str = Query(default="", max_length=64)
) -> Response:
    """News of one case: what was recorded since `seen`, then whatever is, and live data while a car is connected."""
    streams: Streams = request.app.state.streams
    await asyncio.to_thread(desk.store.head, case_id)  # refuses a case that is not there

    def first() -> bytes:
        head = desk.store.head(case_id)
        fresh = desk.store.since(case_id, seen) if seen not in ("", head) else ()
        knowledge = desk.knowledge_of(case_id)
        return message("news", {"head": head, "events": [event_words(event, knowledge) for event in fresh]})

    return StreamingResponse(
        streams.listen(case_id, first), media_type="text/event-stream", headers={"X-Accel-Buffering": "no"}
    )


def event_words(event: Event, knowledge: Any) -> dict[str, str]:
    """An event for the line of news: its id, who recorded it, and the sentence."""
    return {"id": event.id, "by": event.by, "words": say(event.body, knowledge)}


def tell(streams: Streams, desk: Any) -> Callable[[str, Recorded], None]:
    """The listener of the desk that tells every open page what was recorded."""

    def told(case_id: str, recorded: Recorded) -> None:
        knowledge = desk.knowledge_of(case_id)
        events = [event_words(event, knowledge) for event in recorded.events]
        streams.publish(case_id, "news", {"head": recorded.head, "before": recorded.before, "events": events})

    return told
