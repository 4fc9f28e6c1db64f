"""Kinds of field inside a parameter: scaled number, word from a list, set of flags, code, readiness."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import isfinite
from typing import Protocol

from firstcause.signals.codes import TroubleCode, code_from_bytes
from firstcause.signals.malformed import OutOfRange
from firstcause.signals.readiness import Readiness, Scope

Value = float | str | tuple[str, ...] | TroubleCode | Readiness


class Field(Protocol):
    """Some bytes that hold one value; `name` carries the unit, `size` is in bytes."""

    @property
    def name(self) -> str: ...
    @property
    def unit(self) -> str: ...
    @property
    def size(self) -> int: ...

    def decode(self, data: bytes) -> tuple[Value | None, str]:
        """The value in exactly `size` bytes, or None and the reason why there is none."""
        ...

    def encode(self, value: Value | None) -> bytes:
        """The `size` bytes for a value; raises OutOfRange when they cannot hold it."""
        ...


@dataclass(frozen=True, slots=True)
class Number:
    """raw * `num` / `den` + `offset`. The raw value `unused`, if given, means "this is not fitted or not used"."""

    name: str
    unit: str
    size: int
    num: int = 1
    den: int = 1
    offset: int = 0
    signed: bool = False
    unused: int | None = None

    @property
    def raw_low(self) -> int:
        return -(1 << (8 * self.size - 1)) if self.signed else 0

    @property
    def raw_high(self) -> int:
        top = (1 << (8 * self.size - 1)) - 1 if self.signed else (1 << 8 * self.size) - 1
        return top - 1 if self.unused == top else top

    @property
    def low(self) -> float:
        """The smallest value that the bytes can say."""
        return self.scaled(self.raw_low)

    @property
    def high(self) -> float:
        """The largest value that the bytes can say."""
        return self.scaled(self.raw_high)

    def scaled(self, raw: int) -> float:
        return raw * self.num / self.den + self.offset

    def decode(self, data: bytes) -> tuple[Value | None, str]:
        raw = int.from_bytes(data, "big", signed=self.signed)
        return (None, "not used by this sensor") if raw == self.unused else (self.scaled(raw), "")

    def encode(self, value: Value | None) -> bytes:
        if value is None and self.unused is not None:
            return self.unused.to_bytes(self.size, "big", signed=self.signed)
        allowed = f"it must be a number from {self.low:g} to {self.high:g} {self.unit}".rstrip()
        if not isinstance(value, int | float) or not isfinite(value):
            raise OutOfRange(self.name, value, allowed)
        raw = round((value - self.offset) * self.den / self.num)
        if not self.raw_low <= raw <= self.raw_high:
            raise OutOfRange(self.name, value, allowed)
        return raw.to_bytes(self.size, "big", signed=self.signed)


@dataclass(frozen=True, slots=True)
class Choice:
    """One word of a list. A raw value without a word decodes to None and says so."""

    name: str
    words: Mapping[int, str]
    size: int = 1
    unit: str = ""
    _raws: Mapping[str, int] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "_raws", {word: raw for raw, word in self.words.items()})

    def decode(self, data: bytes) -> tuple[Value | None, str]:
        raw = int.from_bytes(data, "big")
        word = self.words.get(raw)
        return (word, "") if word is not None else (None, f"the value {raw:02X} is not defined")

    def encode(self, value: Value | None) -> bytes:
        if not isinstance(value, str) or value not in self._raws:
            raise OutOfRange(self.name, value, f"it must be one of {', '.join(self._raws)}")
        return self._raws[value].to_bytes(self.size, "big")


@dataclass(frozen=True, slots=True)
class Flags:
    """One byte in which each set bit adds a word; bit 0 comes first in `words`."""

    name: str
    words: tuple[str, ...]
    size: int = 1
    unit: str = ""

    def decode(self, data: bytes) -> tuple[Value | None, str]:
        bits = data[0]
        return tuple(word for place, word in enumerate(self.words) if bits >> place & 1), ""

    def encode(self, value: Value | None) -> bytes:
        if not isinstance(value, tuple) or not set(value) <= set(self.words):
            raise OutOfRange(self.name, value, f"it must be a tuple of words from {', '.join(self.words)}")
        return bytes((sum(1 << self.words.index(word) for word in set(value)),))


@dataclass(frozen=True, slots=True)
class CodeField:
    """A trouble code in two bytes; 00 00 decodes to None."""

    name: str
    size: int = 2
    unit: str = ""

    def decode(self, data: bytes) -> tuple[Value | None, str]:
        code = code_from_bytes(data)
        return (code, "") if code else (None, "no freeze frame is stored")

    def encode(self, value: Value | None) -> bytes:
        if value is None:
            return bytes(2)
        if not isinstance(value, TroubleCode):
            raise OutOfRange(self.name, value, "it must be a TroubleCode or None")
        return value.to_bytes()


@dataclass(frozen=True, slots=True)
class ReadinessField:
    """The four readiness bytes."""

    name: str
    scope: Scope
    size: int = 4
    unit: str = ""

    def decode(self, data: bytes) -> tuple[Value | None, str]:
        return Readiness.from_bytes(data, self.scope), ""

    def encode(self, value: Value | None) -> bytes:
        if not isinstance(value, Readiness) or value.scope != self.scope:
            raise OutOfRange(self.name, value, f"it must be a Readiness with scope {self.scope}")
        return value.to_bytes()
