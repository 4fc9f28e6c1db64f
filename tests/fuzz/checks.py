"""What must hold for any bytes at all, written apart from the code it checks; used by Hypothesis and by coverage.

Each check takes bytes and fails when the code crashes otherwise than with our own errors, or says something that the
bytes do not say: every answer is built back into bytes by the plain rules below, and must give what came.
"""

from __future__ import annotations

import logging
from collections.abc import Iterable, Iterator, Sequence
from types import SimpleNamespace

from firstcause.errors import CarError, RequestError
from firstcause.link.addressing import Unit
from firstcause.link.reassembly import Broken, Reassembler, Received
from firstcause.link.traffic import TrafficReport, values_said, what_was_said
from firstcause.link.uds import NewerCode, decode_newer_codes
from firstcause.signals import (
    PARAMETERS,
    Codes,
    CurrentData,
    FreezeFrame,
    InUseCounters,
    MonitorResults,
    Refused,
    SupportedIds,
    VehicleInfo,
    decode_answer,
)
from firstcause.signals.fields import Flags, ReadinessField

logging.getLogger("firstcause.link").setLevel(logging.CRITICAL)  # each broken frame is logged; here nearly all are
ENGINE = Unit(0x7E8, 11)
STATUSES = ("confirmed", "pending", "permanent")


# ---- signals -----------------------------------------------------------------------------------------------------


def check_answer(request: bytes, payload: bytes) -> bool:
    """Whether the answer was taken; fails when what was understood is not what the bytes say."""
    try:
        answer = decode_answer(request, payload)
    except (CarError, RequestError):
        return False
    match answer:
        case CurrentData() | FreezeFrame():
            assert built_from_readings(answer, payload[:1]) == payload
        case Codes():
            pairs = [payload[at : at + 2] for at in range(2, len(payload), 2)]
            assert payload[1] == len(pairs)
            assert [code.to_bytes() for code in answer.codes] == [pair for pair in pairs if pair != b"\0\0"]
        case SupportedIds():
            assert answer.ids == set(ids_set(request, payload))
        case MonitorResults():
            rows = b"".join(
                bytes((one.monitor, one.test, one.scale_id)) + b"".join(
                    number.to_bytes(2, "big") for number in (one.raw_value, one.raw_low, one.raw_high)
                )
                for one in answer.results
            )  # fmt: skip
            assert payload[:1] + rows == payload
            assert all(isinstance(one.value, float | int) for one in answer.results)
        case VehicleInfo():
            assert answer.raw == payload[3:]
            check_info(answer)
        case Refused():
            assert bytes((0x7F, answer.service, answer.reason_code)) == payload
        case _:
            assert payload == b"\x44"
    return True


def built_from_readings(answer: CurrentData | FreezeFrame, head: bytes) -> bytes:
    """The payload again: each parameter's number and the bytes that its readings say they came from."""
    built, last = head, None
    for reading in answer.readings:
        if reading.pid != last:
            built += bytes((reading.pid,)) + (bytes((answer.frame,)) if isinstance(answer, FreezeFrame) else b"")
            last = reading.pid
        built += reading.raw
        check_reading(reading)
    for pid, raw in answer.unknown:
        built += bytes((pid,)) + (bytes((answer.frame,)) if isinstance(answer, FreezeFrame) else b"") + raw
    return built


def check_reading(reading) -> None:
    field = next(field for field in PARAMETERS[reading.pid].fields if field.name == reading.name)
    if reading.value is None:
        assert reading.note, "no value, and no word why"
    elif isinstance(field, Flags):
        assert len(reading.value) == sum(reading.raw[0] >> bit & 1 for bit in range(len(field.words)))
    elif isinstance(field, ReadinessField):
        lamp_and_count = reading.value.lamp_on << 7 | reading.value.code_count
        assert lamp_and_count == reading.raw[0]
    else:
        assert field.encode(reading.value) == reading.raw


def ids_set(request: bytes, payload: bytes) -> Iterator[int]:
    """Bit by bit: identifier base + 1 is the first bit of the first of four bytes."""
    head = 2 if request[0] == 0x02 else 1
    for at in range(1, len(payload), head + 4):
        bits = "".join(f"{byte:08b}" for byte in payload[at + head : at + head + 4])
        yield from (payload[at] + 1 + place for place, bit in enumerate(bits) if bit == "1")


def check_info(answer: VehicleInfo) -> None:
    match answer.value:
        case None:
            assert answer.note
        case InUseCounters():
            assert answer.value.to_bytes() == answer.raw
        case _:
            texts = (answer.value,) if isinstance(answer.value, str) else answer.value
            spaced = answer.raw.replace(b"\0", b" ").decode("latin-1")
            for text in texts:
                assert text in spaced or text in answer.raw.hex().upper()


def check_newer(status: str, payload: bytes) -> bool:
    """Codes of the newer kind: each stands in the bytes, three bytes and its status."""
    try:
        found = decode_newer_codes(status, payload)
    except (CarError, RequestError):
        return False
    for code in found if isinstance(found, tuple) else ():
        assert isinstance(code, NewerCode)
        assert code.code.to_bytes() + bytes((code.failure_type, code.status)) in payload
    if isinstance(found, Refused):
        assert bytes((0x7F, found.service, found.reason_code)) == payload
    return True


# ---- transport ---------------------------------------------------------------------------------------------------


def put_together(frames: Iterable[bytes]) -> list[bytes]:
    """Whole answers in the frames of one unit: ISO 15765-2 in twenty plain lines, without time.

    What is too short for what it announces, comes out of order or belongs to nothing, gives nothing.
    """
    whole: list[bytes] = []
    due, got, number = 0, b"", 0
    for data in frames:
        kind, low = (data[0] >> 4, data[0] & 0x0F) if data else (-1, 0)
        if kind == 0 and 1 <= low <= 7 and len(data) > low:
            whole.append(data[1 : 1 + low])
            due = 0
        elif kind == 1 and len(data) >= 2:
            length = low << 8 | data[1]
            if length >= 8 and len(data) == 8:
                due, got, number = length, data[2:8], 1
        elif kind == 2 and due:
            if low != number or len(data) - 1 < min(7, due - len(got)):
                due = 0
                continue
            got, number = got + data[1 : 1 + due - len(got)], (number + 1) % 16
            if len(got) == due:
                whole.append(got)
                due = 0
    return whole


def check_frames(frames: Sequence[bytes]) -> list[bytes]:
    """Whole answers that our transport gives; fails when one is none, or one that is there was lost in good order."""
    flow: list[tuple[int, bytes]] = []
    machine = Reassembler(ENGINE, lambda identifier, data: flow.append((identifier, data)), 60_000)
    events = [event for frame in frames for event in machine.feed(frame)]
    assert all(isinstance(event, Received | Broken) for event in events)
    whole = [event.payload for event in events if isinstance(event, Received)]
    possible = put_together(frames)
    rest = iter(possible)
    assert all(any(payload == known for known in rest) for payload in whole), "an answer that no frames hold"
    if not any(isinstance(event, Broken) for event in events):
        assert whole == possible
    assert all(identifier == 0x7E0 and data[0] in (0x30, 0x32) for identifier, data in flow)
    assert len(flow) <= len(frames)
    return whole


def check_trace(frames: Sequence[tuple[int, bytes]]) -> int:
    """Values told from a trace of any frames (identifier, data); each answer must stand in frames of its unit."""
    report = TrafficReport()
    messages = [
        SimpleNamespace(
            is_extended_id=identifier > 0x7FF, data=data, is_error_frame=False, is_remote_frame=False,
            arbitration_id=identifier, timestamp=float(at),
        )
        for at, (identifier, data) in enumerate(frames)
    ]  # fmt: skip
    said = list(what_was_said(messages, report))
    for one in said:
        assert one.payload in put_together(data for identifier, data in frames if identifier == one.unit.response_id)
        assert any(data[1 : 1 + data[0]] == one.request for _, data in frames if data)
    values = [found for _, found in values_said(iter(said), report)]
    assert len(values) <= len(said)
    assert report.frames == len(frames)
    return len(said)


# ---- one string of bytes for all of it -----------------------------------------------------------------------------


def chunks(data: bytes) -> list[bytes]:
    """Frames of up to eight bytes: a byte that gives the length, then so many; the last may be cut."""
    found, at = [], 0
    while at < len(data):
        size = data[at] % 9
        found.append(data[at + 1 : at + 1 + size])
        at += 1 + size
    return found


def check_bytes(data: bytes) -> None:
    """Any bytes: the first says which check, the second how the rest is divided."""
    if len(data) < 2:
        return
    kind, size, rest = data[0] % 4, data[1] % 8, data[2:]
    if kind == 0:
        check_answer(rest[:size], rest[size:])
    elif kind == 1:
        check_frames(chunks(rest))
    elif kind == 2:
        names = (0x7DF, 0x7E0, 0x7E8, 0x7E9, 0x123, 0x18DB33F1, 0x18DA10F1, 0x18DAF110)
        check_trace([(names[frame[0] % 8], frame[1:]) for frame in chunks(rest) if frame])
    else:
        check_newer(STATUSES[size % 3], rest)
