"""A bus trace told again as what was said: request and answer, with the time of the answer, frame by frame."""

from __future__ import annotations

import csv
import struct
from array import array
from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import dataclass, field
from datetime import UTC, datetime
from itertools import chain, islice
from pathlib import Path
from typing import Any

import can
from can.io.blf import BLFParseError

from firstcause.errors import CarError, LogError, RequestError
from firstcause.link.addressing import ELEVEN_BIT, TWENTY_NINE_BIT, Unit
from firstcause.link.reassembly import Reassembler, Received
from firstcause.signals import CurrentData, decode_answer
from firstcause.tongue import _

TRACES: Mapping[str, Callable[[Any], Iterable[can.Message]]] = {
    ".log": can.CanutilsLogReader,
    ".asc": can.ASCReader,
    ".blf": can.BLFReader,
    ".trc": can.TRCReader,
    ".csv": can.CSVReader,
}
_PATIENCE_MS = 60_000  # a recording runs through faster than it was made; what is missing shows by its number


@dataclass(frozen=True, slots=True)
class Said:
    """One whole answer of a unit to a request, at the Unix second of its first frame."""

    at_s: float
    unit: Unit
    request: bytes
    payload: bytes


@dataclass(slots=True)
class TrafficReport:
    """What a trace held: frames of a tester and of control units, whole answers, broken ones, other frames."""

    frames: int = 0
    other_frames: int = 0
    answers: int = 0
    broken: int = 0
    without_request: int = 0
    undecoded: int = 0
    cut_off: str = ""


def trace_frames(path: Path, report: TrafficReport | None = None) -> Iterator[can.Message]:
    """The frames of a trace one after the other; the file is never held as a whole.

    A file that breaks off ends there, and `report.cut_off` says why. Raises LogError when no frame can be read.
    """
    reader = TRACES.get(path.suffix.lower())
    if reader is None:
        raise LogError(f"{path.name} is no trace that can be read; known are {' '.join(TRACES)}. Nothing was read.")
    any_frame = False
    try:
        with path.open("rb") if reader is can.BLFReader else path.open(encoding="utf-8", errors="replace") as file:
            for message in reader(file):
                any_frame = True
                yield message
    except (OSError, ValueError, IndexError, struct.error, BLFParseError) as cause:
        if not any_frame:
            raise LogError(f"The trace {path.name} cannot be read: {cause}. Nothing was read.") from cause
        if report is not None:
            report.cut_off = _("the file breaks off: {cause}", cause=cause)


def what_was_said(frames: Iterable[can.Message], report: TrafficReport | None = None) -> Iterator[Said]:
    """Whole answers with their requests, in order of time. Tester and units are told apart by identifier.

    An answer without a request heard before it, or that broke off, is counted and left out: nothing is invented.
    """
    report = report if report is not None else TrafficReport()
    machines: dict[Unit, Reassembler] = {}
    began_s: dict[Unit, float] = {}
    asked: dict[Unit | None, bytes] = {}
    for frame in frames:
        wide = TWENTY_NINE_BIT if frame.is_extended_id else ELEVEN_BIT
        data = bytes(frame.data)
        report.frames += 1
        if frame.is_error_frame or frame.is_remote_frame or not data:
            report.other_frames += 1
        elif wide.is_request_id(frame.arbitration_id):
            if data[0] >> 4 == 0:
                request = data[1 : 1 + data[0]]
                if frame.arbitration_id == wide.functional_id:
                    asked = {None: request}
                else:
                    asked[_unit_asked(frame)] = request
        elif wide.is_response_id(frame.arbitration_id):
            unit = Unit(frame.arbitration_id, wide.width)
            if data[0] >> 4 in (0, 1):
                began_s[unit] = frame.timestamp
            machine = machines.get(unit)
            if machine is None:
                machine = machines[unit] = Reassembler(unit, lambda _identifier, _data: None, _PATIENCE_MS)
            for event in machine.feed(data):
                if not isinstance(event, Received):
                    report.broken += 1
                    continue
                wanted = asked.get(unit, asked.get(None))
                if wanted is None:
                    report.without_request += 1
                elif event.payload[:1] != b"\x7f":
                    report.answers += 1
                    yield Said(began_s.get(unit, frame.timestamp), unit, wanted, event.payload)
        else:
            report.other_frames += 1


def _unit_asked(frame: can.Message) -> Unit:
    if frame.is_extended_id:
        return Unit(0x18DAF100 | (frame.arbitration_id >> 8) & 0xFF, 29)
    return Unit(frame.arbitration_id + 8, 11)


@dataclass(slots=True)
class Column:
    """One parameter over time: Unix seconds and values, of the same length."""

    unit: str
    at_s: array[float] = field(default_factory=lambda: array("d"))
    values: array[float] = field(default_factory=lambda: array("d"))


def values_said(said: Iterable[Said], report: TrafficReport) -> Iterator[tuple[float, dict[str, tuple[float, str]]]]:
    """Time and numbers (value, unit) of each answer of service $01; a second unit's names carry its id."""
    owner: dict[str, Unit] = {}
    for one in said:
        if one.request[:1] != b"\x01":
            continue
        try:
            answer = decode_answer(one.request, one.payload)
        except (CarError, RequestError):
            report.undecoded += 1
            continue
        found: dict[str, tuple[float, str]] = {}
        for reading in answer.readings if isinstance(answer, CurrentData) else ():
            if isinstance(reading.value, float | int):
                first = owner.setdefault(reading.name, one.unit) == one.unit
                found[reading.name if first else f"{reading.name}@{one.unit}"] = (float(reading.value), reading.unit)
        if found:
            yield one.at_s, found


def read_trace(path: Path) -> tuple[dict[str, Column], TrafficReport]:
    """All parameters of a trace as columns; 16 bytes a value in memory, whatever the size of the file.

    Raises LogError when the file holds no value of service $01.
    """
    report = TrafficReport()
    columns: dict[str, Column] = {}
    for at_s, found in values_said(what_was_said(trace_frames(path, report), report), report):
        for name, (value, unit) in found.items():
            column = columns.get(name)
            if column is None:
                column = columns[name] = Column(unit)
            column.at_s.append(at_s)
            column.values.append(value)
    if not columns:
        raise LogError(
            f"The trace {path.name} holds no answer with live data ({report.frames} frames). Nothing was taken from "
            "it; record with a tester that asks for live data."
        )
    return columns, report


def export(path: Path, into: Path) -> TrafficReport:
    """Write a trace as values (.csv, .mf4) or as frames in another form (.asc .blf .log .trc), by the ending of `into`.

    CSV and frames are streamed; MDF4 is built in memory by asammdf. Raises LogError; RequestError when `into` exists,
    has an ending that is not known, or asammdf is not installed.
    """
    if into.exists():
        raise RequestError(f"{into.name} exists already and was left alone. Choose another name.")
    suffix = into.suffix.lower()
    if suffix == ".csv":
        return _export_csv(path, into)
    if suffix == ".mf4":
        return _export_mdf(path, into)
    if suffix not in TRACES:
        raise RequestError(f"{suffix} is not a form that can be written; known: .csv .mf4 .asc .blf .log .trc.")
    report = TrafficReport()
    frames = trace_frames(path, report)
    first = list(islice(frames, 1))  # an unreadable trace is refused before anything is written
    with can.Logger(str(into)) as writer:
        for frame in chain(first, frames):
            report.frames += 1
            writer(frame)
    return report


def _export_csv(path: Path, into: Path) -> TrafficReport:
    """Two runs over the trace: first the names, then a row for each answer; a cell not asked for then stays empty."""
    columns, _ = read_trace(path)
    names = list(columns)
    report = TrafficReport()
    with into.open("x", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["unix time (s)", *(f"{n} ({c.unit})" if c.unit else n for n, c in columns.items())])
        for at_s, found in values_said(what_was_said(trace_frames(path, report), report), report):
            writer.writerow([f"{at_s:.6f}", *(repr(found[name][0]) if name in found else "" for name in names)])
    return report


def _export_mdf(path: Path, into: Path) -> TrafficReport:
    try:
        import asammdf
        import numpy as np
    except ImportError as cause:
        raise RequestError(
            "Measurement data files need the extra 'mdf' (pip install firstcause[mdf]). Nothing was written."
        ) from cause
    columns, report = read_trace(path)
    start_s = min(column.at_s[0] for column in columns.values())
    with asammdf.MDF(version="4.10") as mdf:
        mdf.header.start_time = datetime.fromtimestamp(start_s, UTC)
        for name, column in columns.items():
            times = np.frombuffer(column.at_s) - start_s
            mdf.append(asammdf.Signal(np.frombuffer(column.values), times, unit=column.unit, name=name))
        mdf.save(into)
    return report
