"""The services by number: building requests, reading answers, and writing the answers a control unit gives."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping, Sequence

from firstcause.errors import RequestError
from firstcause.signals import bitmap
from firstcause.signals.answers import (
    Answer,
    Codes,
    CodeStatus,
    CurrentData,
    Erased,
    FreezeFrame,
    MonitorResults,
    Refused,
    SupportedIds,
    VehicleInfo,
)
from firstcause.signals.codes import TroubleCode, code_from_bytes
from firstcause.signals.fields import Value
from firstcause.signals.identity import InfoValue, info_from_bytes, info_to_bytes
from firstcause.signals.malformed import AnswerTooLong, AnswerTooShort, BadAnswer, OutOfRange, WrongEcho, require_length
from firstcause.signals.monitors import MonitorResult, results_from_bytes
from firstcause.signals.parameters import PARAMETERS, Reading, parameter

CURRENT, FREEZE, CONFIRMED, ERASE, TESTS, PENDING, INFO, PERMANENT = 0x01, 0x02, 0x03, 0x04, 0x06, 0x07, 0x09, 0x0A
READ_SERVICES = frozenset((CURRENT, FREEZE, CONFIRMED, TESTS, PENDING, INFO, PERMANENT))
CODE_STATUS: Mapping[int, CodeStatus] = {CONFIRMED: "confirmed", PENDING: "pending", PERMANENT: "permanent"}
MAX_PARAMETERS, MAX_FREEZE_PARAMETERS = 6, 3
NEGATIVE, POSITIVE = 0x7F, 0x40
# Bytes of a whole request; all other services are asked by their number alone. Source: SAE J1979 (from memory).
_WHOLE_REQUEST: Mapping[int, Sequence[int]] = {CURRENT: range(2, 8), FREEZE: (3, 5, 7), TESTS: (2,), INFO: (2,)}


# ---- requests ----------------------------------------------------------------------------------------------------


def request_current(*pids: int) -> bytes:
    """Ask $01 for one to six parameters. Raises RequestError for a mix that could not be read back.

    Bitmaps and data may not be mixed, and a parameter outside our table must be asked alone (its length is unknown).
    """
    return bytes((CURRENT, *_together(pids, MAX_PARAMETERS)))


def request_freeze(*pids: int, frame: int = 0) -> bytes:
    """Ask $02 for one to three parameters of a freeze frame; same rules as `request_current`."""
    return bytes((FREEZE, *(part for pid in _together(pids, MAX_FREEZE_PARAMETERS) for part in (pid, frame))))


def request_codes(status: CodeStatus) -> bytes:
    """Ask for all codes of one status."""
    return bytes((next(service for service, known in CODE_STATUS.items() if known == status),))


def request_tests(monitor: int) -> bytes:
    """Ask $06 for one monitor, or for a bitmap of monitors (00, 20 …)."""
    return bytes((TESTS, monitor))


def request_info(info_type: int) -> bytes:
    """Ask $09 for one info type, or for a bitmap of them (00)."""
    return bytes((INFO, info_type))


def _together(pids: tuple[int, ...], most: int) -> tuple[int, ...]:
    kinds = {bitmap.is_bitmap_id(pid) for pid in pids}
    if not 1 <= len(pids) <= most or len(set(pids)) < len(pids):
        raise RequestError(f"One request takes 1 to {most} different parameters, not {len(pids)}. Nothing was sent.")
    if len(kinds) > 1:
        raise RequestError("Supported-bitmaps and data cannot be asked in one request. Nothing was sent; ask twice.")
    if len(pids) > 1 and kinds == {False} and not PARAMETERS.keys() >= set(pids):
        raise RequestError("A parameter that is not in our table must be asked alone. Nothing was sent; ask it alone.")
    return pids


# ---- reading answers ---------------------------------------------------------------------------------------------


def decode_answer(request: bytes, payload: bytes) -> Answer:
    """What one control unit answered to `request`; both are whole messages, from the service byte on.

    A refusal, an unsupported parameter, an empty list of codes are answers. Raises BadAnswer (AnswerTooShort,
    AnswerTooLong, WrongEcho) when the bytes do not fit the request, RequestError when the request is not one of ours.
    """
    service = request[0] if request else 0
    if service not in _DECODERS:
        raise RequestError(f"Service {service:02X} is not one that this tool reads. Nothing was decoded.")
    if len(request) not in _WHOLE_REQUEST.get(service, (1,)):
        raise RequestError(f"The request {request.hex(' ').upper()} is not whole. Nothing was decoded.")
    if not payload:
        raise AnswerTooShort(f"The answer to ${service:02X}", payload=payload, due=1)
    if payload[0] == NEGATIVE:
        return _decode_refusal(service, payload)
    if payload[0] != service + POSITIVE:
        raise WrongEcho("The answer", payload=payload, expected=service + POSITIVE, got=payload[0])
    return _DECODERS[service](request, payload)


def _decode_refusal(service: int, payload: bytes) -> Refused:
    require_length("The refusal", payload, 3)
    if payload[1] != service:
        raise WrongEcho("The refusal", payload=payload, expected=service, got=payload[1])
    return Refused(service, payload[2])


def _decode_current(request: bytes, payload: bytes) -> Answer:
    asked = tuple(request[1:])
    if asked and all(map(bitmap.is_bitmap_id, asked)):
        return _decode_bitmaps(asked, payload, head=1)
    return CurrentData(*_decode_data(asked, payload, head=1, frame=None))


def _decode_freeze(request: bytes, payload: bytes) -> Answer:
    asked = tuple(request[1::2])
    frame = request[2] if len(request) > 2 else 0
    if asked and all(map(bitmap.is_bitmap_id, asked)):
        return _decode_bitmaps(asked, payload, head=2)
    return FreezeFrame(frame, *_decode_data(asked, payload, head=2, frame=frame))


def _decode_bitmaps(asked: tuple[int, ...], payload: bytes, head: int) -> SupportedIds:
    """`head` is 1 when the identifier stands alone, 2 when a frame number follows it."""
    ids: frozenset[int] = frozenset()
    step = head + 4
    if len(payload) < 1 + step or (len(payload) - 1) % step:
        raise AnswerTooShort("The answer with supported-bitmaps", payload=payload, due=1 + step * len(asked))
    for at in range(1, len(payload), step):
        base = payload[at]
        if base not in asked:
            raise WrongEcho("The answer with supported-bitmaps", payload=payload, expected=asked[0], got=base)
        ids |= bitmap.decode_bitmap(base, payload[at + head : at + step])
    return SupportedIds(payload[0] - POSITIVE, ids)


_Data = tuple[tuple[Reading, ...], tuple[int, ...], tuple[tuple[int, bytes], ...]]


def _decode_data(asked: tuple[int, ...], payload: bytes, head: int, frame: int | None) -> _Data:
    """Readings, asked parameters left out, and raw bytes of parameters outside our table."""
    readings: list[Reading] = []
    unknown: list[tuple[int, bytes]] = []
    answered: set[int] = set()
    at = 1
    while at < len(payload):
        pid = payload[at]
        if pid not in asked or pid in answered:
            if answered and answered == set(asked):
                raise AnswerTooLong("The answer with parameters", payload=payload, due=at)
            raise WrongEcho("The answer with parameters", payload=payload, expected=asked[len(answered)], got=pid)
        if frame is not None and payload[at + 1 : at + 2] != bytes((frame,)):
            raise BadAnswer(f"The answer does not name freeze frame {frame}", payload=payload)
        answered.add(pid)
        at += head
        row = PARAMETERS.get(pid)
        if row is None:
            unknown.append((pid, payload[at:]))
            break
        data = payload[at : at + row.size]
        if len(data) < row.size:
            raise AnswerTooShort(f"The answer at parameter {pid:02X}", payload=payload, due=at + row.size)
        readings.extend(row.decode(data))
        at += row.size
    if not answered:
        raise AnswerTooShort("The answer with parameters", payload=payload, due=2)
    return tuple(readings), tuple(pid for pid in asked if pid not in answered), tuple(unknown)


def _decode_codes(request: bytes, payload: bytes) -> Answer:
    if len(payload) < 2:
        raise AnswerTooShort("The answer with codes", payload=payload, due=2)
    count = payload[1]
    require_length(f"The answer with {count} code(s)", payload, 2 + 2 * count)
    pairs = (code_from_bytes(payload[at : at + 2]) for at in range(2, len(payload), 2))
    return Codes(CODE_STATUS[request[0]], tuple(code for code in pairs if code is not None))


def _decode_erased(request: bytes, payload: bytes) -> Answer:
    require_length("The answer to erasing", payload, 1)
    return Erased()


def _decode_tests(request: bytes, payload: bytes) -> Answer:
    monitor = request[1]
    if bitmap.is_bitmap_id(monitor):
        return _decode_bitmaps((monitor,), payload, head=1)
    return MonitorResults(monitor, results_from_bytes(monitor, payload[1:]))


def _decode_info(request: bytes, payload: bytes) -> Answer:
    info_type = request[1]
    if bitmap.is_bitmap_id(info_type):
        return _decode_bitmaps((info_type,), payload, head=1)
    if len(payload) < 3:
        raise AnswerTooShort(f"The answer with info type {info_type:02X}", payload=payload, due=3)
    if payload[1] != info_type:
        raise WrongEcho("The answer with vehicle information", payload=payload, expected=info_type, got=payload[1])
    value, note = info_from_bytes(info_type, payload[2], payload[3:])
    return VehicleInfo(info_type, value, payload[3:], note)


_DECODERS: Mapping[int, Callable[[bytes, bytes], Answer]] = {
    CURRENT: _decode_current,
    FREEZE: _decode_freeze,
    CONFIRMED: _decode_codes,
    ERASE: _decode_erased,
    TESTS: _decode_tests,
    PENDING: _decode_codes,
    INFO: _decode_info,
    PERMANENT: _decode_codes,
}


# ---- writing answers (what a control unit sends; for the virtual car and for tests) --------------------------------


def encode_current(values: Mapping[int, Iterable[Value | None]]) -> bytes:
    """Answer of $01: for each PID, in order, the values of its fields. Raises OutOfRange or RequestError."""
    return bytes((CURRENT + POSITIVE,)) + b"".join(
        bytes((pid,)) + parameter(pid).encode(*fields) for pid, fields in values.items()
    )


def encode_freeze(values: Mapping[int, Iterable[Value | None]], frame: int = 0) -> bytes:
    """Answer of $02, like `encode_current`, with the frame number after each PID."""
    return bytes((FREEZE + POSITIVE,)) + b"".join(
        bytes((pid, frame)) + parameter(pid).encode(*fields) for pid, fields in values.items()
    )


def encode_supported(request: bytes, identifiers: Iterable[int]) -> bytes:
    """Answer to a request for bitmaps of $01, $02, $06 or $09, for a unit that knows `identifiers`."""
    known = frozenset(identifiers)
    service = request[0]
    step = 2 if service == FREEZE else 1
    heads = [request[at : at + step] for at in range(1, len(request), step)]
    return bytes((service + POSITIVE,)) + b"".join(head + bitmap.encode_bitmap(head[0], known) for head in heads)


def encode_codes(status: CodeStatus, codes: Iterable[TroubleCode]) -> bytes:
    """Answer of $03, $07 or $0A; raises OutOfRange for more than 255 codes."""
    listed = [code.to_bytes() for code in codes]
    if len(listed) > 255:
        raise OutOfRange("number of codes", len(listed), "the count is one byte, so at most 255")
    return bytes((request_codes(status)[0] + POSITIVE, len(listed))) + b"".join(listed)


def encode_erased() -> bytes:
    """Answer of $04."""
    return bytes((ERASE + POSITIVE,))


def encode_tests(results: Iterable[MonitorResult]) -> bytes:
    """Answer of $06 for one monitor."""
    return bytes((TESTS + POSITIVE,)) + b"".join(result.to_bytes() for result in results)


def encode_info(info_type: int, value: InfoValue) -> bytes:
    """Answer of $09 for one info type; raises OutOfRange when the value does not fit."""
    return bytes((INFO + POSITIVE, info_type)) + info_to_bytes(info_type, value)
