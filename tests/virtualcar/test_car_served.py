"""The car on a bus for any other tester: several units, bad manners of each, other machines' interfaces."""

from __future__ import annotations

import itertools
import subprocess
import sys
import time
from collections.abc import Iterator
from pathlib import Path

import can
import isotp
import pytest

from firstcause import signals
from firstcause.signals import decode_answer
from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.bus import Manners, NoSuchBus, VirtualBusCar, usual_channel
from firstcause.virtualcar.car import VirtualCar

VIN = "1J9RP1A36A1644345"  # published in NHTSA's guide for new manufacturers, p. 18
_channels = itertools.count()


@pytest.fixture
def car() -> VirtualCar:
    made = VirtualCar.build(common_layout("I4"), VIN, 118_000.0, seed=3)
    made.key_on()
    return made


def answers(bus: can.BusABC, request: str, wait_s: float = 0.4) -> list[tuple[int, bytes]]:
    """Send one functional request frame and collect what comes."""
    bus.send(can.Message(arbitration_id=0x7DF, data=bytes.fromhex(request).ljust(8, b"\0"), is_extended_id=False))
    came, end = [], time.monotonic() + wait_s
    while (left := end - time.monotonic()) > 0:
        message = bus.recv(left)
        if message is not None and message.arbitration_id >= 0x7E8:
            came.append((message.arbitration_id, bytes(message.data)))
    return came


@pytest.fixture
def wire() -> Iterator[tuple[str, can.BusABC]]:
    channel = f"served-{next(_channels)}"
    bus = can.Bus(channel=channel, interface="virtual")
    yield channel, bus
    bus.shutdown()


def test_three_units_answer_a_functional_request_each_from_its_own_address(
    car: VirtualCar, wire: tuple[str, can.BusABC]
) -> None:
    """Answers from 7E8, 7E9, 7EA: ISO 15765-4 (from memory)."""
    channel, bus = wire
    with VirtualBusCar(car, channel, transmission=True, body=True):
        came = answers(bus, "02 01 00")
    assert {sender for sender, _ in came} == {0x7E8, 0x7E9, 0x7EA}


def test_the_third_unit_knows_voltage_and_air(car: VirtualCar, wire: tuple[str, can.BusABC]) -> None:
    channel, bus = wire
    with VirtualBusCar(car, channel, body=True):
        came = dict(answers(bus, "02 01 46"))
    assert came[0x7EA][:4] == bytes((0x03, 0x41, 0x46, 18 + 40))


def test_one_unit_with_bad_manners_does_not_spoil_the_others(car: VirtualCar, wire: tuple[str, can.BusABC]) -> None:
    """The gearbox says "answer is coming" for ever; the engine answers all the same."""
    channel, bus = wire
    for_ever = Manners(pending_times=None, pending_every_s=0.05)
    with VirtualBusCar(car, channel, transmission=True, other_manners=for_ever):
        came = answers(bus, "01 03")
    engine = [data for sender, data in came if sender == 0x7E8]
    gearbox = [data for sender, data in came if sender == 0x7E9]
    assert [data[:3] for data in engine] == [bytes((0x02, 0x43, 0x00))]
    assert len(gearbox) >= 4
    assert all(data[:4] == bytes((0x03, 0x7F, 0x03, 0x78)) for data in gearbox)


def test_a_slow_unit_is_slow_and_a_silent_one_silent(car: VirtualCar, wire: tuple[str, can.BusABC]) -> None:
    channel, bus = wire
    with VirtualBusCar(car, channel, manners=Manners(delay_s=0.3)):
        assert answers(bus, "01 03", 0.15) == []
        assert len(answers(bus, "01 03", 0.6)) >= 1
    with VirtualBusCar(car, channel, manners=Manners(silent=True), transmission=True):
        assert {sender for sender, _ in answers(bus, "01 03")} == {0x7E9}


def test_an_independent_library_reads_the_vin_over_the_bus(car: VirtualCar, wire: tuple[str, can.BusABC]) -> None:
    """can-isotp as the other tester; VIN of NHTSA's guide."""
    channel, bus = wire
    address = isotp.Address(isotp.AddressingMode.Normal_11bits, txid=0x7E0, rxid=0x7E8)
    notifier = can.Notifier(bus, [], timeout=0.05)
    stack = isotp.NotifierBasedCanStack(bus, notifier, address=address)
    with VirtualBusCar(car, channel):
        stack.start()
        try:
            stack.send(bytes((0x09, 0x02)))
            answer = stack.recv(block=True, timeout=2.0)
        finally:
            stack.stop()
            notifier.stop()
    assert answer is not None
    info = decode_answer(bytes((0x09, 0x02)), bytes(answer))
    assert isinstance(info, signals.VehicleInfo)
    assert VIN in str(info)


def test_a_bus_that_is_not_there_is_said_in_one_sentence(car: VirtualCar) -> None:
    with pytest.raises(NoSuchBus, match="Nothing was started"):
        VirtualBusCar(car, "no-such-device", interface="socketcan")
    assert usual_channel("socketcan") == "vcan0"


# ---- interfaces that not every machine has ----------------------------------------------------------------


def serve_and_ask(tmp_path: Path, interface: str, channel: str) -> list[tuple[int, bytes]]:
    """`firstcause virtual-car serve` in a process of its own, asked from this one."""
    file = tmp_path / "car.toml"
    file.write_text(f'seed = 3\nvin = "{VIN}"\nmileage_km = 118000.0\n[engine]\nshape = "I4"\n', encoding="utf-8")
    command = [sys.executable, "-c", "from firstcause.cli.main import main; main()", "virtual-car", "serve", str(file),
               "--interface", interface, "--channel", channel, "--key", "on", "--for-seconds", "20"]  # fmt: skip
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as server:
        try:
            assert server.stdout is not None
            assert "answers on" in server.stdout.readline()
            bus = can.Bus(channel=channel, interface=interface)
            try:
                return answers(bus, "01 03", 1.0)
            finally:
                bus.shutdown()
        finally:
            server.terminate()


def test_another_process_asks_over_udp_multicast(tmp_path: Path) -> None:
    assert (0x7E8, bytes((0x02, 0x43, 0x00)) + b"\xaa" * 5) in serve_and_ask(tmp_path, "udp_multicast", "239.74.163.2")


def test_another_process_asks_over_a_virtual_can_device(tmp_path: Path) -> None:
    if not Path("/sys/class/net/vcan0").exists():
        pytest.skip("this machine has no vcan0 (ip link add vcan0 type vcan; ip link set up vcan0)")
    assert (0x7E8, bytes((0x02, 0x43, 0x00)) + b"\xaa" * 5) in serve_and_ask(tmp_path, "socketcan", "vcan0")
