"""Control units that speak only the newer services, OBD on UDS: recognised, and their codes read by service $19.

What SAE J1979-2 asks for is from memory throughout, its text was not read: identifier F810 names the protocol; group
33 is that of emissions; `19 42 33 mask 1E` lists codes by status and `19 55 33` the permanent ones. The form of the
answers is that of ISO 14229-1; udsoncan takes them apart, but for $55: there it expects five bytes a code, where the
standard (from memory, and two other open implementations) has four, so those are cut here.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from firstcause.errors import RequestError
from firstcause.link.addressing import Unit
from firstcause.signals import CodeStatus, Refused, TroubleCode, code_from_bytes
from firstcause.signals.malformed import AnswerTooShort, BadAnswer, WrongEcho

if TYPE_CHECKING:
    from udsoncan.Response import Response

    from firstcause.link.session import Session

ASK_PROTOCOL = b"\x22\xf8\x10"
_EMISSIONS, _BY_MASK, _PERMANENT, _ALL_SEVERITIES = 0x33, 0x42, 0x55, 0x1E
_STATUS_BIT = {"pending": 0x04, "confirmed": 0x08}  # ISO 14229-1, status of a code (from memory)
_J2012 = 0x04  # format of the code: two bytes as in SAE J2012 and one that says how the part failed
_PERMANENT_BYTES = 4


@dataclass(frozen=True, slots=True, order=True)
class NewerCode:
    """A code of three bytes. `failure_type` says how (short, open, stuck …), 00 when the code itself says it."""

    code: TroubleCode
    failure_type: int
    status: int

    def __str__(self) -> str:
        return f"{self.code.text}-{self.failure_type:02X}"


def newer_units(session: Session) -> tuple[Unit, ...]:
    """The units that name the newer protocol when asked for it, ascending; empty on an older car. Sends one request.

    Raises BusStopped.
    """
    exchange = session.request(ASK_PROTOCOL)
    return tuple(unit for unit, payload in exchange if payload[:3] == b"\x62\xf8\x10" and len(payload) > 3)


def request_newer_codes(status: CodeStatus) -> bytes:
    """Ask $19 for the emission-related codes of one status."""
    if status == "permanent":
        return bytes((0x19, _PERMANENT, _EMISSIONS))
    return bytes((0x19, _BY_MASK, _EMISSIONS, _STATUS_BIT[status], _ALL_SEVERITIES))


def decode_newer_codes(status: CodeStatus, payload: bytes) -> tuple[NewerCode, ...] | Refused:
    """The codes in an answer to `request_newer_codes(status)`, in order; only those whose own status byte says so.

    Raises BadAnswer when the bytes do not fit, RequestError when the library for these services is not installed.
    """
    try:
        from udsoncan.Response import Response
    except ImportError as cause:
        raise RequestError(
            "Cars of the newer kind (OBD on UDS) need the extra 'can' (pip install firstcause[can]). Nothing was read."
        ) from cause
    if payload[:1] == b"\x7f" and (len(payload) != 3 or payload[1] != 0x19):
        raise BadAnswer("The refusal is not for service $19", payload=payload)
    response = Response.from_payload(payload)
    if not response.valid or response.service is None:
        raise BadAnswer(f"The answer with codes makes no sense ({response.invalid_reason})", payload=payload)
    if not response.positive:
        return Refused(0x19, payload[2])
    if payload[0] != 0x59:
        raise WrongEcho("The answer with codes", payload=payload, expected=0x59, got=payload[0])
    sub = _PERMANENT if status == "permanent" else _BY_MASK
    for at, due in ((1, sub), (2, _EMISSIONS)):
        if len(payload) <= at:
            raise AnswerTooShort("The answer with codes", payload=payload, due=at + 1)
        if payload[at] != due:
            raise WrongEcho("The answer with codes", payload=payload, expected=due, got=payload[at])
    found = _permanent(payload) if status == "permanent" else _by_mask(response, payload, _STATUS_BIT[status])
    return tuple(code for code in found if code is not None)


def _by_mask(response: Response, payload: bytes, bit: int) -> list[NewerCode | None]:
    from udsoncan.exceptions import InvalidResponseException
    from udsoncan.services.ReadDTCInformation import ReadDTCInformation

    try:
        data = ReadDTCInformation.interpret_response(response, _BY_MASK).service_data
    except InvalidResponseException as cause:
        raise BadAnswer("The answer with codes cannot be taken apart", payload=payload) from cause
    _require_format(data.dtc_format, payload)
    if not payload[3] & bit:
        raise BadAnswer("The unit says that it does not keep this status", payload=payload)
    kept = [(dtc.id, dtc.status.get_byte_as_int()) for dtc in data.dtcs]
    return [_code(number, status) for number, status in kept if status & bit]


def _permanent(payload: bytes) -> list[NewerCode | None]:
    if len(payload) < 5:
        raise AnswerTooShort("The answer with permanent codes", payload=payload, due=5)
    _require_format(payload[4], payload)
    rest = payload[5:]
    if len(rest) % _PERMANENT_BYTES:
        raise BadAnswer("The answer with permanent codes does not divide into codes", payload=payload)
    parts = [rest[at : at + _PERMANENT_BYTES] for at in range(0, len(rest), _PERMANENT_BYTES)]
    return [_code(int.from_bytes(part[:3], "big"), part[3]) for part in parts]


def _require_format(form: int | None, payload: bytes) -> None:
    if form != _J2012:
        raise BadAnswer(f"The codes are not in the form of passenger cars (form {form})", payload=payload)


def _code(number: int, status: int) -> NewerCode | None:
    code = code_from_bytes((number >> 8).to_bytes(2, "big"))
    return NewerCode(code, number & 0xFF, status) if code is not None else None
