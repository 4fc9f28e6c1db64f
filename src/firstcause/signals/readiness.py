"""Readiness: lamp, code count, and which self-checks (monitors) have run, for spark and compression engines."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from firstcause.signals.malformed import OutOfRange, require_length

EngineKind = Literal["spark", "compression"]
Scope = Literal["since-erase", "this-cycle"]

# Source of the bit places: SAE J1979 PID 01 and 41 (from memory; reference/regulation-and-protocol 2.6).
CONTINUOUS: tuple[tuple[int, str], ...] = ((0, "misfire"), (1, "fuel-system"), (2, "comprehensive"))
NON_CONTINUOUS: dict[EngineKind, tuple[tuple[int, str], ...]] = {
    "spark": (
        (0, "catalyst"),
        (1, "heated-catalyst"),
        (2, "evap"),
        (3, "secondary-air"),
        (4, "ac-refrigerant-or-particulate-filter"),
        (5, "oxygen-sensor"),
        (6, "oxygen-sensor-heater"),
        (7, "egr-or-vvt"),
    ),
    "compression": (
        (0, "nmhc-catalyst"),
        (1, "nox-aftertreatment"),
        (3, "boost-pressure"),
        (5, "exhaust-gas-sensor"),
        (6, "particulate-filter"),
        (7, "egr-or-vvt"),
    ),
}
_COMPRESSION_BIT = 0x08


@dataclass(frozen=True, slots=True)
class Monitor:
    """One self-check. `supported` means enabled in this cycle when the scope is this-cycle.

    `complete` is None when the car does not have the monitor: neither done nor open.
    """

    name: str
    supported: bool
    complete: bool | None


@dataclass(frozen=True, slots=True)
class Readiness:
    """What PID 01 (since the codes were erased) or PID 41 (this driving cycle) says.

    In PID 41 lamp and count are always sent as off and 0: they are not measured there.
    """

    scope: Scope
    lamp_on: bool
    code_count: int
    engine: EngineKind
    monitors: tuple[Monitor, ...]

    def monitor(self, name: str) -> Monitor | None:
        """The monitor of that name, or None when this kind of engine has none."""
        return next((monitor for monitor in self.monitors if monitor.name == name), None)

    @property
    def incomplete(self) -> tuple[str, ...]:
        """Names of the supported monitors that have not finished."""
        return tuple(monitor.name for monitor in self.monitors if monitor.supported and not monitor.complete)

    @classmethod
    def from_bytes(cls, data: bytes, scope: Scope = "since-erase") -> Readiness:
        """From the four bytes A, B, C, D of PID 01 or 41; wrong lengths raise AnswerTooShort or AnswerTooLong."""
        require_length("The readiness answer", data, 4)
        a, b, c, d = data
        engine: EngineKind = "compression" if b & _COMPRESSION_BIT else "spark"
        monitors = [_monitor(name, b >> bit & 1, b >> (bit + 4) & 1) for bit, name in CONTINUOUS]
        monitors += [_monitor(name, c >> bit & 1, d >> bit & 1) for bit, name in NON_CONTINUOUS[engine]]
        return cls(scope, bool(a & 0x80), a & 0x7F, engine, tuple(monitors))

    def to_bytes(self) -> bytes:
        """The four bytes A, B, C, D; raises OutOfRange for a count above 127."""
        if not 0 <= self.code_count <= 127:
            raise OutOfRange("code_count", self.code_count, "it must be 0 to 127")
        a = (0x80 if self.lamp_on else 0) | self.code_count
        b, c, d = (_COMPRESSION_BIT if self.engine == "compression" else 0), 0, 0
        for bit, name in CONTINUOUS:
            supported, incomplete = self._bits(name)
            b |= supported << bit | incomplete << (bit + 4)
        for bit, name in NON_CONTINUOUS[self.engine]:
            supported, incomplete = self._bits(name)
            c |= supported << bit
            d |= incomplete << bit
        return bytes((a, b, c, d))

    def _bits(self, name: str) -> tuple[int, int]:
        monitor = self.monitor(name)
        if monitor is None or not monitor.supported:
            return 0, 0
        return 1, 0 if monitor.complete else 1


def _monitor(name: str, supported: int, incomplete: int) -> Monitor:
    return Monitor(name, bool(supported), not incomplete if supported else None)
