"""Any bytes, any frames, in any order: no crash, no hang, no value that the bytes do not hold.

The checks are in `checks`, apart from the code; here they get likely bytes (Hypothesis, seeded chance) and, where
atheris is installed, bytes led by coverage. A few seconds here; `make fuzz` runs as long as it is told.
"""

from __future__ import annotations

import importlib.util
import itertools
import os
import random
import re
import subprocess
import sys
import time
from pathlib import Path

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from tests.fuzz.checks import STATUSES, check_answer, check_frames, check_newer, check_trace, put_together
from tests.fuzz.seeds import NEWER, PAIRS, frames_of, spoilt

from firstcause.errors import RequestError
from firstcause.link import Session, Timing, Unit
from firstcause.signals import decode_answer

ROOT = Path(__file__).parent.parent.parent
SPOILT = int(os.environ.get("FUZZ_SPOILT", "3000"))
SESSIONS = int(os.environ.get("FUZZ_SESSIONS", "60"))
QUICK = Timing(p2_ms=2, p2_star_ms=8, next_part_ms=4, adapter_margin_ms=2, pending_repeats=2, busy_repeats=1,
               busy_wait_ms=0)  # fmt: skip
LONGEST_S = 60.0  # the limits above add up to some 50 ms; 3.8 s were seen on a busy machine

requests = st.one_of(
    st.sampled_from([request for request, _ in PAIRS]),
    st.binary(max_size=7),
    st.builds(lambda service, rest: bytes((service,)) + rest, st.integers(1, 10), st.binary(max_size=6)),
)


@st.composite
def asked_and_answered(draw):
    """A request with its own answer, or another's, or any bytes; then a few bytes changed, cut off or put behind."""
    request, payload = draw(st.sampled_from(PAIRS))
    request = draw(st.one_of(st.just(request), requests))
    payload = bytearray(draw(st.one_of(st.just(payload), st.binary(max_size=60), st.just(bytes(request[:1] or b"\0")
                                       + b""))))  # fmt: skip
    for _ in range(draw(st.integers(0, 3))):
        if payload:
            payload[draw(st.integers(0, len(payload) - 1))] = draw(st.integers(0, 255))
    return request, bytes(payload) + draw(st.one_of(st.just(b""), st.binary(max_size=8)))


@settings(max_examples=1500, deadline=None)
@given(asked_and_answered())
def test_any_answer_says_only_what_its_bytes_say(pair):
    """Whole, and byte by byte: each beginning of it is an answer that was cut off."""
    request, payload = pair
    for end in range(len(payload) + 1):
        check_answer(request, payload[:end])


def test_the_check_sees_an_invented_value(monkeypatch):
    """The check can fail: a decoder that reads one byte further than came is caught."""
    request, payload = b"\x01\x0c\x0d", bytes.fromhex("41 0C 1A F8 0D 32")
    assert check_answer(request, payload)
    import tests.fuzz.checks as checks

    real = checks.decode_answer
    monkeypatch.setattr(checks, "decode_answer", lambda asked, came: real(asked, came[:-1] + b"\x33"))
    with pytest.raises(AssertionError):
        check_answer(request, payload)


def test_the_plain_rules_and_the_library_agree_on_every_whole_answer():
    for _, payload in PAIRS:
        assert check_frames(frames_of(payload)) == [payload]
    longest = bytes(range(256)) * 16
    assert check_frames(frames_of(longest[:4095])) == [longest[:4095]]


@pytest.mark.parametrize("begin", range(4))
def test_spoilt_frames_give_no_answer_that_was_not_sent(begin):
    """Lost, doubled, out of order, cut, byte by byte, overlong, with a tail, pending, another answer between."""
    chance = random.Random(begin)
    for _ in range(SPOILT // 4):
        check_frames(spoilt(frames_of(chance.choice(PAIRS)[1]), chance))


@settings(max_examples=500, deadline=None)
@given(st.lists(st.one_of(st.binary(max_size=8), st.sampled_from([f for _, p in PAIRS for f in frames_of(p)]))))
def test_any_frames_at_all(frames):
    check_frames(frames)


@settings(max_examples=300, deadline=None)
@given(st.integers(0, 1 << 30))
def test_a_trace_of_anything_tells_only_what_was_said(seed):
    """Several units, requests between, spoilt answers."""
    chance = random.Random(seed)
    lines = []
    for _ in range(chance.randint(1, 4)):
        request, payload = chance.choice(PAIRS)
        unit = chance.choice((0x7E8, 0x7E9, 0x18DAF110))
        asked = 0x7DF if unit < 0x800 else 0x18DB33F1
        lines.append((asked, (bytes((len(request),)) + request).ljust(8, b"\0")))
        lines += [(unit, frame) for frame in spoilt(frames_of(payload), chance)]
    check_trace(lines)


@settings(max_examples=500, deadline=None)
@given(st.sampled_from(STATUSES), st.one_of(st.binary(max_size=40), st.builds(
    lambda pair, tail, cut: (pair[1] + tail)[:cut], st.sampled_from(NEWER), st.binary(max_size=12), st.integers(0, 40)
)))  # fmt: skip
def test_any_codes_of_the_newer_kind(status, payload):
    check_newer(status, payload)


@pytest.mark.parametrize(
    ("frames", "whole"),
    [
        (["10 08 4A 03", "21 03 02 AA AA AA AA AA"], []),  # a first frame cut short: its padding became a code
        (["10 14 49 02 01 31 4A 39", "21 52 50", "22 36 41 31 36 34 34 33"], []),  # a further frame cut short
        (["00 01 44"], []),  # the length of a long single frame in a short one
        (["10 00 00 00 00 09 49 02", "21 01 31 4A 39 52 50 31"], []),  # the long form of a short length
        (["10 09 49 02 01 31 4A 39", "21 52 50 31"], ["49 02 01 31 4A 39 52 50 31"]),  # the last frame without padding
    ],
)
def test_what_fuzzing_found_stays_mended(frames, whole):
    """ISO 15765-2 (from memory): only the last frame of an answer may be shorter than eight bytes."""
    assert check_frames([bytes.fromhex(frame) for frame in frames]) == [bytes.fromhex(answer) for answer in whole]


@pytest.mark.parametrize("request_bytes", ["01", "02", "02 02", "06", "09", "03 00", "09 02 03", "06 A2 A3"])
def test_a_request_that_is_not_whole_is_refused(request_bytes):
    """Found by fuzzing: such a request, heard in a trace, ended in an error of Python's."""
    with pytest.raises(RequestError, match="not whole"):
        decode_answer(bytes.fromhex(request_bytes), bytes((bytes.fromhex(request_bytes)[0] + 0x40, 0, 0, 0, 0, 0)))


# ---- a whole session -----------------------------------------------------------------------------------------------


class SpoiltCar(can.BusABC):
    """Answers each question with the same frames of (unit, data), once or for ever; `given` is what was heard."""

    def __init__(self, frames: list[tuple[int, bytes]], for_ever: bool) -> None:
        super().__init__(channel="spoilt")
        self._frames, self._for_ever = frames, for_ever
        self._next = iter(())
        self.given: list[tuple[int, bytes]] = []

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        if msg.data[0] >> 4 == 0:
            self._next = itertools.cycle(self._frames) if self._for_ever else iter(self._frames)

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        time.sleep(0.0002)
        identifier, data = next(self._next, (0, b""))
        if not identifier:
            return None, False
        self.given.append((identifier, data))
        return can.Message(arbitration_id=identifier, is_extended_id=False, data=data), False


@pytest.mark.parametrize("for_ever", [False, True], ids=["once", "for-ever"])
def test_a_session_ends_in_time_and_invents_no_answer(for_ever):
    """Two units at once, both spoilt; for ever: the frames come again and again without end."""
    chance = random.Random(int(for_ever))
    for _ in range(SESSIONS // 2):
        request, payload = chance.choice(PAIRS[:-2])
        if request == b"\x04":
            continue  # erasing does not go through Session.request
        units = {number: spoilt(frames_of(payload), chance) for number in (0x7E8, 0x7E9)}
        mixed = [(number, frame) for number, frames in units.items() for frame in frames]
        chance.shuffle(mixed)
        begun = time.monotonic()
        with SpoiltCar(mixed, for_ever) as car, Session(car, timing=QUICK) as session:
            exchange = session.request(request)
        assert time.monotonic() - begun < LONGEST_S
        for unit, answer in exchange:
            own = [data for number, data in car.given if Unit(number, 11) == unit]
            assert answer in put_together(own)


# ---- led by coverage -----------------------------------------------------------------------------------------------


def test_bytes_led_by_coverage_find_nothing():
    """5,000 inputs by atheris in a process of its own."""
    if importlib.util.find_spec("atheris") is None:
        pytest.skip("atheris is not installed; it is for Linux only")
    runs = 5_000
    command = [sys.executable, "-m", "tests.fuzz.run", "--runs", str(runs), "--seed", "1"]
    environment = {**os.environ, "PYTHONPATH": os.pathsep.join(filter(None, (str(ROOT / "src"), str(ROOT))))}
    done = subprocess.run(command, cwd=ROOT, env=environment, capture_output=True, text=True, timeout=300, check=False)
    assert done.returncode == 0, done.stderr[-3000:]
    told = re.search(r"stat::number_of_executed_units:\s+(\d+)", done.stderr)
    assert told is not None
    assert int(told.group(1)) >= runs
