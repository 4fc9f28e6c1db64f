"""Recorded drives from disk, whatever their form: a table, a measurement file, a bus trace, or several of them."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

from firstcause.casebook.blobs import BlobFolder
from firstcause.errors import RequestError
from firstcause.link.logs import MEASUREMENTS, is_recording, read_recording
from firstcause.roadtest.drivelog import Reading
from firstcause.roadtest.reading import headings_of_file, read_drive_file
from firstcause.roadtest.remembered import recalled
from firstcause.roadtest.tracks import Part, Track, guess_track, join_parts, read_tracks
from firstcause.tongue import _

_CANDUMP = re.compile(rb"\(\d+\.\d+\) \w+ [0-9A-Fa-f]+#")


def read_recorded(
    files: Sequence[Path],
    *,
    mapping: Mapping[str, str] | None = None,
    split_by: str | None = None,
    kept: Mapping[str, Any] | None = None,
) -> Reading:
    """One file as it is; several files as one drive, by their clocks. Raises LogError with what to do.

    `kept`: columns remembered from before (`roadtest.remembered`), by the headings of each file; `mapping` wins.
    """
    if split_by and (len(files) > 1 or is_recording(files[0])):
        raise RequestError("--split-by tells drives of one table apart; give one table with it. Nothing was read.")
    if len(files) == 1:
        return _one(files[0], mapping, split_by, kept)[0]
    parts, readings = [], []
    for file in files:
        reading, began = _one(file, mapping, None, kept)
        if len(reading.drives) > 1:
            raise RequestError(f"{file.name} holds {len(reading.drives)} drives; judge it alone. Nothing was kept.")
        parts.append(Part(file.name, reading.drives[0], began))
        readings.append(reading)
    drive, said = join_parts(parts)
    reports = [reading.report for reading in readings]
    together = replace(
        reports[0],
        rows_read=sum(report.rows_read for report in reports),
        rows_used=sum(report.rows_used for report in reports),
        set_aside=tuple(each for report in reports for each in report.set_aside),
        columns_used=tuple(each for report in reports for each in report.columns_used),
        columns_ignored=tuple(each for report in reports for each in report.columns_ignored),
        gaps=tuple(gap for report in reports for gap in report.gaps),
        notes=(*said, *dict.fromkeys(note for report in reports for note in report.notes)),
        clean_path=all(report.clean_path for report in reports),
        rows_whole=sum(report.rows_whole for report in reports),
        files=tuple((file.name, report) for file, report in zip(files, reports, strict=True)),
    )
    return Reading((drive,), together)


@contextmanager
def kept_files(blobs: BlobFolder, hashes: Sequence[str], name: str = "drive") -> Iterator[list[Path]]:
    """Recordings that a casebook has kept under the hash of their bytes, as files of this moment, in that order.

    A kept file has no name that tells its form, so its first bytes do. Raises LostAttachment.
    """
    with TemporaryDirectory(prefix="firstcause-") as folder:
        files = []
        for number, sha256 in enumerate(hashes, start=1):
            whole = blobs.file(sha256)
            with whole.open("rb") as file:
                ending = ending_of(file.read(64))
            stem = name if len(hashes) == 1 else f"{name} {number}"
            beside = Path(folder) / f"{stem}{ending}"
            beside.symlink_to(whole.resolve())
            files.append(beside)
        yield files


def read_kept(
    blobs: BlobFolder, hashes: Sequence[str], kept: Mapping[str, Any] | None = None, name: str = "drive"
) -> Reading:
    """A drive from kept recordings, see `kept_files`. Raises LostAttachment, LogError."""
    with kept_files(blobs, hashes, name) as files:
        return read_recorded(files, kept=kept)


def ending_of(head: bytes) -> str:
    """The ending that belongs to a recording by its first bytes; .csv for anything else.

    Source: ASAM MDF 4 (identification block "MDF     ") and the forms that python-can writes, from memory.
    """
    text = head.lstrip(b"\xef\xbb\xbf")
    if head.startswith(b"MDF     "):
        return ".mf4"
    if head.startswith(b"LOGG"):
        return ".blf"
    if text.startswith(b"date "):
        return ".asc"
    if text.startswith(b";$FILEVERSION"):
        return ".trc"
    return ".log" if _CANDUMP.match(text) else ".csv"


def headings_of(file: Path, kept: Mapping[str, Any], mapping: Mapping[str, str]) -> tuple[str, ...]:
    """The headings of a table, or the signal names of a measurement file.

    None for a bus trace: its signals are named by the standard, so there is nothing to correct.
    """
    if file.suffix.lower() in MEASUREMENTS:
        return read_recording(file, lambda _name, _unit: False).not_wanted
    if is_recording(file):
        return ()
    said_before = (entry["mapping"] for entry in kept.get("columns", {}).values())
    return headings_of_file(file, frozenset(mapping).union(*said_before))


def _one(
    file: Path, mapping: Mapping[str, str] | None, split_by: str | None, kept: Mapping[str, Any] | None
) -> tuple[Reading, float | None]:
    """A file and the Unix second of its first row, where its clock tells one."""
    before = recalled(kept, headings_of(file, kept, mapping or {})) if kept and kept.get("columns") else {}
    if before:
        reading, began = _one(file, {**before, **(mapping or {})}, split_by, None)
        told = ", ".join(_("{heading!r} is {signal}", heading=heading, signal=said) for heading, said in before.items())
        note = _("as you said of these columns before: {told}", told=told)
        report = replace(reading.report, notes=(note, *reading.report.notes))
        return Reading(reading.drives, report), began
    if not is_recording(file):
        reading = read_drive_file(file, mapping=mapping, split_by=split_by)
        return reading, reading.drives[0].began_s
    said = mapping or {}
    recorded = read_recording(file, lambda name, unit: name in said or guess_track(name, unit) is not None)
    tracks = [Track(each.name, each.unit, each.time_s, each.values) for each in recorded.signals]
    began = recorded.began_unix_s
    notes = list(recorded.notes)
    if began is not None:
        notes.append(_("recorded from {moment} UTC", moment=f"{datetime.fromtimestamp(began, UTC):%Y-%m-%d %H:%M:%S}"))
    return read_tracks(tracks, name=file.stem, mapping=mapping, notes=notes, others=recorded.not_wanted), began
