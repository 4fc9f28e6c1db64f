"""Every service for every unit that answers: eight at once, long answers interleaved frame by frame.

Eight is the most that ISO 15765-4 lets answer (from memory). The frames are written here by the table of frame types.
"""

from __future__ import annotations

import can
import pytest
from tests.fuzz.seeds import frames_of
from tests.link.conftest import PATIENT
from tests.link.scripted_car import ScriptedCar

from firstcause import signals
from firstcause.link import ELEVEN_BIT, TWENTY_NINE_BIT, Session, take_snapshot
from firstcause.signals import VehicleInfo, decode_answer
from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.bus import Addressing, VirtualBusCar
from firstcause.virtualcar.car import VirtualCar

EIGHT = {f"{0x7E8 + place:X}": f"{0x7E0 + place:X}" for place in range(8)}


def test_eight_long_answers_interleaved_come_whole_and_apart(car: ScriptedCar, session: Session):
    """First frames of all, then each second frame, each third …; every unit gets flow control at its own address."""
    said = {unit: (f"CAL-{unit}-A", f"CAL-{unit}-B") for unit in EIGHT}
    told = {unit: frames_of(signals.encode_info(0x04, texts)) for unit, texts in said.items()}
    steps = [f"{unit} {frames[0].hex()}" for unit, frames in told.items()]
    steps += [f"fc {request}" for request in EIGHT.values()]
    for turn in range(1, max(map(len, told.values()))):
        steps += [f"{unit} {frames[turn].hex()}" for unit, frames in told.items()]
    car.on("09 04", *steps)

    exchange = session.request(b"\x09\x04")

    assert exchange.faults == ()
    got = {}
    for unit, payload in exchange:
        answer = decode_answer(b"\x09\x04", payload)
        assert isinstance(answer, VehicleInfo)
        got[str(unit)] = answer.value
    assert got == said


def test_one_of_eight_that_breaks_off_costs_the_others_nothing(car: ScriptedCar, session: Session):
    told = {unit: frames_of(signals.encode_info(0x04, (f"CAL-{unit}",))) for unit in EIGHT}
    told["7EB"] = told["7EB"][:1]
    steps = [f"{unit} {frames[0].hex()}" for unit, frames in told.items()]
    for turn in (1, 2):
        steps += [f"{unit} {frames[turn].hex()}" for unit, frames in told.items() if len(frames) > turn]
    car.on("09 04", *steps)

    exchange = session.request(b"\x09\x04")

    assert [str(unit) for unit, _ in exchange] == [unit for unit in EIGHT if unit != "7EB"]
    assert [(str(broken.unit), broken.fault) for broken in exchange.faults] == [("7EB", "frame-lost")]


@pytest.mark.parametrize("addressing", ["11-bit", "29-bit"])
def test_the_snapshot_asks_every_service_of_every_unit(addressing: Addressing):
    """Three units; the frames on the bus, not the snapshot, say what each was asked by its own address."""
    made = VirtualCar.build(common_layout("I4"), "5ZCV2A3B5AR000123", 190_000.0, [("coil-weak", 3, 1.1)], seed=2)
    made.own(200.0, "town", until_lamp=True)
    made.key_on()
    wide = TWENTY_NINE_BIT if addressing == "29-bit" else ELEVEN_BIT
    name = f"many-{addressing}"
    asked: dict[int, set[int]] = {}
    with VirtualBusCar(made, name, addressing=addressing, transmission=True, body=True), \
         can.Bus(name, interface="virtual") as bus, can.Bus(name, interface="virtual") as ear:  # fmt: skip
        with Session(bus, wide, PATIENT) as session:
            taken = take_snapshot(session, idle_samples=1)
        while (heard := ear.recv(0)) is not None:
            if wide.is_request_id(heard.arbitration_id) and heard.data[0] >> 4 == 0:
                asked.setdefault(heard.arbitration_id, set()).add(heard.data[1])
    every = {0x01, 0x02, 0x03, 0x06, 0x07, 0x09, 0x0A}
    units = {unit for unit in asked if unit != wide.functional_id}
    assert len(units) == len(taken.units) == 3
    assert {unit: asked[unit] for unit in units} == dict.fromkeys(units, every)
    assert all(unit.confirmed is not None and unit.permanent is not None for unit in taken.units)
    assert [unit.confirmed for unit in taken.units] == [("P0303",), (), ()]
    assert len({unit.calibration_ids for unit in taken.units}) == 3
