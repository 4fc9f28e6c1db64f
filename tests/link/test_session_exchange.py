"""Requests and answers on the bus, each frame of the car written by hand (ISO 15765-2 frames, vectors V2-V12)."""

import time

import can
import pytest

from firstcause.errors import CarError, RequestError
from firstcause.link import (
    TWENTY_NINE_BIT,
    BusStopped,
    NoAnswer,
    ServiceNotAllowed,
    Session,
    Timing,
    Unit,
)

ENGINE, GEARBOX = Unit(0x7E8, 11), Unit(0x7E9, 11)
VIN_FRAMES = ("10 14 49 02 01 31 4A 39", "21 52 50 31 41 33 36 41", "22 31 36 34 34 33 34 35")  # V11
VIN_ANSWER = bytes.fromhex("49 02 01") + b"1J9RP1A36A1644345"
THREE_CODES = bytes.fromhex("43 03 03 03 04 20 01 71")


def vin_from(unit="7E8", fc="7E0"):
    first, *rest = VIN_FRAMES
    return (f"{unit} {first}", f"fc {fc}", *(f"{unit} {frame}" for frame in rest))


def test_a_functional_request_and_its_answer(car, session):
    """V2 and V3 of the reference: 7DF 02 01 00, 7E8 06 41 00 BE 1F A8 13 (from memory, computed)."""
    car.on("01 00", "7E8 06 41 00 BE 1F A8 13")

    assert list(session.request(b"\x01\x00")) == [(ENGINE, bytes.fromhex("41 00 BE 1F A8 13"))]
    assert car.heard == [(0x7DF, bytes.fromhex("02 01 00 00 00 00 00 00"))]


def test_a_long_answer_and_flow_control_to_the_physical_identifier(car, session):
    """V11 and V12: NHTSA's published VIN in three frames; flow control 30 00 00 goes to 7E0, not to 7DF."""
    car.on("09 02", *vin_from())

    assert list(session.request(b"\x09\x02")) == [(ENGINE, VIN_ANSWER)]
    assert car.heard[1] == (0x7E0, bytes.fromhex("30 00 00 00 00 00 00 00"))


def test_two_units_interleave_their_long_answers(car, session):
    """ISO 15765-2: each unit has its own transfer (frames computed by hand)."""
    car.on(
        "09 02",
        f"7E8 {VIN_FRAMES[0]}",
        f"7E9 {VIN_FRAMES[0]}",
        "fc 7E0",
        "fc 7E1",
        f"7E9 {VIN_FRAMES[1]}",
        f"7E8 {VIN_FRAMES[1]}",
        f"7E8 {VIN_FRAMES[2]}",
        f"7E9 {VIN_FRAMES[2]}",
    )

    exchange = session.request(b"\x09\x02")

    assert list(exchange) == [(ENGINE, VIN_ANSWER), (GEARBOX, VIN_ANSWER)]
    assert exchange.faults == ()


def test_eight_units_answer_at_once(car, session):
    """ISO 15765-4: at most eight units (from memory)."""
    car.on("01 00", *(f"7E{8 + n:X} 06 41 00 80 00 00 0{n}" for n in range(8)))

    assert [str(unit) for unit, _ in session.request(b"\x01\x00")] == [f"7E{n:X}" for n in range(8, 16)]


def test_29_bit_identifiers(car):
    """ISO 15765-4: 18DB33F1 asks, 18DAF110 answers, flow control goes to 18DA10F1 (from memory)."""
    car.on("09 02", *vin_from("18DAF110", "18DA10F1"))
    with Session(car.tester_bus, TWENTY_NINE_BIT, Timing(adapter_margin_ms=100)) as session:
        (unit, payload), *others = session.request(b"\x09\x02")

    assert (str(unit), unit.request_id, payload, others) == ("18DAF110", 0x18DA10F1, VIN_ANSWER, [])
    assert car.heard[0][0] == 0x18DB33F1


def test_asking_one_unit_does_not_wait_for_others(car, session):
    """Ours: a physical request is over when its unit has answered."""
    car.on("01 0C", "7E9 04 41 0C 1A F8")
    began = time.monotonic()

    exchange = session.request(b"\x01\x0c", to=GEARBOX)

    assert time.monotonic() - began < 0.1
    assert list(exchange) == [(GEARBOX, bytes.fromhex("41 0C 1A F8"))]
    assert car.heard[0][0] == 0x7E1


def test_silence_is_an_empty_exchange_and_naming_no_unit_is_an_error_with_causes(car, session):
    """Ours: silence to one question is an answer; a car that says nothing at all is not."""
    assert list(session.request(b"\x0a")) == []
    with pytest.raises(NoAnswer) as caught:
        session.find_units()

    sentence = str(caught.value)
    assert isinstance(caught.value, CarError)
    for cause in ("ignition", "plug", "bit rate", "11 or 29", "UDS"):
        assert cause in sentence


def test_units_are_found(car, session):
    """Whoever answers 01 00 is there (ISO 15765-4, from memory)."""
    car.on("01 00", "7E9 06 41 00 80 00 00 00", "7E8 06 41 00 BE 1F A8 13")

    assert session.find_units() == (ENGINE, GEARBOX)


def test_response_pending_is_waited_out(car, session):
    """7F xx 78: wait P2*, which may repeat (SAE J1979 / ISO 14229, from memory)."""
    car.on("03", "7E8 03 7F 03 78", "pause 0.15", "7E8 03 7F 03 78", "pause 0.15", "7E8 04 43 01 03 03")

    exchange = session.request(b"\x03")

    assert list(exchange) == [(ENGINE, bytes.fromhex("43 01 03 03"))]
    assert exchange.faults == ()


def test_one_unit_pending_for_ever_does_not_lose_the_other(car, session):
    """Repeats are bounded, and a promise that is not kept ends too."""
    car.on("03", "7E9 02 43 00", *["7E8 03 7F 03 78", "pause 0.02"] * 5)
    car.on("07", "7E9 02 47 00", "7E8 03 7F 07 78")

    endless, dropped = session.request(b"\x03"), session.request(b"\x07")

    for exchange, answer in ((endless, b"\x43\x00"), (dropped, b"\x47\x00")):
        assert list(exchange) == [(GEARBOX, answer)]
        assert [(broken.unit, broken.fault) for broken in exchange.faults] == [(ENGINE, "pending-too-long")]


def test_busy_is_asked_again_physically(car, session):
    """7F xx 21: repeat the request (ISO 14229, from memory)."""
    car.on("03", "7E8 03 7F 03 21", "7E9 02 43 00")
    car.on("03", "7E8 04 43 01 03 03")

    exchange = session.request(b"\x03")

    assert list(exchange) == [(ENGINE, bytes.fromhex("43 01 03 03")), (GEARBOX, b"\x43\x00")]
    assert [identifier for identifier, _ in car.heard] == [0x7DF, 0x7E0]


def test_busy_for_ever_stays_an_answer(car, session):
    """Ours: after three repeats the refusal itself is the answer."""
    car.on("03", "7E8 03 7F 03 21")

    assert list(session.request(b"\x03")) == [(ENGINE, b"\x7f\x03\x21")]
    assert len(car.heard) == 4


def test_no_other_service_is_sent(car, session):
    """Reading only: $01 $02 $03 $06 $07 $09 $0A; $04 has its own guarded door. All 249 others are tried."""
    others = [service for service in range(256) if service not in {1, 2, 3, 6, 7, 9, 10}]
    for service in others:
        with pytest.raises(ServiceNotAllowed, match="Nothing was sent") as caught:
            session.request(bytes((service, 0)))
        assert isinstance(caught.value, RequestError)
        assert caught.value.service == service
    with pytest.raises(ServiceNotAllowed, match="An empty request"):
        session.request(b"")
    time.sleep(0.05)

    assert len(others) == 249
    assert car.heard == []


def test_a_request_longer_than_one_frame_is_refused(car, session):
    """ISO 15765-4: functional requests fit one frame."""
    with pytest.raises(RequestError, match="at most 7 bytes, not 8"):
        session.request(bytes.fromhex("01 0C 0D 05 06 07 0B 11"))

    assert car.heard == []


def test_an_adapter_that_dies_is_said_to_have_died():
    """Ours: the failure of the one reader reaches the one who asks, and the processor is left in peace."""

    class DeadBus(can.BusABC):
        channel_info = "dead"
        asked = 0

        def __init__(self):
            super().__init__(channel="dead")

        def send(self, msg, timeout=None):
            return None

        def _recv_internal(self, timeout):
            self.asked += 1
            raise can.CanOperationError("unplugged")

    bus = DeadBus()
    with Session(bus) as session:
        for _ in range(2):
            with pytest.raises(BusStopped, match=r"unplugged.*read before is kept"):
                session.request(b"\x03")
        time.sleep(0.1)
    assert bus.asked < 50
    bus.shutdown()


def test_a_frame_that_cannot_be_sent_is_said():
    """Ours: python-can's error comes out as ours, with its cause."""

    class MuteBus(can.BusABC):
        channel_info = "mute"

        def __init__(self):
            super().__init__(channel="mute")

        def send(self, msg, timeout=None):
            raise can.CanOperationError("bus off")

        def _recv_internal(self, timeout):
            time.sleep(timeout or 0)
            return None, False

    bus = MuteBus()
    with Session(bus) as session, pytest.raises(BusStopped, match="while sending: bus off") as caught:
        session.request(b"\x03")
    assert isinstance(caught.value.__cause__, can.CanError)
    bus.shutdown()


def test_a_unit_is_only_what_can_answer():
    """ISO 15765-4 identifiers (from memory)."""
    with pytest.raises(RequestError):
        Unit(0x7E0, 11)
    with pytest.raises(RequestError):
        Unit(0x18DA10F1, 29)
