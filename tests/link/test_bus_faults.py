"""What goes wrong on the bus: each fault is typed, and the answers of the other unit survive it."""

import logging
import time

import pytest

from firstcause.link import Session, Timing, Unit

ENGINE, GEARBOX = Unit(0x7E8, 11), Unit(0x7E9, 11)
FIRST, SECOND, THIRD = "10 14 49 02 01 31 4A 39", "21 52 50 31 41 33 36 41", "22 31 36 34 34 33 34 35"
VIN_ANSWER = bytes.fromhex("49 02 01") + b"1J9RP1A36A1644345"
OTHER = ("7E9 10 14 49 02 01 31 4A 39", "fc 7E1", f"7E9 {SECOND}", f"7E9 {THIRD}")


@pytest.mark.parametrize(
    ("fault", "steps"),
    [
        ("wrong-sequence", (f"7E8 {FIRST}", "fc 7E0", f"7E8 {THIRD}", f"7E8 {SECOND}")),
        ("wrong-sequence", (f"7E8 {FIRST}", "fc 7E0", f"7E8 {SECOND}", f"7E8 {SECOND}", f"7E8 {THIRD}")),  # repeated
        ("frame-lost", (f"7E8 {FIRST}", "fc 7E0", f"7E8 {SECOND}")),  # stops in the middle
        ("overlong", ("7E8 10 00 00 00 10 00 49 02",)),  # escape form: 4096 bytes
        ("unexpected", (f"7E8 {SECOND}",)),
        ("unreadable", ("7E8 10 05 49 02 01 31 4A 39",)),  # a first frame for what fits a single one
        ("unreadable", ("7E8 00 49 02",)),  # a single frame of no length
        ("unreadable", ("7E8 51 49 02",)),  # a frame kind that does not exist
        ("other-question", ("7E8 06 41 00 BE 1F A8 13",)),
    ],
)
def test_a_fault_of_one_unit_does_not_lose_the_other(car, session, fault, steps):
    """ISO 15765-2 error handling (from memory; reference 2.2); frames computed by hand."""
    car.on("09 02", *steps, *OTHER)

    exchange = session.request(b"\x09\x02")

    assert list(exchange) == [(GEARBOX, VIN_ANSWER)]
    assert [(broken.unit, broken.fault) for broken in exchange.faults] == [(ENGINE, fault)]
    assert str(exchange.faults[0]).startswith("Control unit 7E8 ")
    assert "kept" in str(exchange.faults[0])


def test_a_cut_frame_is_unreadable(car, session):
    """A single frame that announces six bytes and carries two ("cut" sends without padding)."""
    car.on("01 00", "cut 7E8 06 41 00", "7E9 06 41 00 80 00 00 00")

    exchange = session.request(b"\x01\x00")

    assert list(exchange) == [(GEARBOX, bytes.fromhex("41 00 80 00 00 00"))]
    assert [(broken.unit, broken.fault) for broken in exchange.faults] == [(ENGINE, "unreadable")]


def test_a_new_answer_in_the_middle_replaces_the_old_one(car, session):
    """ISO 15765-2: a new first or single frame drops what was begun (from memory)."""
    car.on("09 02", f"7E8 {FIRST}", "fc 7E0", f"7E8 {FIRST}", f"7E8 {SECOND}", f"7E8 {THIRD}")

    exchange = session.request(b"\x09\x02")

    assert list(exchange) == [(ENGINE, VIN_ANSWER)]
    assert [broken.fault for broken in exchange.faults] == ["interrupted"]


def test_a_unit_that_begins_again_and_again_cannot_hold_us(car, session):
    """Ours: after the second interruption it is not listened to for this request."""
    car.on("09 02", *[f"7E8 {FIRST}", "pause 0.05"] * 20)
    began = time.monotonic()

    exchange = session.request(b"\x09\x02")

    assert time.monotonic() - began < 0.8
    assert list(exchange) == []
    assert {broken.fault for broken in exchange.faults} == {"interrupted"}


def test_an_answer_that_comes_twice_counts_once(car, session):
    """Repeated frames: the first stays, the second is noted."""
    car.on("03", "7E8 04 43 01 03 03", "7E8 04 43 01 03 03")

    exchange = session.request(b"\x03")

    assert list(exchange) == [(ENGINE, bytes.fromhex("43 01 03 03"))]
    assert [broken.fault for broken in exchange.faults] == ["repeated"]


def test_a_late_answer_is_not_taken_for_the_next_question(car, session):
    """The answer to 0C comes after its time; the question for 05 must not be answered by it."""
    car.on("01 0C", "pause 0.3", "7E8 04 41 0C 1A F8")
    car.on("01 05", "7E8 03 41 05 7B")

    late = session.request(b"\x01\x0c")
    time.sleep(0.15)
    then = session.request(b"\x01\x05")

    assert list(late) == []
    assert list(then) == [(ENGINE, bytes.fromhex("41 05 7B"))]


def test_a_storm_of_error_frames_neither_blocks_nor_loses_an_answer(car):
    """can-isotp issue #142 once cost 20 ms an error frame (2,000 would be 40 s).

    Time limits are wide here, because the scripted car itself needs long to send a storm on a loaded machine.
    """
    storm = ["error"] * 500
    car.on("09 02", *storm, f"7E8 {FIRST}", "fc 7E0", *storm, f"7E8 {SECOND}", *storm, *storm, f"7E8 {THIRD}")
    began = time.monotonic()
    with Session(car.tester_bus, timing=Timing(p2_ms=3000, next_part_ms=3000)) as session:
        exchange = session.request(b"\x09\x02", to=ENGINE)

    assert list(exchange) == [(ENGINE, VIN_ANSWER)]
    assert exchange.faults == ()
    assert exchange.error_frames == 2000
    assert time.monotonic() - began < 10


def test_a_long_session_leaves_nothing_behind(car, session):
    """Ours: handlers that piled up once made the thousandth question ten times as slow as the first."""
    car.on("01 05", "7E8 03 41 05 7B")
    for _ in range(50):
        session.request(b"\x01\x05", to=ENGINE)

    assert len(logging.getLogger("firstcause.link").handlers) == 1
    assert list(session._reassemblers) == [ENGINE]


def test_noise_of_others_is_not_an_answer(car, session):
    """Other traffic on the bus, other widths and other testers' flow control mean nothing to us."""
    car.on("03", "123 02 43 00", "7F0 02 43 00", "18DAF110 02 43 00", "7E8 30 00 00", "7E8 02 43 00")

    exchange = session.request(b"\x03")

    assert list(exchange) == [(ENGINE, b"\x43\x00")]
    assert exchange.faults == ()


def test_a_dead_half_of_a_long_answer_ends_in_its_own_time(car):
    """The next part is due within 150 ms (ISO 15765-4 N_Cr, from memory), not within P2*."""
    car.on("09 02", f"7E8 {FIRST}", "fc 7E0")
    with Session(car.tester_bus, timing=Timing(adapter_margin_ms=20)) as session:
        began = time.monotonic()
        exchange = session.request(b"\x09\x02", to=ENGINE)

    assert [broken.fault for broken in exchange.faults] == ["frame-lost"]
    assert 0.14 < time.monotonic() - began < 1
