"""The virtual car on a virtual CAN bus: byte vectors, an independent ISO-TP library, and bad manners."""

from __future__ import annotations

import itertools
from collections.abc import Iterator

import can
import isotp
import pytest

from firstcause import signals
from firstcause.signals import Codes, CurrentData, MonitorResults, SupportedIds, VehicleInfo, decode_answer
from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.bus import Addressing, Manners, VirtualBusCar
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.isotp import AnswerSender, separation_s, single_request

PUBLISHED_VIN = "1J9RP1A36A1644345"
_channels = itertools.count()


@pytest.fixture
def car() -> VirtualCar:
    made = VirtualCar.build(common_layout("I4"), PUBLISHED_VIN, 118_000.0, seed=3)
    made.key_on()
    return made


class BusTester:
    """A hand-pumped tester: sends raw frames, collects raw frames, no time passes but what it says."""

    def __init__(self, car: VirtualCar, **options: object):
        channel = f"bus-{next(_channels)}"
        self.now_s = 0.0
        self.bus = can.Bus(channel=channel, interface="virtual")
        self.car = VirtualBusCar(car, channel, clock=lambda: self.now_s, **options)  # type: ignore[arg-type]

    def send(self, data: str, to: int = 0x7DF) -> list[tuple[int, str]]:
        raw = bytes.fromhex(data)
        self.bus.send(can.Message(arbitration_id=to, data=raw.ljust(8, b"\0"), is_extended_id=to > 0x7FF))
        return self.wait(0.0)

    def wait(self, seconds: float) -> list[tuple[int, str]]:
        self.now_s += seconds
        self.car.pump()
        frames = []
        while (message := self.bus.recv(0)) is not None:
            frames.append((message.arbitration_id, message.data.hex(" ").upper()))
        return frames

    def close(self) -> None:
        self.car.close()
        self.bus.shutdown()


@pytest.fixture
def tester(car: VirtualCar) -> Iterator[BusTester]:
    made = BusTester(car)
    yield made
    made.close()


def test_vin_as_frames(tester: BusTester) -> None:
    """Vector V11: the VIN printed in NHTSA's guide p. 18 as ISO-TP frames; flow control V12 [M] (reference 2.10)."""
    assert tester.send("02 09 02") == [(0x7E8, "10 14 49 02 01 31 4A 39")]
    assert tester.send("30 00 00", to=0x7E0) == [
        (0x7E8, "21 52 50 31 41 33 36 41"),
        (0x7E8, "22 31 36 34 34 33 34 35"),
    ]


def test_no_codes_is_count_zero(tester: BusTester) -> None:
    """Vector V9: 43 00."""
    assert tester.send("01 03")[0][1].startswith("02 43 00")


def test_erase_is_refused_with_7f_04_22_while_running(tester: BusTester, car: VirtualCar) -> None:
    """Vector V14."""
    car.start()
    assert tester.send("01 04")[0][1].startswith("03 7F 04 22")
    car.stop()
    assert tester.send("01 04")[0][1].startswith("01 44")


def test_a_functional_request_that_is_not_supported_gets_silence_a_physical_one_a_refusal(tester: BusTester) -> None:
    """SAE J1979 (from memory): 7F .. 11 and 7F .. 12 only to a physical request."""
    assert tester.send("02 01 5C") == []
    assert tester.send("02 01 5C", to=0x7E0)[0][1].startswith("03 7F 01 12")
    assert tester.send("01 22") == []
    assert tester.send("01 22", to=0x7E0)[0][1].startswith("03 7F 22 11")


@pytest.mark.parametrize("malformed", ["00", "08 01 00", "F0 01 00", "21 01 00", "30 00 00"])
def test_malformed_and_unexpected_frames_get_silence(tester: BusTester, malformed: str) -> None:
    """Length 0, too long, unknown type, stray consecutive and flow control frames: ISO 15765-2 (from memory)."""
    assert tester.send(malformed, to=0x7E0) == []


def test_block_size_and_overflow(tester: BusTester) -> None:
    """Flow control: block of one, then go on; overflow ends the answer. ISO 15765-2 (from memory)."""
    tester.send("02 09 02")
    assert [frame for _, frame in tester.send("30 01 00", to=0x7E0)] == ["21 52 50 31 41 33 36 41"]
    assert [frame for _, frame in tester.send("31 00 00", to=0x7E0)] == []
    assert [frame for _, frame in tester.send("30 00 00", to=0x7E0)] == ["22 31 36 34 34 33 34 35"]
    tester.send("02 09 02")
    assert tester.send("32 00 00", to=0x7E0) == []
    assert tester.send("30 00 00", to=0x7E0) == []


@pytest.mark.parametrize(
    ("code", "seconds"), [(0x00, 0.0), (0x7F, 0.127), (0xF1, 1e-4), (0xF9, 9e-4), (0x80, 0.127), (0xFA, 0.127)]
)
def test_separation_time(code: int, seconds: float) -> None:
    """STmin table, ISO 15765-2 (from memory, reference 2.2)."""
    assert separation_s(code) == pytest.approx(seconds)


def test_separation_is_kept(tester: BusTester) -> None:
    """With STmin 20 ms the second consecutive frame comes 20 ms after the first."""
    tester.send("02 09 02")
    assert tester.send("30 00 14", to=0x7E0) == []
    assert len(tester.wait(0.020)) == 1
    assert len(tester.wait(0.020)) == 1


def test_engine_off_and_key_off_is_silent() -> None:
    """A control unit without ignition supply says nothing."""
    car = VirtualCar.build(common_layout("I4"), PUBLISHED_VIN, 1000.0)
    made = BusTester(car)
    assert made.send("02 01 00") == []
    made.close()


@pytest.mark.parametrize(
    ("manners", "first"),
    [
        (Manners(delay_s=0.2), []),
        (Manners(silent=True), []),
        (Manners(pending_times=2), ["03 7F 01 78"]),
    ],
)
def test_slow_silent_and_pending(car: VirtualCar, manners: Manners, first: list[str]) -> None:
    """What comes at once; a delayed or announced answer comes later."""
    tester = BusTester(car, manners=manners)
    frames = [frame[:11] for _, frame in tester.send("02 01 0C")]
    assert frames == first
    later = [frame for _, frame in tester.wait(0.3)]
    if manners.silent:
        assert later == []
    else:
        assert later[-1].startswith("04 41 0C")
    tester.close()


def test_answer_is_coming_for_ever(car: VirtualCar) -> None:
    """7F .. 78 again and again, never an answer, until something else is asked for and treated likewise."""
    tester = BusTester(car, manners=Manners(pending_times=None))
    frames = tester.send("02 01 0C")
    for _ in range(20):
        frames += tester.wait(0.05)
    assert len(frames) >= 20
    assert {frame[:11] for _, frame in frames} == {"03 7F 01 78"}
    tester.close()


def test_wrong_sequence_number_and_breaking_off() -> None:
    """Bad manners are what they say: the second consecutive frame carries a wrong number; or nothing follows."""
    payload = bytes(range(30))
    go = bytes.fromhex("300000")
    wrong = AnswerSender(wrong_sequence=True)
    wrong.begin(payload)
    assert [outgoing.data[0] for outgoing in wrong.flow_control(go)] == [0x21, 0x25, 0x23, 0x24]
    silent = AnswerSender(silent_after_first=True)
    assert silent.begin(payload).data[:2] == bytes.fromhex("101E")
    assert silent.flow_control(go) == []


def test_single_request_reads_its_length() -> None:
    """Padding is not part of a request."""
    assert single_request(bytes.fromhex("02010C5555555555")) == bytes.fromhex("010C")


@pytest.mark.parametrize("addressing", ["11-bit", "29-bit"])
def test_every_service_through_an_independent_transport(addressing: Addressing) -> None:
    """Answers travel through can-isotp, a library that is not ours, and decode to what the car knows."""
    car = VirtualCar.build(
        common_layout("V6", displacement_l=3.0), PUBLISHED_VIN, 118_000.0, [("coil-dead", 5, 1.0)], seed=1
    )
    car.drive("cold-start")
    car.drive("cold-start")
    car.key_on()
    channel = f"bus-{next(_channels)}"
    if addressing == "11-bit":
        address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
    else:
        address = isotp.Address(isotp.AddressingMode.Normal_29bits, txid=0x18DA10F1, rxid=0x18DAF110)
    with (
        VirtualBusCar(car, channel, addressing=addressing),
        can.Bus(channel=channel, interface="virtual") as bus,
    ):
        notifier = can.Notifier(bus, [])
        stack = isotp.NotifierBasedCanStack(bus, notifier, address=address)
        stack.start()

        def ask(request: bytes) -> signals.Answer:
            stack.send(request)
            payload = stack.recv(block=True, timeout=2.0)
            assert payload is not None, request.hex()
            return decode_answer(request, bytes(payload))

        try:
            for status in ("confirmed", "pending", "permanent"):
                found = ask(signals.request_codes(status))
                assert isinstance(found, Codes)
                assert tuple(code.text for code in found.codes) == car.unit.codes(status)
            supported = ask(b"\x01\x00")
            assert isinstance(supported, SupportedIds)
            assert {0x01, 0x04, 0x05, 0x0C, 0x10, 0x20} <= supported.ids
            current = ask(signals.request_current(0x0C, 0x05, 0x01))
            assert isinstance(current, CurrentData)
            assert {reading.name: reading.value for reading in current.readings}["engine_rpm"] == 0
            tests = ask(signals.request_tests(0xA6))
            assert isinstance(tests, MonitorResults)
            assert signals.misfire_counts(tests.results)[0].last_cycle == car.counts_this_cycle[4]
            vin = ask(signals.request_info(0x02))
            assert isinstance(vin, VehicleInfo)
            assert vin.value == PUBLISHED_VIN
            for info_type in (0x04, 0x06, 0x08, 0x0A):
                info = ask(signals.request_info(info_type))
                assert isinstance(info, VehicleInfo)
                assert info.value is not None
            frame = ask(signals.request_freeze(0x02, 0x0C))
            assert isinstance(frame, signals.FreezeFrame)
            values = {reading.name: reading.value for reading in frame.readings}
            assert values["freeze_code"] == signals.TroubleCode("P0305")
            assert isinstance(values["engine_rpm"], float)
            assert values["engine_rpm"] > 500
        finally:
            stack.stop()
            notifier.stop()


def test_two_units_answer_a_functional_request(car: VirtualCar) -> None:
    """7E8 and 7E9 both answer to 7DF; only the asked one to 7E1."""
    tester = BusTester(car, transmission=True)
    assert {identifier for identifier, _ in tester.send("02 01 00")} == {0x7E8, 0x7E9}
    assert {identifier for identifier, _ in tester.send("02 01 00", to=0x7E1)} == {0x7E9}
    tester.close()


@pytest.mark.parametrize("shape", ["I2", "I3", "V10", "V12", "F6"])
def test_supported_bitmap_tells_the_truth(shape: str) -> None:
    """Every parameter, monitor and info type that the unit says it has, it answers; any layout."""
    car = VirtualCar.build(common_layout(shape), PUBLISHED_VIN, 1000.0, seed=2)
    car.idle(0.5)
    tester = BusTester(car, seconds_per_answer=0.0)
    engine = tester.car.units[0].unit
    for service in (0x01, 0x06, 0x09):
        known: set[int] = set()
        base = 0
        while True:
            answer = decode_answer(
                bytes((service, base)), engine.answer(bytes((service, base)), functional=False) or b""
            )
            assert isinstance(answer, SupportedIds)
            known |= answer.ids
            if base + 0x20 not in answer.ids:
                break
            base += 0x20
        plain = {identifier for identifier in known if identifier % 0x20}
        assert plain
        for identifier in plain:
            request = bytes((service, identifier))
            payload = engine.answer(request, functional=False)
            assert payload is not None
            assert payload[0] == service + 0x40, request.hex()
            decode_answer(request, payload)
    if shape in ("V10", "V12"):
        assert 0xA2 + car.layout.count - 1 in {0xA1 + number for number in car.layout.cylinders}
    tester.close()


def test_live_data_move_while_the_engine_runs_and_repeat_with_the_seed() -> None:
    """Same seed, same requests: the same bytes; the car's run time goes on with each answer."""

    def talk() -> list[str]:
        car = VirtualCar.build(common_layout("I4"), PUBLISHED_VIN, 1000.0, [("exhaust-valve-leak", 3, 1.0)], seed=8)
        car.idle(1.0)
        tester = BusTester(car, seconds_per_answer=1.0)
        frames = [frame for _ in range(30) for _, frame in tester.send("03 01 1F 07")]
        tester.close()
        return frames

    first = talk()
    assert first == talk()
    assert len(set(first)) > 20
