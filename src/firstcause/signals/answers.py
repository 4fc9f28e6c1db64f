"""What a control unit can answer, as values: data, codes, results, identity, erased, refused."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Literal

from firstcause.signals.codes import TroubleCode
from firstcause.signals.identity import InfoValue
from firstcause.signals.monitors import MonitorResult
from firstcause.signals.parameters import Reading

CodeStatus = Literal["confirmed", "pending", "permanent"]

# Source: ISO 14229-1 / SAE J1979 negative response codes (from memory; 10 11 12 21 22 78 in reference 2.3).
REFUSAL_REASONS: Mapping[int, str] = {
    0x10: "general reject",
    0x11: "service not supported",
    0x12: "format or sub-function not supported",
    0x13: "message length wrong",
    0x21: "busy, ask again",
    0x22: "conditions not correct",
    0x31: "request out of range",
    0x33: "access denied",
    0x78: "answer is coming, wait",
}


@dataclass(frozen=True, slots=True)
class SupportedIds:
    """Which identifiers of a service the unit knows, from the bitmaps that were asked for."""

    service: int
    ids: frozenset[int]


@dataclass(frozen=True, slots=True)
class CurrentData:
    """Answer of $01. `not_supported`: asked, and left out by the unit. `unknown`: sent, but not in our table; raw."""

    readings: tuple[Reading, ...]
    not_supported: tuple[int, ...] = ()
    unknown: tuple[tuple[int, bytes], ...] = ()

    def reading(self, name: str) -> Reading | None:
        """The reading of that name, or None when the answer has none."""
        return next((reading for reading in self.readings if reading.name == name), None)


@dataclass(frozen=True, slots=True)
class FreezeFrame:
    """Answer of $02: like CurrentData, from the moment a code was stored. `frame` 0 is the one every car has."""

    frame: int
    readings: tuple[Reading, ...]
    not_supported: tuple[int, ...] = ()
    unknown: tuple[tuple[int, bytes], ...] = ()

    def reading(self, name: str) -> Reading | None:
        """The reading of that name, or None when the answer has none."""
        return next((reading for reading in self.readings if reading.name == name), None)


@dataclass(frozen=True, slots=True)
class Codes:
    """Answer of $03 (confirmed), $07 (pending) or $0A (permanent); an empty tuple means "none stored"."""

    status: CodeStatus
    codes: tuple[TroubleCode, ...]


@dataclass(frozen=True, slots=True)
class Erased:
    """Answer of $04: the unit has erased."""


@dataclass(frozen=True, slots=True)
class MonitorResults:
    """Answer of $06 for one monitor."""

    monitor: int
    results: tuple[MonitorResult, ...]


@dataclass(frozen=True, slots=True)
class VehicleInfo:
    """Answer of $09 for one info type; `value` is None when unreadable (`note` says why); `raw` keeps the bytes."""

    info_type: int
    value: InfoValue | None
    raw: bytes
    note: str = ""


@dataclass(frozen=True, slots=True)
class Refused:
    """A negative response: the unit heard the request and says no, or not yet. An answer, not an error."""

    service: int
    reason_code: int

    @property
    def reason(self) -> str:
        return REFUSAL_REASONS.get(self.reason_code, f"reason {self.reason_code:02X}, not in our table")

    @property
    def is_pending(self) -> bool:
        return self.reason_code == 0x78

    @property
    def is_busy(self) -> bool:
        return self.reason_code == 0x21

    @property
    def is_not_supported(self) -> bool:
        return self.reason_code in (0x11, 0x12, 0x31)

    def to_bytes(self) -> bytes:
        return bytes((0x7F, self.service, self.reason_code))


Answer = SupportedIds | CurrentData | FreezeFrame | Codes | Erased | MonitorResults | VehicleInfo | Refused
