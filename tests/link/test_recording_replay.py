"""What passes over the bus is kept, survives a crash, and can be asked again."""

import subprocess
import sys
import time
from pathlib import Path

import can
import pytest

from firstcause.errors import LogError, RequestError
from firstcause.link import Recorder, ReplayBus, Session, Timing, Unit
from firstcause.signals import decode_answer, request_codes, request_current, request_info

ENGINE = Unit(0x7E8, 11)
REAL = Path(__file__).parents[1] / "data" / "bus_trace" / "cold_start_drive.blf"
PATIENT = Timing(adapter_margin_ms=100)
VIN = (
    "7E8 10 14 49 02 01 31 4A 39",
    "fc 7E0",
    "7E8 21 52 50 31 41 33 36 41",
    "7E8 22 31 36 34 34 33 34 35",
)


def record(car, path):
    """A short session on the bus, recorded; returns what was answered."""
    car.on("03", "error", "7E8 04 43 01 03 03", "7E9 02 43 00")
    car.on("01 0C", "7E8 04 41 0C 0B B8")
    car.on("01 0C", "7E8 04 41 0C 0C 1C")
    car.on("09 02", *VIN)
    with Recorder(path) as recorder, Session(car.tester_bus, timing=PATIENT, recorder=recorder) as session:
        return ask(session)


def ask(session):
    requests = (b"\x03", request_current(0x0C), request_current(0x0C), request_info(2), b"\x07")
    return [session.request(request).answers for request in requests]


def test_everything_sent_and_received_stands_in_the_file_in_order_and_time(car, tmp_path):
    """candump form, readable by python-can and by people; the error frame and our flow control are in it."""
    before = time.time()
    record(car, tmp_path / "case.log")
    frames = list(can.LogReader(tmp_path / "case.log"))

    assert [(f.arbitration_id, bytes(f.data[:3]).hex()) for f in frames if not f.is_error_frame] == [
        (0x7DF, "010300"),
        (0x7E8, "044301"),
        (0x7E9, "024300"),
        (0x7DF, "02010c"),
        (0x7E8, "04410c"),
        (0x7DF, "02010c"),
        (0x7E8, "04410c"),
        (0x7DF, "020902"),
        (0x7E8, "101449"),
        (0x7E0, "300000"),
        (0x7E8, "215250"),
        (0x7E8, "223136"),
        (0x7DF, "010700"),
    ]
    assert sum(f.is_error_frame for f in frames) == 1
    assert [f.is_rx for f in frames if f.arbitration_id == 0x7DF] == [False] * 5
    times = [f.timestamp for f in frames]
    assert times == sorted(times)
    assert before <= times[0] <= times[-1] <= time.time()


def test_a_replayed_recording_answers_the_same(car, tmp_path):
    """Also when the same question had two different answers, and when it had none."""
    answered = record(car, tmp_path / "case.log")

    bus = ReplayBus.from_file(tmp_path / "case.log")
    with Session(bus, timing=PATIENT) as session:
        replayed = ask(session)
    bus.shutdown()

    assert replayed == answered
    assert [len(answers) for answers in answered] == [2, 1, 1, 1, 0]
    assert answered[1] != answered[2]


def test_a_real_trace_answers_as_a_bus():
    """The recorded drive of tests/data/bus_trace (MIT): no codes, a European VIN, coolant from 21 to 98 C."""
    bus = ReplayBus.from_file(REAL)
    with Session(bus, timing=PATIENT) as session:

        def read(request):
            return decode_answer(request, session.request(request, to=ENGINE).payload_of(ENGINE))

        codes = read(request_codes("confirmed"))
        vin = read(request_info(2))
        coolant = [read(request_current(5)).reading("coolant_c").value for _ in range(273)]
    bus.shutdown()

    assert codes.codes == ()
    assert vin.value[:3] == "TMB"
    assert (min(coolant), max(coolant)) == (21, 98)


CRASH = """
import os, sys
from pathlib import Path
import can
from firstcause.link import Recorder
recorder = Recorder(Path(sys.argv[1]))
for number in range(500):
    recorder.record_received(can.Message(arbitration_id=0x7E8, is_extended_id=False, data=number.to_bytes(8, "big")))
os._exit(9)
"""


def test_a_crash_loses_no_frame(tmp_path):
    """The program ends without closing anything: all 500 frames are in the file."""
    path = tmp_path / "crash.log"
    ended = subprocess.run([sys.executable, "-c", CRASH, str(path)], check=False)

    assert ended.returncode == 9
    assert [int.from_bytes(f.data, "big") for f in can.LogReader(path)] == list(range(500))


def test_a_recording_cut_in_a_line_keeps_what_stands_before(car, tmp_path):
    """As after a power cut: the last line is half there."""
    whole = tmp_path / "case.log"
    record(car, whole)
    lines = whole.read_text().splitlines(keepends=True)
    cut = tmp_path / "cut.log"
    cut.write_text("".join(lines[:4]) + lines[4][:15])

    bus = ReplayBus.from_file(cut)
    with Session(bus, timing=PATIENT) as session:
        assert [str(unit) for unit, _ in session.request(b"\x03")] == ["7E8", "7E9"]
    bus.shutdown()


def test_a_recording_is_never_overwritten(tmp_path):
    """Evidence: an existing file is left as it is."""
    path = tmp_path / "case.log"
    path.write_text("old")
    with pytest.raises(RequestError, match="was left alone"):
        Recorder(path)

    assert path.read_text() == "old"
    with pytest.raises(RequestError, match=r"must end in \.log"):
        Recorder(tmp_path / "case.txt")


def test_nothing_is_sent_unrecorded(car, tmp_path):
    """A closed recording refuses, rather than letting frames pass that nobody keeps."""
    recorder = Recorder(tmp_path / "case.log")
    recorder.close()
    with Session(car.tester_bus, recorder=recorder) as session, pytest.raises(RequestError, match="Nothing was sent"):
        session.request(b"\x03")

    assert car.heard == []


@pytest.mark.parametrize(("name", "content"), [("x.log", "no trace\n"), ("x.log", ""), ("x.blf", "no"), ("x.doc", "")])
def test_what_is_no_recording_is_said_to_be_none(tmp_path, name, content):
    """One clear sentence, whatever python-can stumbled over."""
    path = tmp_path / name
    path.write_text(content)
    with pytest.raises(LogError, match="Nothing was replayed"):
        ReplayBus.from_file(path)


def test_a_missing_recording_is_said_to_be_missing(tmp_path):
    """The name of the file is in the sentence."""
    with pytest.raises(LogError, match=r"gone\.log"):
        ReplayBus.from_file(tmp_path / "gone.log")
