"""A recorded trace as a bus: what was asked then is answered the same now."""

from __future__ import annotations

import queue
from collections import defaultdict
from collections.abc import Iterable
from pathlib import Path
from typing import Any

import can

from firstcause.errors import LogError
from firstcause.link.addressing import ELEVEN_BIT, TWENTY_NINE_BIT
from firstcause.link.traffic import trace_frames

_FLOW_CONTROL = 3


class ReplayBus(can.BusABC):
    """A python-can bus that answers from recorded frames, in the order of the recording.

    A request gets the answers that the same request got next in the recording; after its last time it starts again from
    its first. A request that was never recorded is met with silence. Tester and car are told apart by identifier.
    """

    def __init__(self, frames: Iterable[can.Message]) -> None:
        super().__init__(channel="replay")
        self.channel_info = "replay of a recording"
        self._answers: dict[tuple[int, bytes], list[list[can.Message]]] = defaultdict(list)
        self._next: dict[tuple[int, bytes], int] = defaultdict(int)
        self._outgoing: queue.SimpleQueue[can.Message] = queue.SimpleQueue()
        self._index(frames)

    @classmethod
    def from_file(cls, path: Path) -> ReplayBus:
        """From a trace in one of the forms that python-can reads (.log .asc .blf .trc .csv).

        Raises LogError when the file is missing, unreadable or holds no request. A last line cut short by a crash is
        left out.
        """
        try:
            frames = list(trace_frames(path))
        except LogError as cause:
            raise LogError(f"{cause} Nothing was replayed.") from cause
        bus = cls(frames)
        if not bus._answers:
            bus.shutdown()
            raise LogError(
                f"The recording {path.name} holds no request to a car. Nothing was replayed; choose another."
            )
        return bus

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        """Take a request; its recorded answers can be received next."""
        key = _key(msg)
        known = self._answers.get(key)
        if known:
            turn = self._next[key]
            self._next[key] = (turn + 1) % len(known)
            for answer in known[turn]:
                self._outgoing.put(answer)

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        try:
            return self._outgoing.get(timeout=timeout), False
        except queue.Empty:
            return None, False

    def _index(self, frames: Iterable[can.Message]) -> None:
        answers: list[can.Message] | None = None
        for frame in frames:
            wide = TWENTY_NINE_BIT if frame.is_extended_id else ELEVEN_BIT
            if frame.is_error_frame or not frame.data:
                continue
            if wide.is_request_id(frame.arbitration_id):
                if frame.data[0] >> 4 != _FLOW_CONTROL:
                    answers = []
                    self._answers[_key(frame)].append(answers)
            elif answers is not None and wide.is_response_id(frame.arbitration_id):
                answers.append(_as_received(frame))


def _key(message: can.Message) -> tuple[int, bytes]:
    """Identifier and request bytes, without the padding that follows them."""
    length = message.data[0] if message.data else 0
    return message.arbitration_id, bytes(message.data[: 1 + length])


def _as_received(message: can.Message) -> can.Message:
    fields: dict[str, Any] = {"is_extended_id": message.is_extended_id, "data": message.data, "is_rx": True}
    return can.Message(timestamp=message.timestamp, arbitration_id=message.arbitration_id, **fields)
