"""Nothing but listed reading requests and the one guarded erase leaves the program, whatever is called and how."""

from __future__ import annotations

import ast
import importlib
import inspect
import pkgutil
import queue
import sys
import tempfile
import threading
import time
import types
import typing
from pathlib import Path

import can
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import firstcause
from firstcause import link
from firstcause.errors import FirstcauseError
from firstcause.link import (
    ELEVEN_BIT,
    TWENTY_NINE_BIT,
    KeptAdapter,
    Session,
    Timing,
    Unit,
    adapters,
    finding,
    logs,
    schedule,
    traffic,
    uds,
)
from firstcause.link.gate import Gate, ServiceNotAllowed
from firstcause.signals import SavedSnapshot, Snapshot, UnitRecord

SOURCE = Path(firstcause.__file__).parent
QUICK = Timing(p2_ms=1, p2_star_ms=5, next_part_ms=2, adapter_margin_ms=1, pending_repeats=1, busy_wait_ms=0)
# Where an answer must be heard and not only asked for: a busy machine sleeps for more than QUICK's milliseconds.
PATIENT = Timing(p2_ms=150, p2_star_ms=300, next_part_ms=150, adapter_margin_ms=50, pending_repeats=1, busy_wait_ms=0)
# Written out by hand, on purpose not taken from the code. Sources: SAE J1979 (reading services; reference 1.5) and,
# from memory, SAE J1979-2 / ISO 14229-1: 22 F8 10, and 19 42 / 19 55 for the group of emissions, 33.
READING = tuple(
    bytes.fromhex(begin) for begin in ("01", "02", "03", "06", "07", "09", "0A", "22F810", "194233", "195533")
)
ERASE = b"\x04"


class WrittenDown(can.BusABC):
    """A bus that writes down what is sent, and may answer single frames from a table, or with whatever it is given."""

    def __init__(self, answers: dict[bytes, list[bytes]] | None = None, always: list[bytes] | None = None) -> None:
        super().__init__(channel="written down")
        self.sent: list[can.Message] = []
        self._answers, self._always = answers or {}, always or []
        self._queue: queue.SimpleQueue[can.Message] = queue.SimpleQueue()

    def send(self, msg: can.Message, timeout: float | None = None) -> None:
        self.sent.append(msg)
        request = bytes(msg.data[1 : 1 + msg.data[0]])
        for data in [*self._answers.get(request, []), *self._always]:
            self._queue.put(can.Message(arbitration_id=0x7E8, is_extended_id=False, data=data[:8]))

    def _recv_internal(self, timeout: float | None) -> tuple[can.Message | None, bool]:
        try:
            return self._queue.get(timeout=min(timeout or 0.005, 0.005)), False
        except queue.Empty:
            return None, False

    def forbidden(self) -> list[str]:
        """Every frame sent that is neither a listed reading request nor flow control; the erase is one of them."""
        return [str(frame) for frame in self.sent if not _reads(bytes(frame.data))]

    def erases(self) -> int:
        return sum(bytes(frame.data[:2]) == b"\x01" + ERASE for frame in self.sent)


def _reads(data: bytes) -> bool:
    if data[:3] in (b"\x30\x00\x00", b"\x32\x00\x00"):
        return True
    return data[0] >> 4 == 0 and data[1 : 1 + data[0]].startswith(READING)


def proof(codes: tuple[str, ...] | None = ("P0303",)) -> dict[str, typing.Any]:
    snapshot = Snapshot(1.0, 2.0, (UnitRecord("7E8", confirmed=codes),))
    return {"snapshot": snapshot, "receipt": SavedSnapshot.of(snapshot, "case 1")}


READY = {
    b"\x01\x00": [b"\x06\x41\x00\x98\x18\x00\x00"],
    b"\x01\x0c": [b"\x04\x41\x0c\x00\x00"],
    ERASE: [b"\x01\x44"],
}


def everything_asked(bus: WrittenDown, addressing: link.Addressing = ELEVEN_BIT) -> None:
    """Every door of the package that leads to a bus, used every way we know; errors are the guard's word."""
    for drive in DRIVERS.values():
        for call in drive(addressing):
            try:
                call(bus)
            except FirstcauseError:
                continue


def with_session(
    act: typing.Callable[[Session], object], addressing: link.Addressing, timing: Timing = QUICK
) -> typing.Callable[..., object]:
    def call(bus: WrittenDown) -> object:
        with Session(bus, addressing, timing) as session:
            return act(session)

    return call


def _requests(addressing: link.Addressing) -> list[typing.Callable[..., object]]:
    unit = Unit(0x7E8, 11) if addressing.width == 11 else Unit(0x18DAF110, 29)
    tails = (b"", b"\x00", b"\x0c\x04", b"\xf8\x10", b"\x42\x33\x08", b"\x01\x02\x03\x04\x05\x06", b"\x00" * 9)
    all_of_them = [bytes((first,)) + tail for first in range(256) for tail in tails if not _slow(first, tail)]

    def ask(session: Session) -> None:
        for data in [b"", *all_of_them]:
            for to in (None, unit):
                try:
                    session.request(data, to)
                except FirstcauseError:
                    continue

    return [with_session(ask, addressing)]


def _slow(first: int, tail: bytes) -> bool:
    """Reading requests are waited for; two forms of each are enough."""
    return bytes((first,)) in READING and len(tail) > 1


DRIVERS: dict[str, typing.Callable[[link.Addressing], list[typing.Callable[..., object]]]] = {
    "Session.request": _requests,
    "Session.find_units": lambda addressing: [with_session(Session.find_units, addressing)],
    "find_behind": lambda _: [
        lambda bus: link.find_behind(
            link.Adapter("none", 0, "none"), lambda *_: bus, listen_s=0.01, timing=QUICK, progress=lambda _: None
        )
    ],
    "newer_units": lambda addressing: [with_session(link.newer_units, addressing)],
    "take_snapshot": lambda addressing: [
        with_session(lambda s: link.take_snapshot(s, idle_samples=2, every_s=0), addressing)
    ],
    "erase_codes": lambda addressing: [
        with_session(lambda s, w=word, c=codes: link.erase_codes(s, word=w, **proof(c)), addressing, PATIENT)
        for word in ("", "erase", "ERASE")
        for codes in (("P0303",), None)
    ],
    "record_live": lambda addressing: [
        lambda bus: link.record_live(
            lambda: Session(bus, addressing, PATIENT), _after(5), pause=lambda _: None, clock=lambda: 1.0
        )
    ],
    "supported_parameters": lambda addressing: [
        with_session(
            lambda s: link.supported_parameters(
                s, Unit(0x7E8, 11) if s.addressing.width == 11 else Unit(0x18DAF110, 29)
            ),
            addressing,
            PATIENT,
        )
    ],
    "Reassembler": lambda _: [
        lambda bus: link.Reassembler(
            Unit(0x7E8, 11), lambda i, d: bus.send(can.Message(arbitration_id=i, data=d)), 5
        ).feed(b"\x10\x14\x04\x04\x04\x04\x04\x04")
    ],
    "listen": lambda _: [lambda bus: finding.listen(bus, 0.01, time.monotonic)],
    "Gate": lambda addressing: [
        lambda bus, d=data: Gate(bus, addressing, None).send(addressing.functional_id, d)
        for data in (b"\x01\x04", b"\x02\x01\x00", b"\x30\x00\x00", b"")
    ],
    "all else": lambda _: [_all_else],
}


def _all_else(bus: WrittenDown) -> None:
    """What takes no bus, or none of ours: none of it may find a way to one."""
    with tempfile.TemporaryDirectory() as folder:
        _recordings(bus, Path(folder))
        kept = KeptAdapter("virtual", "gate", units=("7E8",))
        (Path(folder) / "adapter.toml").write_text(kept.to_toml())
        KeptAdapter.read(Path(folder) / "adapter.toml").missing_now(kept)
    adapter = adapters.named_adapter("virtual", "gate")
    assert adapters.found_adapters(lambda _: [], lambda: (), Path("nowhere")) == ()
    adapters.open_adapter(adapter, 500_000, True).shutdown()
    found = finding.Finding(adapter, "found", 500_000, 11, (Unit(0x7E8, 11),))
    KeptAdapter.of(found)
    assert found.words()
    assert found.has_car
    assert not link.EraseReport(()).is_complete
    uds.decode_newer_codes("confirmed", b"\x59\x42\x33\x0c\xff\x04")
    uds.request_newer_codes("permanent")
    plan = schedule.Schedule({Unit(0x7E8, 11): (0x0C, 0x0D)})
    plan.turn(0.0)
    plan.said(Unit(0x7E8, 11), 0x0C, b"\0\0")
    plan.one_by_one(Unit(0x7E8, 11))
    plan.drop(Unit(0x7E8, 11), 0x0D)
    machine = link.Reassembler(Unit(0x7E8, 11), lambda _i, _d: None, 5)
    machine.feed(b"\x01\x44")
    machine.forget()
    machine.poll()


def _recordings(bus: WrittenDown, folder: Path) -> None:
    path = folder / "bus.log"
    with link.Recorder(path) as recorder, Session(bus, timing=PATIENT, recorder=recorder) as session:
        exchange = session.request(b"\x01\x0c")
        exchange.payload_of(Unit(0x7E8, 11))
        exchange.fault_of(Unit(0x7E8, 11))
        recorder.record_received(can.Message(arbitration_id=0x7E8, data=b"\x04\x41\x0c\0\0", is_extended_id=False))
    report = traffic.TrafficReport()
    list(traffic.values_said(traffic.what_was_said(traffic.trace_frames(path)), report))
    traffic.read_trace(path)
    traffic.export(path, folder / "values.csv")
    assert logs.is_recording(path)
    logs.read_recording(path)
    replay = link.ReplayBus.from_file(path)
    with Session(replay, timing=QUICK) as session:
        session.request(b"\x01\x0c")
    replay.shutdown()


def _after(turns: int) -> typing.Callable[[], bool]:
    left = iter(range(turns))
    return lambda: next(left, None) is None


def public_functions() -> dict[str, types.CodeType]:
    """Every public function and method of the package, by name, with its code; properties are functions too."""
    found: dict[str, types.CodeType] = {}
    for info in pkgutil.iter_modules(link.__path__):
        module = importlib.import_module(f"firstcause.link.{info.name}")
        for name, thing in vars(module).items():
            if name[0] == "_" or getattr(thing, "__module__", None) != module.__name__:
                continue
            if inspect.isfunction(thing):
                found[f"{info.name}.{name}"] = thing.__code__
            elif inspect.isclass(thing):
                for method, raw in vars(thing).items():
                    plain = getattr(raw, "fget", None) or getattr(raw, "__func__", raw)
                    if method[0] != "_" and inspect.isfunction(plain):
                        found[f"{info.name}.{name}.{method}"] = plain.__code__
    return found


def called_by(act: typing.Callable[[], object]) -> set[types.CodeType]:
    """The code that ran, in this thread and those that it started."""
    ran: set[types.CodeType] = set()

    def note(frame: types.FrameType, event: str, _argument: object) -> None:
        if event == "call":
            ran.add(frame.f_code)

    threading.setprofile(note)
    sys.setprofile(note)
    try:
        act()
    finally:
        sys.setprofile(None)
        threading.setprofile(None)  # type: ignore[arg-type]
    return ran


def test_every_public_function_of_the_package_is_driven_here():
    """Seen as it runs, not as it is listed: a new public function that DRIVERS does not reach fails this."""
    buses = [WrittenDown(), WrittenDown(READY), WrittenDown(always=[b"\x03\x7f\x01\x21"])]

    def drive() -> None:
        for bus in buses:
            everything_asked(bus)

    doors = public_functions()
    ran = called_by(drive)
    assert len(doors) > 50
    assert sorted(name for name, code in doors.items() if code not in ran) == []
    assert [bus.erases() for bus in buses] == [0, 1, 0]
    assert [len(bus.forbidden()) for bus in buses] == [0, 1, 0]


@pytest.mark.parametrize("addressing", [ELEVEN_BIT, TWENTY_NINE_BIT], ids=["11", "29"])
@pytest.mark.parametrize("always", [[], [b"\x03\x7f\x01\x21"], [b"\x10\x14\x41\x00\x98\x18\x00\x00"]])
def test_whatever_is_called_only_reading_leaves(addressing, always):
    """A silent car, one that is always busy, one that always begins a long answer: all the same."""
    bus = WrittenDown(always=always)
    everything_asked(bus, addressing)

    assert len(bus.sent) > 20
    assert bus.forbidden() == []


def test_with_the_guard_satisfied_exactly_one_erase_leaves():
    """The same drive on a car that stands ready: only the call with word and proof erases, once each time."""
    bus = WrittenDown(READY)
    everything_asked(bus)

    assert bus.erases() == 1
    assert len(bus.forbidden()) == 1


def test_a_car_that_says_busy_to_the_erase_is_not_asked_again():
    """One word of the technician, one erase; the busy unit is reported instead."""
    bus = WrittenDown({**READY, ERASE: [b"\x03\x7f\x04\x21"]})
    with Session(bus, timing=PATIENT) as session:
        report = link.erase_codes(session, word="ERASE", **proof())

    assert bus.erases() == 1
    assert report.refused == ((Unit(0x7E8, 11), "busy, ask again"),)


@settings(max_examples=2000, deadline=None)
@given(
    st.one_of(st.integers(0, 0x7FF), st.integers(0x7D0, 0x7F0), st.sampled_from((0x7DF, 0x7E0))),
    st.one_of(
        st.binary(max_size=9),
        st.builds(lambda length, rest: bytes((length,)) + rest, st.integers(0, 8), st.binary(max_size=8)),
    ),
    st.booleans(),
)
def test_no_bytes_whatever_pass_the_gate_but_those(identifier, data, opened):
    """The gate alone, past all the code before it: any identifier, any bytes, opened for an erase or not."""
    bus = WrittenDown()
    gate = Gate(bus, ELEVEN_BIT, None)
    if opened:
        gate.open_once()
    for _ in range(2):
        try:
            gate.send(identifier, data)
        except FirstcauseError:
            continue
    assert bus.erases() <= int(opened)
    assert len(bus.forbidden()) == bus.erases()
    assert all(0x7E0 <= frame.arbitration_id <= 0x7E7 or frame.arbitration_id == 0x7DF for frame in bus.sent)


def test_an_open_gate_shuts_after_one_erase_and_by_itself():
    """Once means once; and a leave that was not used does not stay."""
    bus = WrittenDown()
    gate = Gate(bus, ELEVEN_BIT, None)
    gate.open_once()
    gate.send(0x7DF, b"\x01\x04")
    for _ in range(2):
        with pytest.raises(ServiceNotAllowed):
            gate.send(0x7DF, b"\x01\x04")
        gate.open_once()
        gate.shut()
    assert bus.erases() == 1


def test_only_the_gate_sends_on_a_bus():
    """Read from the source: in link and the faces `.send` is taken from a bus in one place, and opened in one place."""
    sends, opens = set(), set()
    for path in [p for folder in ("link", "cli", "web") for p in (SOURCE / folder).rglob("*.py")]:
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
            if isinstance(node, ast.Attribute) and node.attr in ("send", "send_periodic"):
                sends.add((path.stem, ast.unparse(node)))
            if isinstance(node, ast.Attribute) and node.attr == "open_once":
                opens.add((path.stem, ast.unparse(node)))
    assert sends == {("gate", "bus.send"), ("session", "self._gate.send")}
    assert opens == {("session", "self._gate.open_once")}
