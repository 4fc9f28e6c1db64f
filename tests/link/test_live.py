"""Live data: what is asked when, what survives a pulled cable and a crash, and what the exports say."""

from __future__ import annotations

import csv
import time
import uuid
from collections import Counter
from pathlib import Path

import can
import pytest
from hypothesis import given
from hypothesis import strategies as st

from firstcause.errors import RequestError
from firstcause.link import Recorder, Session, Timing, Unit, record_live
from firstcause.link.schedule import Schedule
from firstcause.link.traffic import TrafficReport, export, read_trace, trace_frames, what_was_said
from firstcause.signals import parameter_of
from firstcause.virtualcar.bus import VirtualBusCar
from firstcause.virtualcar.car_file import drawn_car

ENGINE, GEARBOX = Unit(0x7E8, 11), Unit(0x7E9, 11)
REAL = Path(__file__).parents[1] / "data" / "bus_trace" / "cold_start_drive.blf"
QUICK = Timing(p2_ms=150, adapter_margin_ms=50, next_part_ms=300)


@given(st.lists(st.sampled_from((0x04, 0x05, 0x0C, 0x0D, 0x0F, 0x10, 0x11, 0x2F, 0x42, 0x46)), min_size=1, unique=True))
def test_every_parameter_gets_its_turn_and_none_twice_in_one(pids):
    """At a tenth of a second a turn, all of any set are asked within ten seconds; at most six at once."""
    schedule = Schedule({ENGINE: pids, GEARBOX: pids[:1]})
    asked: set[tuple[Unit, int]] = set()
    for turn in range(100):
        unit, together = schedule.turn(turn / 10)
        assert len(set(together)) == len(together) <= 6
        for pid in together:
            asked.add((unit, pid))
            schedule.said(unit, pid, bytes((turn % 256,)))
    assert asked == set(schedule.parameters)


def test_what_moves_is_asked_more_often_than_what_stands():
    """Eight parameters that are fast by nature; one of them stands still and gives its place to the others."""
    pids = (0x04, 0x06, 0x08, 0x0B, 0x0C, 0x0D, 0x0E, 0x10)
    schedule = Schedule({ENGINE: pids})
    times: Counter[int] = Counter()
    for turn in range(600):
        _, together = schedule.turn(turn / 10)
        for pid in together:
            times[pid] += 1
            schedule.said(ENGINE, pid, b"\x00" if pid == 0x0D else bytes((turn % 256,)))
    assert times[0x0D] <= 0.1 * times[0x0C]
    assert times[0x0D] >= 5


def connection(channel):
    buses = []

    def connect(recorder=None):
        while buses:
            buses.pop().shutdown()
        buses.append(can.Bus(channel, interface="virtual"))
        return Session(buses[-1], timing=QUICK, recorder=recorder)

    return connect, buses


@pytest.fixture(scope="module")
def recorded(tmp_path_factory):
    """Two connections with the car gone in between, recorded into one trace."""
    folder = tmp_path_factory.mktemp("live")
    channel = uuid.uuid4().hex
    path = folder / "drive.log"
    connect, buses = connection(channel)
    car = drawn_car(3, shape="I4", faults=0).build()
    car.start()
    begun_s = time.monotonic()
    served = [VirtualBusCar(car, channel, transmission=True)]
    served[0].__enter__()

    def stop():
        gone_s = time.monotonic() - begun_s
        if gone_s > 3 and len(served) == 1:
            served[0].close()
            served.append(None)
        if gone_s > 6 and served[-1] is None:
            served.append(VirtualBusCar(car, channel, transmission=True))
            served[-1].__enter__()
        return gone_s > 14

    with Recorder(path) as recorder:
        report = record_live(lambda: connect(recorder), stop, pause=lambda _s: time.sleep(0.2))
    for one in served:
        if one is not None:
            one.close()
    while buses:
        buses.pop().shutdown()
    return path, report


def test_a_pulled_cable_is_waited_out_and_told(recorded):
    """The car was away for about three seconds; recording went on by itself, and the stretch is named."""
    _, report = recorded
    (gap,) = report.missed
    assert 1.5 < gap.to_s - gap.from_s < 8
    assert "did not answer any more" in gap.why
    assert report.units == (ENGINE, GEARBOX)
    assert report.values > 200


def test_the_recording_holds_the_values_with_their_times(recorded):
    """Read back through `signals`: values as many as were heard, rising times, engine speed as an idle has it."""
    path, report = recorded
    columns, traffic = read_trace(path)
    spoken = columns["engine_rpm"]
    assert traffic.broken == report.broken == 0
    assert sorted(spoken.at_s) == list(spoken.at_s)
    assert len(spoken.at_s) > 20
    assert all(300 < rpm < 2500 for rpm in spoken.values)
    assert time.time() - 120 < spoken.at_s[0] < time.time()
    several = [s for s in what_was_said(trace_frames(path)) if s.request[:1] == b"\x01" and len(s.request) == 7]
    assert several, "six parameters in one request"


def test_a_recording_cut_in_the_middle_keeps_all_before(recorded, tmp_path):
    """As after a power cut: half of the file, in the middle of a line."""
    path, _ = recorded
    whole = path.read_bytes()
    cut = tmp_path / "cut.log"
    cut.write_bytes(whole[: len(whole) // 2])
    all_said, half_said = list(what_was_said(trace_frames(path))), list(what_was_said(trace_frames(cut)))
    assert half_said == all_said[: len(half_said)]
    assert len(half_said) > 0.4 * len(all_said)


def test_exports_say_the_same_in_every_form(tmp_path):
    """The real car's trace: CSV read by csv, MDF4 by asammdf, frames again by python-can; 28 parameters asked for."""
    columns, report = read_trace(REAL)
    assert (report.frames, report.broken, report.without_request) == (15302, 0, 0)
    for name in ("v.csv", "v.mf4", "f.asc", "f.blf", "f.log"):
        export(REAL, tmp_path / name)
    coolant, start_s = columns["coolant_c"], min(column.at_s[0] for column in columns.values())
    assert (min(coolant.values), max(coolant.values)) == (21, 98)  # the trace's own description

    with (tmp_path / "v.csv").open() as file:
        rows = list(csv.DictReader(file))
    told = [(float(row["unix time (s)"]), float(row["coolant_c (°C)"])) for row in rows if row["coolant_c (°C)"]]
    assert told == [(pytest.approx(t, abs=1e-6), v) for t, v in zip(coolant.at_s, coolant.values, strict=True)]

    asammdf = pytest.importorskip("asammdf")
    with asammdf.MDF(tmp_path / "v.mf4") as mdf:
        signal = mdf.get("coolant_c")
        assert list(signal.samples) == list(coolant.values)
        assert list(signal.timestamps) == [pytest.approx(t - start_s, abs=1e-6) for t in coolant.at_s]
        assert signal.unit == "°C"
    for form in ("f.asc", "f.blf", "f.log"):
        again, _ = read_trace(tmp_path / form)
        assert list(again["coolant_c"].values) == list(coolant.values)
    with pytest.raises(RequestError, match="left alone"):
        export(REAL, tmp_path / "v.csv")


def test_answers_without_a_request_or_broken_are_counted_and_not_guessed():
    """The first half of a conversation is missing, and a consecutive frame is lost."""

    def frame(identifier, data):
        return can.Message(arbitration_id=identifier, is_extended_id=False, data=bytes.fromhex(data), timestamp=1.0)

    report = TrafficReport()
    frames = [
        frame(0x7E8, "03 41 05 7B AA AA AA AA"),
        frame(0x7E0, "02 09 02 00 00 00 00 00"),
        frame(0x7E8, "10 14 49 02 01 31 4A 39"),
        frame(0x7E8, "22 31 36 34 34 33 34 35"),
        frame(0x123, "00"),
    ]
    assert list(what_was_said(frames, report)) == []
    assert (report.without_request, report.broken, report.other_frames) == (1, 1, 1)
    assert parameter_of("coolant_c").pid == 0x05
