"""Frames of one control unit put together to whole answers; what breaks on the way is a typed event.

The work is done by can-isotp's state machine, driven frame by frame and without its threads: it serves one address
pair and only tells an error handler when a transfer breaks; here each unit has its own machine, and every fault comes
out as a value.
"""

from __future__ import annotations

import logging
from collections import deque
from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import isotp
from isotp.errors import (
    ConsecutiveFrameTimeoutError,
    FrameTooLongError,
    InvalidCanDataError,
    ReceptionInterruptedWithFirstFrameError,
    ReceptionInterruptedWithSingleFrameError,
    UnexpectedConsecutiveFrameError,
    WrongSequenceNumberError,
)

from firstcause.link.addressing import Unit

Fault = Literal[
    "wrong-sequence",
    "frame-lost",
    "overlong",
    "unexpected",
    "interrupted",
    "unreadable",
    "other-question",
    "repeated",
    "pending-too-long",
]

_FAULTS: dict[type[Exception], Fault] = {
    WrongSequenceNumberError: "wrong-sequence",
    ConsecutiveFrameTimeoutError: "frame-lost",
    FrameTooLongError: "overlong",
    UnexpectedConsecutiveFrameError: "unexpected",
    ReceptionInterruptedWithSingleFrameError: "interrupted",
    ReceptionInterruptedWithFirstFrameError: "interrupted",
    InvalidCanDataError: "unreadable",
}
_WORDS: dict[Fault, str] = {
    "wrong-sequence": "sent the parts of its answer out of order",
    "frame-lost": "broke off in the middle of its answer",
    "overlong": "announced an answer longer than the rules allow",
    "unexpected": "sent a part that belongs to no answer",
    "interrupted": "began a new answer before the old one was complete",
    "unreadable": "sent a frame that makes no sense",
    "other-question": "answered a question that was not asked",
    "repeated": "answered twice",
    "pending-too-long": "kept saying that its answer is coming, and it did not come",
}
ANSWER_IN_HAND: frozenset[Fault] = frozenset(("interrupted", "unexpected", "other-question", "repeated"))
MAX_ANSWER_BYTES = 4095
_SHORTEST_LONG_ANSWER = 8
_FIRST_DATA, _NEXT_DATA = 6, 7  # bytes of the answer in a first and in a further frame; both are eight bytes long
_LOG = "firstcause.link"


@dataclass(frozen=True, slots=True)
class Received:
    """One whole answer, from the service byte on."""

    unit: Unit
    payload: bytes


@dataclass(frozen=True, slots=True)
class Broken:
    """Something from one unit that is no whole answer; answers of the other units are untouched by it."""

    unit: Unit
    fault: Fault

    def __str__(self) -> str:
        kept = "What it had answered whole is kept" if self.fault in ANSWER_IN_HAND else "None of that answer was kept"
        return (
            f"Control unit {self.unit} {_WORDS[self.fault]}. {kept}. "
            "Ask again; if it repeats, check the plug and the battery voltage."
        )


Event = Received | Broken


class Reassembler:
    """Puts together the frames of one unit. `send_flow_control` gets the identifier and the eight bytes to send."""

    def __init__(self, unit: Unit, send_flow_control: Callable[[int, bytes], None], lost_after_ms: int) -> None:
        self.unit = unit
        self._frames: deque[isotp.CanMessage] = deque()
        self._events: list[Event] = []
        self._left = 0
        mode = isotp.AddressingMode.Normal_29bits if unit.width == 29 else isotp.AddressingMode.Normal_11bits
        log = logging.getLogger(_LOG)
        if not log.handlers:
            log.addHandler(logging.NullHandler())  # can-isotp also logs what it tells; here the event is enough
        self._machine = isotp.TransportLayerLogic(
            rxfn=lambda _timeout: self._frames.popleft() if self._frames else None,
            txfn=lambda message: send_flow_control(message.arbitration_id, bytes(message.data)),
            address=isotp.Address(mode, rxid=unit.response_id, txid=unit.request_id),
            error_handler=lambda error: self._events.append(Broken(unit, _FAULTS.get(type(error), "unreadable"))),
            params={
                "blocksize": 0,
                "stmin": 0,
                "tx_padding": 0,
                "rx_consecutive_frame_timeout": lost_after_ms,
                "max_frame_size": MAX_ANSWER_BYTES,
                "logger_name": _LOG,
            },
        )

    @property
    def is_busy(self) -> bool:
        """True between the first and the last part of a long answer."""
        return self._machine.is_rx_active()

    def forget(self) -> None:
        """Drop what was begun: the next frame belongs to another question."""
        if self.is_busy or self._machine.available():
            self._machine.reset()
        self._events.clear()

    def feed(self, data: bytes) -> list[Event]:
        """Take the data of one frame of this unit; returns what has become whole or broken."""
        kind = data[0] >> 4 if data else -1
        if kind == 3:
            return []  # nothing long is ever sent to the car, so flow control from it means nothing
        if kind == 0 and not data[0] & 0x0F:
            return [Broken(self.unit, "unreadable")]  # a length in the second byte is for frames of more than eight
        if kind == 1:
            length = _announced(data)
            if length < _SHORTEST_LONG_ANSWER:
                return [Broken(self.unit, "unreadable")]
            self._left = length - _FIRST_DATA
        elif kind == 2 and self.is_busy:
            # The library would go on after a part cut short, and fill the answer up with padding.
            if len(data) - 1 < min(_NEXT_DATA, self._left):
                self._machine.reset()
                return [Broken(self.unit, "unreadable")]
            self._left -= _NEXT_DATA
        self._frames.append(isotp.CanMessage(self.unit.response_id, len(data), data, extended_id=self.unit.width == 29))
        return self.poll()

    def poll(self) -> list[Event]:
        """Look at the time only: a long answer whose next part is overdue comes out as broken."""
        self._machine.process()
        events, self._events = self._events, []
        while (payload := self._machine.recv()) is not None:
            events.append(Received(self.unit, bytes(payload)))
        return events


def _announced(data: bytes) -> int:
    """Length in a first frame; 0 when it is cut short, or gives a length by the long form that fits the short one.

    Source: ISO 15765-2 (from memory): twelve bits; if these are 0, 32 bits for more than 4095 bytes.
    """
    if len(data) < 8:
        return 0
    length = (data[0] & 0x0F) << 8 | data[1]
    if length:
        return length
    wide = int.from_bytes(data[2:6], "big")
    return wide if wide > MAX_ANSWER_BYTES else 0
