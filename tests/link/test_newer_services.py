"""Cars that speak only OBD on UDS: recognised, said in words, codes read; nothing else is sent to them.

Byte vectors: the form of ISO 14229-1 (two open implementations agree on five bytes a code for $42 and four for $55);
what SAE J1979-2 asks for is from memory.
"""

from __future__ import annotations

import pytest
from tests.link.conftest import PATIENT

from firstcause.link import ELEVEN_BIT, Session, Unit, erase_codes, newer_units, take_snapshot
from firstcause.link.erase import EraseRefused
from firstcause.link.uds import decode_newer_codes, request_newer_codes
from firstcause.signals import Refused, SavedSnapshot
from firstcause.signals.malformed import BadAnswer
from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.bus import VirtualBusCar
from firstcause.virtualcar.car import VirtualCar

ENGINE = Unit(0x7E8, 11)


@pytest.mark.parametrize(
    ("status", "request_bytes"),
    [("confirmed", "19 42 33 08 1E"), ("pending", "19 42 33 04 1E"), ("permanent", "19 55 33")],
)
def test_requests_are_those_of_the_newer_standard(status, request_bytes):
    """SAE J1979-2, from memory."""
    assert request_newer_codes(status) == bytes.fromhex(request_bytes)


@pytest.mark.parametrize(
    ("status", "answer", "codes"),
    [
        ("confirmed", "59 42 33 0C FF 04  02 03 03 00 08  02 01 13 1C 0C", ["P0303-00", "P0113-1C"]),
        ("confirmed", "59 42 33 0C FF 04", []),
        ("confirmed", "59 42 33 0C FF 04  02 03 03 00 04", []),  # the unit sent a pending one: it is not confirmed
        ("pending", "59 42 33 0C FF 04  02 C1 00 87 04", ["U0100-87"]),
        ("permanent", "59 55 33 0C 04  03 03 00 08", ["P0303-00"]),
        ("permanent", "59 55 33 0C 04" + "03 0N 00 08".replace("N", "1") * 5, ["P0301-00"] * 5),  # 20 = 5 * 4 = 4 * 5
    ],
)
def test_codes_are_read_from_their_bytes(status, answer, codes):
    found = decode_newer_codes(status, bytes.fromhex(answer))
    assert [str(code) for code in found] == codes


@pytest.mark.parametrize(
    ("status", "answer"),
    [
        ("confirmed", ""),
        ("confirmed", "59"),
        ("confirmed", "59 42 33 0C FF"),
        ("confirmed", "59 42 33 0C FF 04 02 03 03 00"),  # broken off
        ("confirmed", "59 42 33 0C FF 02 02 03 03 00 08"),  # codes of lorries
        ("confirmed", "59 42 D0 0C FF 04 02 03 03 00 08"),  # another group
        ("confirmed", "59 42 33 04 FF 04"),  # does not keep confirmed ones: "none" would be a lie
        ("confirmed", "59 55 33 0C 04 03 03 00 08"),
        ("confirmed", "62 F8 10 01"),
        ("confirmed", "7F 22 11"),
        ("confirmed", "7F 19"),
        ("permanent", "59 55 33 0C 04 03 03 00"),
        ("permanent", "59 55 33 0C 00 03 03 00 08"),
    ],
)
def test_bytes_that_do_not_fit_are_no_codes(status, answer):
    with pytest.raises(BadAnswer):
        decode_newer_codes(status, bytes.fromhex(answer))


def test_a_refusal_is_an_answer():
    assert decode_newer_codes("confirmed", bytes.fromhex("7F 19 12")) == Refused(0x19, 0x12)


def a_car(lamp: bool = True) -> VirtualCar:
    car = VirtualCar.build(common_layout("I4"), "5ZCV2A3B5AR000123", 190_000.0, [("coil-weak", 3, 1.1)], seed=2)
    if lamp:
        car.own(200.0, "town", until_lamp=True)
    car.key_on()
    return car


@pytest.mark.parametrize("newer", [True, False])
def test_the_same_car_in_either_language_tells_the_same_codes(newer):
    """The two units of the virtual car share one memory; two readers, two encodings, one list."""
    import can

    car = a_car()
    name = f"newer-{newer}"
    with VirtualBusCar(car, name, newer=newer), can.Bus(name, interface="virtual") as bus, \
         Session(bus, timing=PATIENT) as session:  # fmt: skip
        assert newer_units(session) == ((ENGINE,) if newer else ())
        taken = take_snapshot(session, idle_samples=1)
    assert taken.units[0].confirmed == car.unit.codes("confirmed") == ("P0303",)
    assert taken.units[0].permanent == car.unit.codes("permanent") == ("P0303",)
    assert taken.units[0].pending == car.unit.codes("pending")
    assert any("OBD on UDS" in remark for remark in taken.remarks) == newer
    assert ("all but codes" in [gap.what for gap in taken.units[0].gaps]) == newer


def test_a_newer_car_is_never_erased():
    """The guard asks for the engine's speed in the older language, hears nothing, and refuses."""
    import can

    car = a_car()
    with VirtualBusCar(car, "newer-erase", newer=True), can.Bus("newer-erase", interface="virtual") as bus, \
         Session(bus, ELEVEN_BIT, PATIENT) as session:  # fmt: skip
        taken = take_snapshot(session)
        with pytest.raises(EraseRefused):
            erase_codes(session, snapshot=taken, receipt=SavedSnapshot.of(taken, "a test"), word="ERASE")
    assert car.unit.codes("confirmed") == ("P0303",)
