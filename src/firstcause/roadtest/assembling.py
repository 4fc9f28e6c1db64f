"""Columns of numbers made into drives: rows in order, units of the house, and the report of every cell."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import LogError
from firstcause.roadtest.cells import clock_words
from firstcause.roadtest.choosing import Choice, NoTime, does_not_fit
from firstcause.roadtest.doubt import doubt_signals
from firstcause.roadtest.drivelog import ColumnUse, DriveLog, Gap, Reading, ReadingReport, SetAside
from firstcause.roadtest.headings import BY_KEY
from firstcause.roadtest.loading import ColumnTally, Lines, Table
from firstcause.roadtest.order import order_rows
from firstcause.tongue import Said, _
from firstcause.units import convert, find_unit

Floats = NDArray[np.float64]
_GAPS_LISTED = 50
_REASONS: Said[str] = Said({
    "time runs backwards": "time runs backwards", "no readable time": "no readable time", "empty line": "empty line",
    "the last row is cut off": "the last row is cut off", "fewer fields than headings": "fewer fields than headings",
    "more fields than headings": "more fields than headings",
})  # fmt: skip
_CLOCKS_THAT_TELL_WHEN = ("date and time", "Unix time", "clock time")


@dataclass(slots=True)
class Notes:
    """What was said before the rows were read, and the name of the file."""

    notes: list[str]
    ignored: list[tuple[str, str]]
    name: str


def assemble(table: Table, wanted: Sequence[Choice], headings: Sequence[str], said: Notes) -> Reading:
    """Rows put in order, split into drives, units brought to the house units. The columns of `table` are used up.

    Raises NoTime when no row has a time, or all the same one; LogError when no row is whole.
    """
    _refuse_without_time(table, wanted, headings)
    aside = dict(table.set_aside)
    found = _signals(table, wanted[1:], said)
    signals = {use.key: values for use, values, _tally in found}
    drives: list[DriveLog] = []
    repeated = 0
    for label, rows in _parts(table, said):
        seconds = table.seconds[rows]
        order = order_rows(seconds)
        repeated += order.repeated
        if order.jumps_back:
            lines = table.lines[rows]
            aside.setdefault("time runs backwards", Lines()).add(int(lines[row]) for row in order.jumps_back)
        if len(order.starts) > 1:
            said.notes.append(
                _("the clock starts again {n} time(s); each part is a drive of its own", n=len(order.starts) - 1)
            )
        for number, (start, stop) in enumerate(pairwise([*order.starts, seconds.size]), start=1):
            keep = order.keep[start:stop]
            part_name = label if len(order.starts) == 1 else _("{label} part {number}", label=label, number=number)
            picked = _pick({key: _pick_rows(values, rows) for key, values in signals.items()}, start, stop, keep)
            part_s = _pick({"": seconds}, start, stop, keep)[""]
            drives.append(drive_of(part_s, picked, part_name, table.clock_kind))
    if repeated:
        said.notes.append(_("{n} row(s) repeat the time of the row before; no time passes between them", n=repeated))
    said.notes.append(_("time read as {kind}", kind=clock_words(table.clock_kind)))
    trusted = [doubt_signals(drive) for drive in drives]
    for _drive, doubts in trusted:
        said.notes.extend(note for note in doubts if note not in said.notes)
    clean_drives = tuple(drive for drive, _doubts in trusted)
    report = ReadingReport(
        rows_read=table.rows_read,
        rows_used=sum(drive.time_s.size for drive in drives),
        rows_whole=table.rows_whole,
        set_aside=tuple(
            SetAside(_REASONS.get(why, why), at.count, tuple(at.first)) for why, at in aside.items() if at.count
        ),
        columns_used=(
            _clock_use(table, wanted[0], drives),
            *(_counted(use, tally, drives, clean_drives) for use, _values, tally in found),
        ),
        columns_ignored=tuple(said.ignored),
        gaps=tuple(gap for drive in clean_drives for gap in gaps_of(drive)),
        notes=tuple(said.notes),
        clean_path=table.clean,
    )
    return Reading(clean_drives, report)


def _refuse_without_time(table: Table, wanted: Sequence[Choice], headings: Sequence[str]) -> None:
    if not table.rows_whole:
        raise LogError("There are headings but no whole row below them. Nothing was kept; record the drive again.")
    if not table.seconds.size:
        raise NoTime(f"no cell of {wanted[0].heading!r} is a time", headings)
    if table.seconds.size > 2 and np.ptp(table.seconds) == 0:
        raise NoTime(f"every row of {wanted[0].heading!r} holds the same time, so the clock was rounded away", headings)


def _parts(table: Table, said: Notes) -> Iterator[tuple[str, NDArray[np.intp] | slice]]:
    """The rows of each driver or trip, by the order in which they appear."""
    if not table.part_names:
        yield said.name, slice(None)
    for number, name in enumerate(table.part_names):
        rows = np.flatnonzero(table.parts == number)
        if rows.size:
            yield name or _("without a name"), rows


def _pick_rows(values: Floats, rows: NDArray[np.intp] | slice) -> Floats:
    picked: Floats = values[rows]
    return picked


def _pick(signals: dict[str, Floats], start: int, stop: int, keep: NDArray[np.bool_]) -> dict[str, Floats]:
    """The kept rows of one recording; not copied when all are kept."""
    if keep.all():
        return {key: values[start:stop] for key, values in signals.items()}
    return {key: values[start:stop][keep] for key, values in signals.items()}


def _signals(table: Table, wanted: Sequence[Choice], said: Notes) -> list[tuple[ColumnUse, Floats, ColumnTally]]:
    """Each signal in its house unit, and how its column was read. A column without one number is ignored."""
    found: list[tuple[ColumnUse, Floats, ColumnTally]] = []
    table.columns.reverse()
    for choice, tally in zip(wanted, table.tallies, strict=True):
        values = table.columns.pop()  # let go, so that a converted column does not stand beside the old one
        house = BY_KEY[choice.key].unit if choice.key in BY_KEY else ""
        in_cells = next(iter(tally.units)) if len(tally.units) == 1 else None
        unit = in_cells or choice.unit
        source, target = find_unit(unit or ""), find_unit(house)
        if not tally.numbers:
            said.ignored.append((choice.heading, _("no cell of it holds a number")))
            continue
        if len(tally.units) > 1 or (source and target and source.quantity != target.quantity):
            said.ignored.append((choice.heading, does_not_fit(", ".join(sorted(tally.units)) or str(unit), choice.key)))
            continue
        if source and target and source.symbol != target.symbol:
            values = convert(values, source.symbol, target.symbol)
        use = ColumnUse(
            heading=choice.heading,
            key=choice.key,
            unit=source.symbol if source else house or "count",
            unit_assumed=source is None and bool(house) and house not in ("rpm", "%"),
            absent_cells=tally.absent,
            unreadable_cells=tally.unreadable,
            unreadable_examples=tuple(tally.examples),
            notes=tuple(tally.notes),
        )
        found.append((use, values, tally))
    return found


def _clock_use(table: Table, choice: Choice, drives: Sequence[DriveLog]) -> ColumnUse:
    used = sum(drive.time_s.size for drive in drives)
    return ColumnUse(
        choice.heading, "time_s", clock_words(table.clock_kind), "assumed" in table.clock_kind, table.clock.absent,
        table.clock.unreadable, tuple(table.clock.examples), (), used, table.clock.numbers - used, 0,
    )  # fmt: skip


def _counted(use: ColumnUse, tally: ColumnTally, read: Sequence[DriveLog], trusted: Sequence[DriveLog]) -> ColumnUse:
    """The use of a column with its cells counted: used, in rows set aside, taken as not recorded."""
    in_rows, used = (sum(_held(drive, use.key) for drive in drives) for drives in (read, trusted))
    return replace(use, used_cells=used, cells_in_rows_set_aside=tally.numbers - in_rows, doubted_cells=in_rows - used)


def _held(drive: DriveLog, key: str) -> int:
    values = drive.signals().get(key)
    return 0 if values is None else int(np.isfinite(values).sum())


def drive_of(seconds: Floats, signals: Mapping[str, Floats], name: str, clock_kind: str) -> DriveLog:
    """One drive of house signals, shape (n,) each; its time begins at zero."""
    plain = {key: values for key, values in signals.items() if ":" not in key and np.isfinite(values).any()}
    counters = {int(key[9:]): values for key, values in signals.items() if key.startswith("misfires:")}
    misfires = MappingProxyType({cylinder: counters[cylinder] for cylinder in sorted(counters)})
    began = float(seconds[0]) if clock_kind.startswith(_CLOCKS_THAT_TELL_WHEN) else None
    return DriveLog(time_s=seconds - seconds[0], misfires=misfires, name=name, began_s=began, **plain)


def gaps_of(drive: DriveLog) -> list[Gap]:
    """The stretches without rows, at most the first 50."""
    steps = np.diff(drive.time_s)
    wide = np.flatnonzero(steps > drive.row_gap_limit_s())
    return [Gap(drive.name, float(drive.time_s[row]), float(steps[row])) for row in wide[:_GAPS_LISTED]]
