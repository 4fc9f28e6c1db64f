"""`link find`: listening first, asking last, never at a rate that is wrong; and plain words for each way to fail."""

from __future__ import annotations

import importlib
import inspect
from pathlib import Path
from types import SimpleNamespace

import pytest
from click.testing import CliRunner
from tests.link.wires import Wires

from firstcause.cli.main import main
from firstcause.errors import RequestError
from firstcause.link import Timing, Unit
from firstcause.link.adapters import LISTEN_ONLY, Adapter, NoAdapter, found_adapters, named_adapter
from firstcause.link.finding import Finding, find_behind
from firstcause.link.kept import KeptAdapter
from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.bus import Manners, VirtualBusCar
from firstcause.virtualcar.car import VirtualCar

QUICK = Timing(adapter_margin_ms=60, p2_star_ms=150, pending_repeats=2)
MUTE = Adapter("slcan", "/dev/ttyX0", "an adapter that can only listen")
LOUD = Adapter("kvaser", 0, "an adapter that cannot")
HARMLESS = {b"\x01\x00", b"\x22\xf8\x10"}  # SAE J1979: what is supported; SAE J1979-2 (from memory): which protocol
ENGINE_11, GEARBOX_11, BODY_11 = Unit(0x7E8, 11), Unit(0x7E9, 11), Unit(0x7EA, 11)


def a_car() -> VirtualCar:
    car = VirtualCar.build(common_layout("I4"), "1J9RP1A36A1644345", 118_000.0, seed=3)
    car.key_on()
    return car


def look(wires: Wires, adapter: Adapter = MUTE) -> Finding:
    return find_behind(adapter, wires.open_bus, listen_s=0.1, timing=QUICK)


@pytest.mark.parametrize("adapter", [MUTE, LOUD], ids=["mute", "loud"])
@pytest.mark.parametrize("rate", [500_000, 250_000])
@pytest.mark.parametrize(
    ("addressing", "units"),
    [("11-bit", (ENGINE_11, GEARBOX_11, BODY_11)),
     ("29-bit", (Unit(0x18DAF110, 29), Unit(0x18DAF118, 29), Unit(0x18DAF140, 29)))],
)  # fmt: skip
def test_a_car_that_talks_is_found_and_the_other_rate_never_sent_at(adapter, rate, addressing, units):
    wires = Wires(rate, chatter=((0x100, False), (0x2F1, False)))
    with VirtualBusCar(a_car(), wires.channel, addressing=addressing, transmission=True, body=True):
        found = look(wires, adapter)
    assert (found.verdict, found.bitrate, found.width) == ("found", rate, units[0].width)
    assert found.units == units
    assert found.unsteady == ()
    assert {at for at, _, _ in wires.sent} == {rate}
    assert wires.services_sent() <= HARMLESS


@pytest.mark.parametrize("rate", [500_000, 250_000])
@pytest.mark.parametrize("addressing", ["11-bit", "29-bit"])
def test_a_car_that_keeps_its_plug_silent_is_found_by_asking(rate, addressing):
    """At the wrong rate one question goes out, meets errors, and nothing more is sent there."""
    wires = Wires(rate)
    with VirtualBusCar(a_car(), wires.channel, addressing=addressing):
        found = look(wires)
    assert (found.verdict, found.bitrate, f"{found.width}-bit") == ("found", rate, addressing)
    assert wires.services_sent() <= HARMLESS
    assert len([1 for at, _, _ in wires.sent if at != rate]) <= 1


def test_listening_comes_before_any_sending_and_only_by_an_adapter_that_is_mute():
    """The wires' adapter fails the test when it is made to send while it only listens."""
    wires = Wires(250_000, chatter=((0x18FEF100, True),))
    with VirtualBusCar(a_car(), wires.channel, addressing="29-bit"):
        look(wires)
    assert wires.opened == [(500_000, True), (250_000, True), (250_000, False)]
    assert wires.sent[0][1] == 0x18DB33F1, "the width that was heard is asked at first"


def test_a_bus_at_a_third_rate_is_told_and_nothing_is_sent_at_all():
    wires = Wires(125_000, chatter=((0x100, False),))
    found = look(wires)
    assert found.verdict == "wrong-rate"
    assert wires.sent == []
    assert "neither at 500 nor at 250" in found.words()[0]


def test_a_living_bus_without_diagnosis_says_ignition_or_other_pins():
    wires = Wires(500_000, chatter=((0x100, False),))
    found = look(wires)
    assert found.verdict == "no-answer"
    assert "ignition" in found.words()[0]
    assert "pins 6" in found.words()[0]


@pytest.mark.parametrize(("ears", "verdict"), [(True, "silent"), (False, "not-taken")])
def test_dead_wires(ears, verdict):
    """Nobody speaks; with ears a frame is taken at 500 kbit/s, without them it meets errors everywhere."""
    found = look(Wires(500_000, ears=ears))
    assert found.verdict == verdict
    assert "ignition" in found.words()[0]


def test_the_same_car_with_the_key_out_is_silent():
    car = VirtualCar.build(common_layout("I4"), "1J9RP1A36A1644345", 118_000.0, seed=3)
    wires = Wires(500_000)
    with VirtualBusCar(car, wires.channel):
        assert look(wires).verdict == "silent"


def test_a_newer_car_is_told_so_in_words():
    wires = Wires(500_000)
    with VirtualBusCar(a_car(), wires.channel, newer=True):
        found = look(wires)
    assert (found.verdict, found.newer, found.units) == ("only-newer", (ENGINE_11,), ())
    assert "OBD on UDS" in " ".join(found.words())


def test_one_newer_unit_among_older_ones_is_named_beside_them():
    wires = Wires(500_000)
    with VirtualBusCar(a_car(), wires.channel, newer=True, transmission=True):
        found = look(wires)
    assert (found.verdict, found.units, found.newer) == ("found", (GEARBOX_11,), (ENGINE_11,))


def test_a_unit_that_never_finishes_is_named_and_the_others_are_found():
    wires = Wires(500_000)
    for_ever = Manners(pending_times=None, pending_every_s=0.05)
    with VirtualBusCar(a_car(), wires.channel, transmission=True, other_manners=for_ever):
        found = look(wires)
    assert (found.verdict, found.units) == ("found", (ENGINE_11,))
    assert found.unsteady == ((GEARBOX_11, "does not answer whole"),)
    assert "7E9 does not answer whole" in " ".join(found.words())


def test_an_adapter_that_cannot_be_opened_is_a_finding_too():
    found = look(Wires(500_000, fails=True))
    assert found.verdict == "cannot-open"
    assert "no other program holds it" in found.words()[0]


# ---- adapters of the machine -------------------------------------------------------------------------------------


def net_device(folder: Path, name: str, kind: int, flags: str) -> None:
    (folder / name).mkdir()
    (folder / name / "type").write_text(f"{kind}\n")
    (folder / name / "flags").write_text(f"{flags}\n")


def test_adapters_are_named_for_the_user(tmp_path):
    """Linux: device type 280 is CAN (if_arp.h), bit 0 of its flags is "up" (if.h)."""
    for name, kind, flags in (("can0", 280, "0x400c1"), ("can1", 280, "0x40080"), ("eth0", 1, "0x1003")):
        net_device(tmp_path, name, kind, flags)

    def detect(interface):
        if interface == "vector":
            raise OSError("driver broken")
        return [{"interface": "kvaser", "channel": 0, "serial": 7}] if interface == "kvaser" else []

    port = SimpleNamespace(device="/dev/ttyUSB0", description="USB2.0-Serial")
    found = found_adapters(detect, lambda: [port], tmp_path)
    assert [(one.interface, one.channel) for one in found] == [
        ("socketcan", "can0"), ("socketcan", "can1"), ("kvaser", 0), ("slcan", "/dev/ttyUSB0")
    ]  # fmt: skip
    assert [bool(one.off) for one in found] == [False, True, False, False]
    assert [one.is_serial for one in found] == [False, False, False, True]
    assert found[2].options == {"serial": 7}
    off = find_behind(found[1], Wires(500_000, fails=True).open_bus)
    assert off.verdict == "switched-off"
    assert "ip link set can1 up" in off.words()[0]


def test_no_adapter_names_what_might_be_one():
    port = Adapter("slcan", "COM3", "serial port COM3", is_serial=True)
    assert "--serial" in str(NoAdapter((port,)))
    assert "--interface" in str(NoAdapter())


def test_the_words_for_listening_only_are_those_of_python_can():
    """Each option in our table is named in the source of python-can's backend of that name."""
    from can.interfaces import BACKENDS

    for interface, options in LISTEN_ONLY.items():
        module, name = BACKENDS[interface]
        source = inspect.getsource(getattr(importlib.import_module(module), name))
        for option, value in options.items():
            assert option in source, (interface, option)
            assert value is True or str(getattr(value, "name", value)) in source, (interface, value)


# ---- kept, and used ----------------------------------------------------------------------------------------------


def test_what_is_kept_is_read_back_the_same(tmp_path):
    path = tmp_path / "adapter.toml"
    kept = KeptAdapter("vector", 1, 250_000, True, ("18DAF110",), {"serial": 7, "app name": 'a "b"'})
    path.write_text(kept.to_toml(), encoding="utf-8")
    assert KeptAdapter.read(path) == kept
    path.write_text("channel = 1\n", encoding="utf-8")
    with pytest.raises(RequestError, match="link find"):
        KeptAdapter.read(path)


def test_found_once_then_used_without_saying_so(tmp_path, monkeypatch):
    """find, then a snapshot that is told no adapter; next time a unit is missing, and that is said."""
    monkeypatch.chdir(tmp_path)
    run = CliRunner().invoke
    nothing = run(main, ["snapshot", "--into", "s.json"])
    assert nothing.exit_code == 3
    assert "link find" in nothing.output
    where = ["--interface", "virtual", "--channel", "find-test", "--seconds", "0.1"]
    with VirtualBusCar(a_car(), "find-test", addressing="29-bit", transmission=True):
        found = run(main, ["link", "find", *where])
        assert found.exit_code == 0, found.output
        assert "18DAF110, 18DAF118" in found.output
        taken = run(main, ["snapshot", "--into", "s.json"])
        assert taken.exit_code == 0, taken.output
    with VirtualBusCar(a_car(), "find-test", addressing="29-bit"):
        assert "18DAF118 answered when this was last kept" in run(main, ["link", "find", *where]).output
    dead = run(main, ["link", "find", *where, "--json"])
    assert dead.exit_code == 5
    assert '"verdict": "silent"' in dead.stdout
    assert named_adapter("virtual", "x").has_rate is False
