"""Where fuzzing begins: whole answers, whole frames, and ways to spoil them."""

from __future__ import annotations

import random
from collections.abc import Iterator

from firstcause import signals
from firstcause.signals import TroubleCode

CODES = tuple(TroubleCode(f"P03{number:02d}") for number in range(9))
PAIRS: tuple[tuple[bytes, bytes], ...] = (
    (b"\x01\x00", signals.encode_supported(b"\x01\x00", {0x01, 0x0C, 0x0D, 0x1F, 0x20, 0x41})),
    (b"\x01\x0c\x0d", signals.encode_current({0x0C: (1726.0,), 0x0D: (50.0,)})),
    (b"\x01\x01", bytes.fromhex("41 01 81 07 65 04")),
    (b"\x02\x02\x00", signals.encode_freeze({0x02: (TroubleCode("P0303"),)})),
    (b"\x03", signals.encode_codes("confirmed", CODES)),
    (b"\x07", signals.encode_codes("pending", ())),
    (b"\x0a", signals.encode_codes("permanent", CODES[:3])),
    (b"\x04", signals.encode_erased()),
    (b"\x06\xa2", signals.encode_tests(signals.misfire_results(1, last_cycle=40, ten_cycle_average=12))),
    (b"\x09\x02", signals.encode_info(0x02, "1J9RP1A36A1644345")),
    (b"\x09\x04", signals.encode_info(0x04, ("CAL-1", "CAL-2"))),
    (b"\x09\x08", bytes((0x49, 0x08, 20)) + bytes(range(40))),
    (b"\x01\x0c", b"\x7f\x01\x78"),
    (b"\x03", b"\x7f\x03\x21"),
)
MISHAPS = ("lost", "doubled", "order", "cut", "bytes", "overlong", "tail", "pending", "bit", "other")
NEWER: tuple[tuple[str, bytes], ...] = (
    ("confirmed", bytes.fromhex("59 42 33 0C FF 04 02 03 03 00 08 02 01 13 1C 0C")),
    ("permanent", bytes.fromhex("59 55 33 0C 04 03 03 00 08")),
)


def frames_of(payload: bytes) -> list[bytes]:
    """The frames that carry an answer. Source: ISO 15765-2 (Wikipedia's table of frame types; padding from memory)."""
    if len(payload) <= 7:
        return [(bytes((len(payload),)) + payload).ljust(8, b"\xaa")]
    first = bytes((0x10 | len(payload) >> 8, len(payload) & 0xFF)) + payload[:6]
    rest = [payload[at : at + 7] for at in range(6, len(payload), 7)]
    return [first, *((bytes((0x20 | n % 16,)) + part).ljust(8, b"\xaa") for n, part in enumerate(rest, 1))]


def spoilt(frames: list[bytes], chance: random.Random) -> list[bytes]:
    """The frames after one to four of the mishaps named in MISHAPS."""
    frames = list(frames)
    for _ in range(chance.randint(1, 4)):
        at = chance.randrange(len(frames)) if frames else 0
        match chance.choice(MISHAPS):
            case "lost" if frames:
                del frames[at]
            case "doubled" if frames:
                frames.insert(at, frames[at])
            case "order" if frames:
                other = chance.randrange(len(frames))
                frames[at], frames[other] = frames[other], frames[at]
            case "cut" if frames:
                frames[at] = frames[at][: chance.randint(0, 7)]
            case "bytes" if frames:
                frames[at : at + 1] = [bytes((byte,)) for byte in frames[at]]
            case "overlong":
                length = chance.choice((0xFFF, 0x800, 0x000))
                frames.insert(at, bytes((0x10 | length >> 8, length & 0xFF)) + chance.randbytes(6))
            case "tail":
                frames += [chance.randbytes(chance.randint(0, 8)) for _ in range(chance.randint(1, 3))]
            case "pending":
                frames[at:at] = [bytes.fromhex("03 7F 01 78 AA AA AA AA")] * chance.randint(1, 6)
            case "bit" if frames and frames[at]:
                spot = chance.randrange(len(frames[at]))
                flipped = frames[at][spot] ^ 1 << chance.randrange(8)
                frames[at] = frames[at][:spot] + bytes((flipped,)) + frames[at][spot + 1 :]
            case "other":
                frames[at:at] = frames_of(chance.choice(PAIRS)[1])
    return frames


def packed(frames: list[bytes]) -> bytes:
    """Frames as `checks.chunks` reads them."""
    return b"".join(bytes((len(frame),)) + frame for frame in frames)


def seeds() -> Iterator[bytes]:
    """One string of bytes for each check and each answer, whole and spoilt."""
    chance = random.Random(5)
    for request, payload in PAIRS:
        yield bytes((0, len(request))) + request + payload
        for frames in (frames_of(payload), spoilt(frames_of(payload), chance)):
            yield bytes((1, 0)) + packed(frames)
            asked = bytes((0, len(request))) + request
            heard = [(bytes((2,)) + frame)[:8] for frame in frames]
            yield bytes((2, 0)) + packed([asked, *heard])
    for number, (_, payload) in enumerate(NEWER):
        yield bytes((3, number * 2)) + payload
