"""ISO 15765-2 from the answering side, as a pure machine: frames in, frames out; no clock, no bus."""

from __future__ import annotations

from dataclasses import dataclass

PADDING = 0xAA
SINGLE_MOST, FIRST_DATA, NEXT_DATA, LONGEST = 7, 6, 7, 4095
CONTINUE, WAIT, OVERFLOW = 0, 1, 2


@dataclass(frozen=True)
class Outgoing:
    """One frame to send, this long after the one before it."""

    data: bytes
    gap_s: float = 0.0


def separation_s(code: int) -> float:
    """Gap between consecutive frames that a flow control asks for; reserved codes count as the longest, 127 ms.

    Source: ISO 15765-2 STmin (from memory): 00-7F ms, F1-F9 hundreds of microseconds.
    """
    if code <= 0x7F:
        return code / 1000
    return (code - 0xF0) / 10_000 if 0xF1 <= code <= 0xF9 else 0.127


def padded(data: bytes) -> bytes:
    """Eight bytes, as legislated OBD wants every frame."""
    return data + bytes((PADDING,)) * (8 - len(data))


def single_request(frame: bytes) -> bytes | None:
    """The request in a single frame, or None when the frame is something else or malformed."""
    if not frame or frame[0] >> 4 != 0:
        return None
    length = frame[0] & 0x0F
    return bytes(frame[1 : 1 + length]) if 1 <= length <= min(SINGLE_MOST, len(frame) - 1) else None


class AnswerSender:
    """Sends one answer at a time. A new answer drops the one that was under way.

    `wrong_sequence` makes the second consecutive frame carry a wrong number; `silent_after_first` sends nothing
    after the first frame: bad manners for tests of the other side.
    """

    def __init__(self, *, wrong_sequence: bool = False, silent_after_first: bool = False):
        self.wrong_sequence, self.silent_after_first = wrong_sequence, silent_after_first
        self._rest = b""
        self._number = 1

    def begin(self, payload: bytes) -> Outgoing:
        """The first frame of an answer: single when it fits, else a first frame that waits for flow control."""
        self._rest, self._number = b"", 1
        if len(payload) <= SINGLE_MOST:
            return Outgoing(padded(bytes((len(payload),)) + payload))
        if len(payload) > LONGEST:
            raise ValueError(f"an answer of {len(payload)} bytes does not fit ISO-TP's {LONGEST}")
        self._rest = b"" if self.silent_after_first else payload[FIRST_DATA:]
        return Outgoing(bytes((0x10 | len(payload) >> 8, len(payload) & 0xFF)) + payload[:FIRST_DATA])

    def flow_control(self, frame: bytes) -> list[Outgoing]:
        """What a flow control releases: a block of consecutive frames, or nothing. Unexpected ones are ignored."""
        if len(frame) < 3 or frame[0] >> 4 != 3 or not self._rest:
            return []
        status, block, gap_s = frame[0] & 0x0F, frame[1], separation_s(frame[2])
        if status == OVERFLOW:
            self._rest = b""
        if status != CONTINUE:
            return []
        released: list[Outgoing] = []
        while self._rest and (block == 0 or len(released) < block):
            number = (self._number + 3) % 16 if self.wrong_sequence and self._number == 2 else self._number
            released.append(Outgoing(padded(bytes((0x20 | number,)) + self._rest[:NEXT_DATA]), gap_s))
            self._rest = self._rest[NEXT_DATA:]
            self._number = (self._number + 1) % 16
        return released
