"""A drive log file read into drives, with a report of everything that was assumed, ignored or set aside."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import LogError
from firstcause.roadtest.cells import NumberColumn, clock_scale, read_numbers, read_times
from firstcause.roadtest.doubt import doubt_signals
from firstcause.roadtest.drivelog import (
    ColumnUse,
    DriveLog,
    Gap,
    Reading,
    ReadingReport,
    SetAside,
)
from firstcause.roadtest.headings import BY_KEY, guess_meaning
from firstcause.roadtest.order import order_rows
from firstcause.roadtest.table import Head, find_head, read_clean, read_rows, unify_newlines
from firstcause.units import convert, find_unit

Floats = NDArray[np.float64]
_SHOWN_LINES = 5
_GAPS_LISTED = 50
_CLOCKS_THAT_TELL_WHEN = ("date and time", "Unix time", "clock time")


class NoTime(LogError):
    """The file has no usable clock."""

    def __init__(self, why: str, headings: Sequence[str]) -> None:
        self.why, self.headings = why, tuple(headings)
        super().__init__(
            f"This drive cannot be judged: {why}. Nothing was kept. Columns found: {', '.join(headings)}. "
            "Export it with a time column, or name the column that holds the time."
        )


class UnknownColumn(LogError):
    """The caller named a column or a signal that does not exist."""

    def __init__(self, what: str, known: Sequence[str]) -> None:
        self.what, self.known = what, tuple(known)
        super().__init__(f"{what}. Nothing was read. Known: {', '.join(known)}.")


@dataclass(frozen=True, slots=True)
class _Choice:
    """A column that will be used: where it stands, what it holds, in which unit (None: not named)."""

    index: int
    heading: str
    key: str
    unit: str | None


def read_drive_file(path: Path, *, mapping: Mapping[str, str] | None = None, split_by: str | None = None) -> Reading:
    """Read a drive log from disk; see `read_drive`. Text is UTF-8, UTF-16 with a mark, or Windows-1252.

    Raises LogError as `read_drive` does, and for a file that cannot be opened.
    """
    try:
        raw = path.read_bytes()
    except OSError as cause:
        raise LogError(
            f"{path.name} could not be opened ({cause.strerror}). Nothing was read; check the path."
        ) from cause
    return read_drive(decode(raw), name=path.stem, mapping=mapping, split_by=split_by)


def decode(raw: bytes) -> str:
    """Bytes of a log as text: UTF-16 when marked so, else UTF-8, else Windows-1252 (degree signs of old loggers)."""
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", errors="replace")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def read_drive(
    text: str, *, name: str = "drive", mapping: Mapping[str, str] | None = None, split_by: str | None = None
) -> Reading:
    """Read the text of a drive log.

    `mapping` overrides guesses: heading -> signal key ("speed_kmh", "time_s", "misfires:3"), with a unit if
    wanted ("speed_kmh@m/s"), or "ignore". `split_by` names a column (driver, trip); each of its values becomes a
    drive of its own.

    Raises NoTime without a usable clock, FieldsDoNotMatch when rows cannot be put under the headings safely,
    NoHeadings when nothing names the columns, UnknownColumn for a mapping to something that does not exist.
    """
    text = unify_newlines(text)
    if not text.strip():
        raise LogError("The file is empty. Nothing was read; record or export the drive again.")
    mapping = dict(mapping or {})
    head = find_head(text, frozenset(mapping) | ({split_by} if split_by else frozenset()))
    choices, ignored, notes = _choose_columns(head, mapping)
    if split_by and split_by not in head.headings:
        raise UnknownColumn(f"There is no column {split_by!r} to split by", head.headings)
    if head.preamble:
        notes.append(f"{len(head.preamble)} line(s) before the headings were skipped")
    clock = _choose_clock(choices, head)
    ignored.extend(
        (c.heading, "another column is used as the clock") for c in choices if c.key == "time_s" and c != clock
    )
    wanted = [clock, *(c for c in choices if c.key != "time_s")]
    table = _load(text, head, wanted, split_by)
    return _assemble(table, wanted, head, _Notes(notes, ignored, name, split_by))


@dataclass(slots=True)
class _Notes:
    notes: list[str]
    ignored: list[tuple[str, str]]
    name: str
    split_by: str | None


@dataclass(slots=True)
class _Table:
    """Columns as numbers in the unit of the file (the clock already in seconds), with what happened on the way."""

    seconds: Floats
    clock_kind: str
    numbers: list[NumberColumn]
    groups: list[str] | None
    first_line: int
    line_numbers: Sequence[int] | None
    set_aside: dict[str, list[int]]
    clock_bad: list[tuple[int, str]]
    read: int

    def line(self, row: int) -> int:
        return self.first_line + row if self.line_numbers is None else self.line_numbers[row]


def _choose_columns(head: Head, mapping: Mapping[str, str]) -> tuple[list[_Choice], list[tuple[str, str]], list[str]]:
    """Which column gives which signal; the rest is ignored, each with a reason."""
    for heading, target in mapping.items():
        key = target.partition("@")[0]
        if heading not in head.headings:
            raise UnknownColumn(f"There is no column {heading!r}", head.headings)
        if key != "ignore" and key not in BY_KEY and not (key.startswith("misfires:") and key[9:].isdigit()):
            raise UnknownColumn(f"{key!r} is not a signal", ["ignore", *BY_KEY, "misfires:N"])
        named = target.partition("@")[2]
        fits = key in BY_KEY and (found := find_unit(named)) is not None and found.quantity == BY_KEY[key].quantity
        if named and not fits:
            raise UnknownColumn(
                f"{named!r} is not a unit of {key}", ["km/h", "mph", "m/s", "degC", "degF", "s", "ms", "%"]
            )
    ignored: list[tuple[str, str]] = []
    notes: list[str] = []
    ranked: list[tuple[int, int, _Choice]] = []
    for index, (heading, unit_below) in enumerate(zip(head.headings, head.units, strict=True)):
        if heading in mapping:
            key, _, named = mapping[heading].partition("@")
            if key == "ignore":
                ignored.append((heading, "you asked to ignore it"))
            else:
                ranked.append((-1, index, _Choice(index, heading, key, named or unit_below)))
            continue
        guess = guess_meaning(heading)
        if guess is None:
            ignored.append((heading, "its meaning is not known"))
        elif guess.key == "group":
            ignored.append((heading, "it names the driver or trip, not a signal; ask to split by it"))
        else:
            unit = guess.unit.symbol if guess.unit else unit_below
            ranked.append((guess.rank, index, _Choice(index, heading, guess.key, unit)))
    chosen: dict[str, _Choice] = {}
    clocks: list[_Choice] = []
    for _, _, choice in sorted(ranked, key=lambda item: item[:2]):
        if choice.key == "time_s":
            clocks.append(choice)
        elif choice.key in chosen:
            ignored.append((choice.heading, f"{chosen[choice.key].heading!r} already gives {choice.key}"))
        else:
            chosen[choice.key] = choice
    for heading in {h for h in head.headings if h and head.headings.count(h) > 1}:
        notes.append(f"the heading {heading!r} stands {head.headings.count(heading)} times; the first was used")
    return clocks + sorted(chosen.values(), key=lambda c: c.index), ignored, notes


def _choose_clock(choices: Sequence[_Choice], head: Head) -> _Choice:
    """The best clock: one with a unit of time in its heading first, then by the order of the synonyms."""
    clocks = [c for c in choices if c.key == "time_s"]
    if not clocks:
        raise NoTime("no column is a clock", head.headings)
    return min(clocks, key=lambda c: c.unit is None)


def _load(text: str, head: Head, wanted: Sequence[_Choice], split_by: str | None) -> _Table:
    clean = None if split_by else read_clean(text, head, [c.index for c in wanted])
    if clean is not None:
        scale, kind = clock_scale(clean[:, 0], wanted[0].unit)
        columns = [NumberColumn(np.ascontiguousarray(clean[:, at])) for at in range(1, clean.shape[1])]
        return _Table(clean[:, 0] * scale, kind, columns, None, head.first_line, None, {}, [], len(clean))
    rows = read_rows(text, head)
    if not rows.cells:
        raise LogError("There are headings but no whole row below them. Nothing was kept; record the drive again.")
    cells = [[row[c.index] for row in rows.cells] for c in wanted]
    times = read_times(cells[0], wanted[0].unit)
    groups = [row[head.headings.index(split_by)] for row in rows.cells] if split_by else None
    numbers = [read_numbers(column) for column in cells[1:]]
    return _Table(
        times.seconds,
        times.kind,
        numbers,
        groups,
        head.first_line,
        rows.line_numbers,
        rows.set_aside,
        times.text_cells,
        rows.read,
    )


def _assemble(table: _Table, wanted: Sequence[_Choice], head: Head, said: _Notes) -> Reading:
    """Rows put in order, split into drives, units brought to the house units."""
    usable = np.isfinite(table.seconds)
    aside = dict(table.set_aside)
    if not usable.all():
        bad = [table.line(int(row)) for row in np.flatnonzero(~usable)]
        aside["no readable time"] = bad
    if not usable.any():
        raise NoTime(f"no cell of {wanted[0].heading!r} is a time", head.headings)
    if usable.sum() > 2 and np.ptp(table.seconds[usable]) == 0:
        raise NoTime(
            f"every row of {wanted[0].heading!r} holds the same time, so the clock was rounded away", head.headings
        )
    signals, uses = _signals(table, wanted[1:], said)
    drives: list[DriveLog] = []
    repeated = 0
    for label, chosen in _groups(table, usable, said):
        seconds = table.seconds[chosen]
        order = order_rows(seconds)
        repeated += order.repeated
        aside.setdefault("time runs backwards", []).extend(table.line(int(chosen[row])) for row in order.jumps_back)
        bounds = [*order.starts, len(chosen)]
        if len(order.starts) > 1:
            said.notes.append(
                f"the clock starts again {len(order.starts) - 1} time(s); each part is a drive of its own"
            )
        for part, (start, stop) in enumerate(pairwise(bounds), start=1):
            picked = chosen[start:stop][order.keep[start:stop]]
            part_name = label if len(order.starts) == 1 else f"{label} part {part}"
            values = {key: column[picked] for key, column in signals.items()}
            drives.append(_drive(table.seconds[picked], values, part_name, table.clock_kind))
    if repeated:
        said.notes.append(f"{repeated} row(s) repeat the time of the row before; no time passes between them")
    said.notes.append(f"time read as {table.clock_kind}")
    clock = ColumnUse(
        wanted[0].heading, "time_s", table.clock_kind, "assumed" in table.clock_kind, 0, len(table.clock_bad),
        tuple((table.line(row), cell) for row, cell in table.clock_bad[:_SHOWN_LINES]),
    )  # fmt: skip
    cleaned = [doubt_signals(drive) for drive in drives]
    for _, found in cleaned:
        said.notes.extend(note for note in found if note not in said.notes)
    drives = [drive for drive, _ in cleaned]
    report = ReadingReport(
        rows_read=table.read,
        rows_used=sum(drive.time_s.size for drive in drives),
        set_aside=tuple(SetAside(why, len(at), tuple(at[:_SHOWN_LINES])) for why, at in aside.items() if at),
        columns_used=(clock, *uses),
        columns_ignored=tuple(said.ignored),
        gaps=tuple(gap for drive in drives for gap in _gaps(drive)),
        notes=tuple(said.notes),
        clean_path=table.line_numbers is None,
    )
    return Reading(tuple(drives), report)


def _groups(table: _Table, usable: NDArray[np.bool_], said: _Notes) -> list[tuple[str, NDArray[np.intp]]]:
    if table.groups is None:
        return [(said.name, np.flatnonzero(usable))]
    labels = np.array(table.groups)
    names = list(dict.fromkeys(table.groups))
    found = [(name, np.flatnonzero(usable & (labels == name))) for name in names]
    return [(name or "without a name", rows) for name, rows in found if rows.size]


def _signals(table: _Table, wanted: Sequence[_Choice], said: _Notes) -> tuple[dict[str, Floats], list[ColumnUse]]:
    """Each signal in its house unit, and how its column was read. A column without one number is ignored."""
    signals: dict[str, Floats] = {}
    uses: list[ColumnUse] = []
    for choice, column in zip(wanted, table.numbers, strict=True):
        house = BY_KEY[choice.key].unit if choice.key in BY_KEY else ""
        in_cells = next(iter(column.units)) if len(column.units) == 1 else None
        unit = in_cells or choice.unit
        source, target = find_unit(unit or ""), find_unit(house)
        if not np.isfinite(column.values).any():
            said.ignored.append((choice.heading, "no cell of it holds a number"))
            continue
        if len(column.units) > 1 or (source and target and source.quantity != target.quantity):
            said.ignored.append(
                (choice.heading, f"its unit ({', '.join(sorted(column.units)) or unit}) does not fit {choice.key}")
            )
            continue
        if source and target:
            signals[choice.key] = convert(column.values, source.symbol, target.symbol)
        else:
            signals[choice.key] = column.values
        uses.append(
            ColumnUse(
                heading=choice.heading,
                key=choice.key,
                unit=source.symbol if source else house or "count",
                unit_assumed=source is None and bool(house) and house not in ("rpm", "%"),
                absent_cells=column.absent,
                unreadable_cells=len(column.text_cells),
                unreadable_examples=tuple((table.line(row), cell) for row, cell in column.text_cells[:_SHOWN_LINES]),
                notes=tuple(column.notes),
            )
        )
    return signals, uses


def _drive(seconds: Floats, signals: Mapping[str, Floats], name: str, clock_kind: str) -> DriveLog:
    plain = {key: values for key, values in signals.items() if ":" not in key and np.isfinite(values).any()}
    counters = {int(key[9:]): values for key, values in signals.items() if key.startswith("misfires:")}
    misfires = MappingProxyType({cylinder: counters[cylinder] for cylinder in sorted(counters)})
    began = float(seconds[0]) if clock_kind.startswith(_CLOCKS_THAT_TELL_WHEN) else None
    return DriveLog(time_s=seconds - seconds[0], misfires=misfires, name=name, began_s=began, **plain)


def _gaps(drive: DriveLog) -> list[Gap]:
    steps = np.diff(drive.time_s)
    wide = np.flatnonzero(steps > drive.row_gap_limit_s())
    return [Gap(drive.name, float(drive.time_s[row]), float(steps[row])) for row in wide[:_GAPS_LISTED]]
