"""What the car's control units answer to each service; all bytes are made by `signals`."""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterable
from typing import Protocol

from firstcause import signals
from firstcause.signals import Refused, TroubleCode, Value
from firstcause.signals.identity import InfoValue
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.control_unit import Data, EraseRefused

NOT_SUPPORTED_SERVICE, NOT_SUPPORTED_FORMAT, CONDITIONS_NOT_CORRECT = 0x11, 0x12, 0x22
FIRST_CYLINDER_MONITOR = 0xA2
VIN_INFO, CALIBRATION_INFO, CHECKSUM_INFO, COUNTER_INFO, NAME_INFO = 0x02, 0x04, 0x06, 0x08, 0x0A
FREEZE_CODE = 0x02


class AnsweringUnit(Protocol):
    """Anything that answers whole request messages: bytes, or None for silence."""

    def answer(self, request: bytes, *, functional: bool) -> bytes | None: ...


class EngineUnit:
    """The engine control unit of a virtual car, asked over the diagnostic services $01 to $0A."""

    def __init__(self, car: VirtualCar):
        self.car = car
        self._services: dict[int, Callable[[bytes], bytes | None]] = {
            0x01: self._current,
            0x02: self._freeze,
            0x03: lambda request: self._codes(request, "confirmed"),
            0x04: self._erase,
            0x06: self._tests,
            0x07: lambda request: self._codes(request, "pending"),
            0x09: self._info,
            0x0A: lambda request: self._codes(request, "permanent"),
        }

    def answer(self, request: bytes, *, functional: bool) -> bytes | None:
        """The answer, a refusal, or None for silence: a functional request that is not supported is passed over.

        Source: SAE J1979 / ISO 15031-5 (from memory): 7F .. 11 and 7F .. 12 only to a physical request.
        """
        if not request or self.car.engine_state == "off":
            return None
        service = self._services.get(request[0])
        answer = service(request) if service is not None else None
        if answer is None and not functional:
            reason = NOT_SUPPORTED_SERVICE if service is None else NOT_SUPPORTED_FORMAT
            return Refused(request[0], reason).to_bytes()
        return answer

    def _current(self, request: bytes) -> bytes | None:
        return _parameters(request, request[1:], self.car.unit.data(), signals.encode_current)

    def _freeze(self, request: bytes) -> bytes | None:
        memory = self.car.unit.memory
        if len(request) < 3 or any(frame != 0 for frame in request[2::2]):
            return None
        code = None if memory.freeze_code is None else TroubleCode(memory.freeze_code)
        data: Data = {FREEZE_CODE: (code,), **({} if memory.freeze is None else dict(memory.freeze))}
        return _parameters(request, request[1::2], data, signals.encode_freeze)

    def _codes(self, request: bytes, status: signals.CodeStatus) -> bytes | None:
        return signals.encode_codes(status, map(TroubleCode, self.car.unit.codes(status)))

    def _erase(self, request: bytes) -> bytes | None:
        try:
            self.car.unit.erase()
        except EraseRefused:
            return Refused(request[0], CONDITIONS_NOT_CORRECT).to_bytes()
        return signals.encode_erased()

    def _tests(self, request: bytes) -> bytes | None:
        if len(request) != 2:
            return None
        layout, unit = self.car.layout, self.car.unit
        known = [FIRST_CYLINDER_MONITOR + number - 1 for number in layout.cylinders]
        if request[1] % 0x20 == 0:
            return signals.encode_supported(request, known)
        if request[1] not in known:
            return None
        at = request[1] - FIRST_CYLINDER_MONITOR
        counts = int(unit.counts_this_cycle[at])
        average = round(float(unit.average_counts[at]))
        return signals.encode_tests(signals.misfire_results(at + 1, last_cycle=counts, ten_cycle_average=average))

    def _info(self, request: bytes) -> bytes | None:
        calibration = f"VC{self.car.layout.count:02d}{round(self.car.layout.displacement_l * 100):04d}-A1"
        checksum = f"{zlib.crc32(calibration.encode('ascii')):08X}"
        return _information(
            request,
            {
                VIN_INFO: lambda: self.car.vin,
                CALIBRATION_INFO: lambda: (calibration,),
                CHECKSUM_INFO: lambda: (checksum,),
                COUNTER_INFO: lambda: self.car.unit.checks.counters(),
                NAME_INFO: lambda: "ECM-Engine",
            },
        )


class NewerEngineUnit:
    """The same engine's unit as one that speaks only OBD on UDS: names the protocol and tells codes by $19.

    Bytes written by hand here. Source: SAE J1979-2 and ISO 14229-1 (from memory): 62 F8 10 01; 59 42 33, status and
    severity that it keeps, form 04, then severity, code, failure type, status; 59 55 33, status, form, then four bytes.
    """

    KEPT_STATUS, EMISSIONS_CLASS, FORM = 0x0C, 0x02, 0x04

    def __init__(self, car: VirtualCar):
        self.car = car

    def answer(self, request: bytes, *, functional: bool) -> bytes | None:
        """Like EngineUnit.answer; what it does not know is refused to a physical request, else passed over."""
        if not request or self.car.engine_state == "off":
            return None
        if request == b"\x22\xf8\x10":
            return b"\x62\xf8\x10\x01"
        if request[:3] == b"\x19\x42\x33" and len(request) == 5:
            return self._by_mask(request[3])
        if request == b"\x19\x55\x33":
            head = bytes((0x59, 0x55, 0x33, self.KEPT_STATUS, self.FORM))
            return head + b"".join(self._code(text) + b"\x08" for text in self.car.unit.codes("permanent"))
        known = request[0] in (0x19, 0x22)
        reason = NOT_SUPPORTED_FORMAT if known else NOT_SUPPORTED_SERVICE
        return None if functional else Refused(request[0], reason).to_bytes()

    def _by_mask(self, mask: int) -> bytes:
        status: dict[str, int] = {}
        for text in self.car.unit.codes("pending"):
            status[text] = 0x04
        for text in self.car.unit.codes("confirmed"):
            status[text] = status.get(text, 0) | 0x08
        told = [(text, bits) for text, bits in sorted(status.items()) if bits & mask]
        head = bytes((0x59, 0x42, 0x33, self.KEPT_STATUS, 0xFF, self.FORM))
        return head + b"".join(bytes((self.EMISSIONS_CLASS,)) + self._code(t) + bytes((bits,)) for t, bits in told)

    @staticmethod
    def _code(text: str) -> bytes:
        return TroubleCode(text).to_bytes() + b"\0"


class QuietUnit:
    """A control unit that has little to say: no codes, its own calibration and name."""

    calibration = name = ""

    def __init__(self, car: VirtualCar):
        self.car = car

    def data(self) -> Data:
        """What it knows of $01."""
        return {}

    def answer(self, request: bytes, *, functional: bool) -> bytes | None:
        """Like EngineUnit.answer; knows $01, $03, $07, $09 (04, 0A), $0A."""
        if not request or self.car.engine_state == "off":
            return None
        answer = self._say(request)
        if answer is None and not functional:
            known = request[0] in (0x01, 0x03, 0x07, 0x09, 0x0A)
            return Refused(request[0], NOT_SUPPORTED_FORMAT if known else NOT_SUPPORTED_SERVICE).to_bytes()
        return answer

    def _say(self, request: bytes) -> bytes | None:
        match request[0]:
            case 0x01:
                return _parameters(request, request[1:], self.data(), signals.encode_current)
            case 0x03:
                return signals.encode_codes("confirmed", ())
            case 0x07:
                return signals.encode_codes("pending", ())
            case 0x09:
                items: dict[int, Callable[[], InfoValue]] = {
                    CALIBRATION_INFO: lambda: (self.calibration,),
                    NAME_INFO: lambda: self.name,
                }
                return _information(request, items)
            case 0x0A:
                return signals.encode_codes("permanent", ())
        return None


class TransmissionUnit(QuietUnit):
    """The gearbox: also knows the car's speed."""

    calibration, name = "VCGEAR-A1", "TCM-Gearbox"

    def data(self) -> Data:
        return {0x0D: (self.car.unit.seen.point.speed_kmh,)}


class BodyUnit(QuietUnit):
    """Body and supply: also knows the system voltage and the air outside."""

    calibration, name = "VCBODY-A1", "BCM-Body"

    def data(self) -> Data:
        return {0x42: (self.car.supply_v,), 0x46: (self.car.ambient_c,)}


def _parameters(
    request: bytes,
    pids: bytes,
    data: Data,
    encode: Callable[[dict[int, tuple[Value | None, ...]]], bytes],
) -> bytes | None:
    """Bitmaps or values; parameters that are not supported are left out, none at all gives silence."""
    if pids and all(pid % 0x20 == 0 for pid in pids):
        return signals.encode_supported(request, _with_bitmaps(data))
    known = {pid: data[pid] for pid in pids if pid in data}
    return encode(known) if known else None


def _with_bitmaps(identifiers: Iterable[int]) -> set[int]:
    """The identifiers, and the bitmaps that lead to them."""
    known = set(identifiers)
    return known | {base for base in range(0x20, 0xE0, 0x20) if any(pid > base for pid in known)}


def _information(request: bytes, items: dict[int, Callable[[], InfoValue]]) -> bytes | None:
    if len(request) != 2:
        return None
    if request[1] % 0x20 == 0:
        return signals.encode_supported(request, items)
    return signals.encode_info(request[1], items[request[1]]()) if request[1] in items else None
