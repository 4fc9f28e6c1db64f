"""Supported-bitmaps: which identifiers of a service a control unit says it knows."""

from __future__ import annotations

from collections.abc import Iterable

from firstcause.errors import RequestError
from firstcause.signals.malformed import require_length

SPAN = 0x20  # one bitmap covers the 32 identifiers after its own


def is_bitmap_id(identifier: int) -> bool:
    """True for 00, 20, 40 … E0: these ask for a bitmap, not for data."""
    return identifier % SPAN == 0


def decode_bitmap(base: int, data: bytes) -> frozenset[int]:
    """Identifiers `base`+1 … `base`+32 whose bit is set; the first bit of the first byte is `base`+1.

    Raises AnswerTooShort or AnswerTooLong unless `data` is the four bytes after the identifier.

    Source: SAE J1979 / ISO 15031-5 supported-PID encoding (from memory; published example V1 in the tests).
    """
    require_length(f"The supported-bitmap {base:02X}", data, 4)
    bits = int.from_bytes(data, "big")
    return frozenset(base + 1 + place for place in range(SPAN) if bits >> (SPAN - 1 - place) & 1)


def encode_bitmap(base: int, identifiers: Iterable[int]) -> bytes:
    """The four bytes of bitmap `base` for a unit that knows `identifiers` (those outside its span are passed over).

    The last bit, "the next bitmap exists", is set when anything beyond the span is known.
    """
    if not is_bitmap_id(base) or not 0 <= base <= 0xE0:
        raise RequestError(f"{base:02X} is no supported-bitmap; they are 00, 20 … E0. Nothing was encoded.")
    known = set(identifiers)
    bits = sum(1 << (SPAN - (identifier - base)) for identifier in known if base < identifier <= base + SPAN)
    if any(identifier > base + SPAN for identifier in known):
        bits |= 1
    return bits.to_bytes(4, "big")
