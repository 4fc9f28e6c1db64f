"""A recorded drive as arrays, and the report of how it was read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields, replace
from types import MappingProxyType
from typing import Any

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import LogError
from firstcause.tongue import _

Floats = NDArray[np.float64]
_NO_SIGNALS = ("time_s", "misfires", "name", "began_s")


class ImpossibleDrive(LogError):
    """Arrays that cannot be one recorded drive."""

    def __init__(self, why: str) -> None:
        self.why = why
        super().__init__(f"These readings cannot be one drive: {why}. Nothing was kept; correct the recording.")


@dataclass(frozen=True, eq=False)
class DriveLog:
    """One recorded drive. Every array has shape (n,), one value per `time_s`; NaN marks a row without that reading.

    `time_s` never falls; its zero is the first row. A signal that was not recorded is None. `misfires` holds
    one counter per cylinder number, as recorded (a counter that only rises, or falls back when it is reset). `began_s`
    is the first row on the clock of the file: a Unix second, a second of the day where it has no date, or None.

    Raises ImpossibleDrive when shapes differ, time falls or is not finite.
    """

    time_s: Floats
    rpm: Floats | None = None
    speed_kmh: Floats | None = None
    load_percent: Floats | None = None
    coolant_c: Floats | None = None
    intake_c: Floats | None = None
    ambient_c: Floats | None = None
    pedal_percent: Floats | None = None
    throttle_percent: Floats | None = None
    run_time_s: Floats | None = None
    altitude_m: Floats | None = None
    short_trim_1_percent: Floats | None = None
    long_trim_1_percent: Floats | None = None
    short_trim_2_percent: Floats | None = None
    long_trim_2_percent: Floats | None = None
    misfires: Mapping[int, Floats] = field(default_factory=lambda: MappingProxyType({}))
    name: str = "drive"
    began_s: float | None = None

    def __post_init__(self) -> None:
        if self.time_s.ndim != 1 or not self.time_s.size:
            raise ImpossibleDrive("it has no row with a time")
        if not np.isfinite(self.time_s).all():
            raise ImpossibleDrive("a time is not a finite number")
        if (np.diff(self.time_s) < 0).any():
            raise ImpossibleDrive("time runs backwards")
        for key, values in self.signals().items():
            if values.shape != self.time_s.shape:
                raise ImpossibleDrive(f"{key} has {values.size} values for {self.time_s.size} times")

    def signals(self) -> dict[str, Floats]:
        """Every recorded signal by its key; misfire counters as `misfires:N`."""
        plain = {f.name: getattr(self, f.name) for f in fields(self) if f.name not in _NO_SIGNALS}
        found = {key: values for key, values in plain.items() if values is not None}
        return found | {f"misfires:{cylinder}": values for cylinder, values in self.misfires.items()}

    def readings(self, key: str) -> tuple[Floats, Floats] | None:
        """Times and values of the rows that do hold this signal, or None when there is none."""
        values = self.signals().get(key)
        if values is None:
            return None
        held = np.isfinite(values)
        if held.all():
            return self.time_s, values
        return (self.time_s[held], values[held]) if held.any() else None

    def rows(self, start: int, stop: int) -> DriveLog:
        """The rows from `start` up to, not including, `stop`; time keeps its zero."""
        cut = {key: values[start:stop] for key, values in self.signals().items() if ":" not in key}
        counters = MappingProxyType({cylinder: values[start:stop] for cylinder, values in self.misfires.items()})
        return replace(self, time_s=self.time_s[start:stop], misfires=counters, **cut)  # type: ignore[arg-type]

    def at(self, key: str, moments_s: Floats) -> Floats | None:
        """A signal at other moments, shape as `moments_s`: straight between two readings, NaN over a gap or outside."""
        found = self.readings(key)
        if found is None:
            return None
        time_s, values = found
        after = np.searchsorted(time_s, moments_s)
        low, high = np.clip(after - 1, 0, None), np.clip(after, None, time_s.size - 1)
        near = (time_s[high] - time_s[low] <= gap_limit_s(time_s)) & (after < time_s.size)
        exact = time_s[high] == moments_s
        joined = (near & (after > 0)) | exact
        return np.where(joined, np.interp(moments_s, time_s, values), np.nan)

    def row_gap_limit_s(self) -> float:
        """The longest step that still joins two rows of this drive; with signals in turns, that of the slowest one."""
        clocks = [found[0] for key in self.signals() if (found := self.readings(key)) is not None]
        slow = [clock for clock in clocks if clock is not self.time_s]
        return max(gap_limit_s(time_s) for time_s in (self.time_s, *slow))

    @property
    def duration_s(self) -> float:
        return float(self.time_s[-1] - self.time_s[0])


@dataclass(frozen=True, slots=True)
class SetAside:
    """Rows that were read but not used: how many, why, and the first few line numbers of the file."""

    reason: str
    count: int
    first_lines: tuple[int, ...]


@dataclass(frozen=True, slots=True)
class ColumnUse:
    """A column that was used, with the unit it was read in and whether that unit was only assumed.

    Every cell of a whole row is in one of five counts: used, absent, unreadable, in a row that was set aside, or
    doubted (a reading that cannot be true, taken as not recorded).
    """

    heading: str
    key: str
    unit: str
    unit_assumed: bool
    absent_cells: int
    unreadable_cells: int
    unreadable_examples: tuple[tuple[int, str], ...] = ()
    notes: tuple[str, ...] = ()
    used_cells: int = 0
    cells_in_rows_set_aside: int = 0
    doubted_cells: int = 0

    @property
    def cells(self) -> int:
        """All cells of this column in rows that were whole."""
        return (
            self.used_cells + self.absent_cells + self.unreadable_cells
            + self.cells_in_rows_set_aside + self.doubted_cells
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Gap:
    """A stretch without rows, far longer than the usual step; nothing is integrated over it."""

    drive: str
    from_s: float
    seconds: float


@dataclass(frozen=True)
class ReadingReport:
    """What was read, used, assumed and set aside. Every row of the file is in `rows_used` or in `set_aside`.

    `rows_whole`: rows with as many fields as headings; each column has so many cells, all counted in its `ColumnUse`.
    `files`: with several files of one drive, each one's own report; the numbers above are then of all together.
    """

    rows_read: int
    rows_used: int
    set_aside: tuple[SetAside, ...]
    columns_used: tuple[ColumnUse, ...]
    columns_ignored: tuple[tuple[str, str], ...]
    gaps: tuple[Gap, ...]
    notes: tuple[str, ...]
    clean_path: bool
    rows_whole: int = 0
    files: tuple[tuple[str, ReadingReport], ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {
            "files": [{"file": name, **report.to_dict()} for name, report in self.files],
            "rows_read": self.rows_read,
            "rows_used": self.rows_used,
            "rows_whole": self.rows_whole,
            "set_aside": [
                {"reason": s.reason, "count": s.count, "first_lines": list(s.first_lines)} for s in self.set_aside
            ],
            "columns_used": [
                {
                    "heading": c.heading,
                    "signal": c.key,
                    "unit": c.unit,
                    "unit_assumed": c.unit_assumed,
                    "used_cells": c.used_cells,
                    "absent_cells": c.absent_cells,
                    "cells_in_rows_set_aside": c.cells_in_rows_set_aside,
                    "doubted_cells": c.doubted_cells,
                    "unreadable_cells": c.unreadable_cells,
                    "unreadable_examples": [{"line": line, "cell": cell} for line, cell in c.unreadable_examples],
                    "notes": list(c.notes),
                }
                for c in self.columns_used
            ],
            "columns_ignored": [{"heading": heading, "reason": reason} for heading, reason in self.columns_ignored],
            "gaps": [{"drive": g.drive, "from_s": g.from_s, "seconds": g.seconds} for g in self.gaps],
            "notes": list(self.notes),
            "clean_path": self.clean_path,
        }

    def sentences(self) -> list[str]:
        """The report in plain words, most important first; with several files a block for each, under its name."""
        if self.files:
            own = {note for _name, report in self.files for note in report.notes}
            return [
                _(
                    "{used} of {all} rows were used, from {files} files.",
                    used=self.rows_used, all=self.rows_read, files=len(self.files),
                ),
                *(f"{note}." for note in self.notes if note not in own),
                *(f"{name}: {words}" for name, report in self.files for words in report.sentences()),
            ]  # fmt: skip
        said = [_("{used} of {all} rows were used.", used=self.rows_used, all=self.rows_read)]
        for s in self.set_aside:
            lines = ", ".join(map(str, s.first_lines)) + (" …" if s.count > len(s.first_lines) else "")
            where = _(" (line {lines})", lines=lines) if s.first_lines else ""
            said.append(_("{n} row(s) set aside: {reason}{where}.", n=s.count, reason=s.reason, where=where))
        for c in self.columns_used:
            if c.unit_assumed:
                said.append(
                    _(
                        "{heading!r} was taken as {signal} in {unit}; the file does not name the unit.",
                        heading=c.heading, signal=c.key, unit=c.unit,
                    )
                )  # fmt: skip
            if c.unreadable_cells:
                line, cell = c.unreadable_examples[0]
                said.append(
                    _(
                        "{heading!r}: {n} cell(s) could not be read, first {cell!r} on line {line}.",
                        heading=c.heading, n=c.unreadable_cells, cell=cell, line=line,
                    )
                )  # fmt: skip
            said.extend(f"{c.heading!r}: {note}." for note in c.notes)
        if self.gaps:
            longest = max(gap.seconds for gap in self.gaps)
            said.append(
                _(
                    "{n} gap(s) in the recording, the longest {longest:.0f} s; nothing is counted over a gap.",
                    n=len(self.gaps), longest=longest,
                )
            )  # fmt: skip
        said.extend(f"{note}." for note in self.notes)
        return said


@dataclass(frozen=True, eq=False)
class Reading:
    """What a file gave: one or more drives, in the order of the file, and the report."""

    drives: tuple[DriveLog, ...]
    report: ReadingReport


def usual_step_s(time_s: Floats) -> float:
    """The median of the steps that are not zero; 0.0 when there is none."""
    steps = np.diff(time_s)
    steps = steps[steps > 0]
    return float(np.median(steps)) if steps.size else 0.0


def gap_limit_s(time_s: Floats) -> float:
    """The longest step that still joins two rows: three usual steps, at least 2 s.

    Source: ours; judgement. A 1 Hz log may lose two rows, a log of one row in 3 s may wait 9 s.
    """
    return max(2.0, 3.0 * usual_step_s(time_s)) + 1e-9
