"""The rows of a log, piece by piece, into columns of numbers; nothing that was read goes without a count."""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import LogError
from firstcause.roadtest.cells import Clock, NumberColumn, read_numbers
from firstcause.roadtest.choosing import Choice
from firstcause.roadtest.table import FieldsDoNotMatch, Head, read_clean, read_rows
from firstcause.roadtest.thinning import STEPS_S, rows_to_keep
from firstcause.tongue import _

Floats = NDArray[np.float64]
SHOWN_LINES = 5
CELLS_HELD = 16_000_000  # 8 bytes each, and as much again while they are put together


@dataclass(slots=True)
class ColumnTally:
    """What the cells of one column were, over all whole rows of the file; examples with their line."""

    numbers: int = 0
    absent: int = 0
    unreadable: int = 0
    examples: list[tuple[int, str]] = field(default_factory=list)
    units: set[str] = field(default_factory=set)
    notes: list[str] = field(default_factory=list)

    def add(self, values: Floats, absent: int, text_cells: Sequence[tuple[int, str]], lines: NDArray[np.int32]) -> None:
        """Count the cells of a piece; `lines` holds the line number of each of its rows."""
        self.numbers += int(np.isfinite(values).sum())
        self.absent += absent
        self.unreadable += len(text_cells)
        room = SHOWN_LINES - len(self.examples)
        self.examples.extend((int(lines[row]), cell) for row, cell in text_cells[: max(room, 0)])


@dataclass(slots=True)
class Lines:
    """Lines set aside for one reason: how many, and the first few."""

    count: int = 0
    first: list[int] = field(default_factory=list)

    def add(self, lines: Iterable[int]) -> None:
        for line in lines:
            self.count += 1
            if len(self.first) < SHOWN_LINES:
                self.first.append(int(line))


@dataclass(slots=True)
class Table:
    """Rows with a time: seconds and columns of shape (n,) in the unit of the file, and what happened on the way.

    `rows_whole`: rows with as many fields as headings; the tallies count the cells of all of these.
    """

    seconds: Floats
    columns: list[Floats]
    lines: NDArray[np.int32]
    parts: NDArray[np.int32]
    part_names: list[str]
    clock_kind: str
    clock: ColumnTally
    tallies: list[ColumnTally]
    set_aside: dict[str, Lines]
    rows_read: int
    rows_whole: int
    clean: bool


class _ReadAgain(Exception):
    """A later piece shows that an earlier one was misread; what is now known is kept, and the file read again."""


@dataclass(slots=True)
class _Known:
    """What the commas of each column and the order of day and month mean, as far as the file has shown."""

    thousands: list[bool | None]
    month_first: bool = False


def load(
    pieces: Callable[[], Iterator[str]],
    head: Head,
    wanted: Sequence[Choice],
    split_at: int | None,
    cells_held: int = CELLS_HELD,
) -> Table:
    """Read the wanted columns (the clock first) of the lines that `pieces()` gives, from the first row on.

    `split_at` is the column that tells drives apart. A log with more cells than `cells_held` is thinned, as `thinning`
    says. Raises FieldsDoNotMatch when most rows do not fit the headings; LogError when it is too long even so.
    """
    known = _Known([None] * (len(wanted) - 1))
    while True:
        loader = _Loader(head, wanted, split_at, known, cells_held)
        try:
            for piece in pieces():
                loader.take(piece)
            return loader.table()
        except _ReadAgain:
            continue


class _Loader:
    """One run over the file."""

    def __init__(
        self, head: Head, wanted: Sequence[Choice], split_at: int | None, known: _Known, cells_held: int
    ) -> None:
        self._head, self._known, self._split_at, self._cells_held = head, known, split_at, cells_held
        self._indices = [choice.index for choice in wanted]
        self._counters = [at for at, choice in enumerate(wanted[1:]) if choice.key.startswith("misfires:")]
        self._clock = Clock(wanted[0].unit, known.month_first)
        self._clock_tally = ColumnTally()
        self._tallies = [ColumnTally() for _column in wanted[1:]]
        self._aside: dict[str, Lines] = {}
        self._misfits: Counter[int] = Counter()
        self._part_numbers: dict[str, int] = {}
        self._held: list[tuple[Floats, list[Floats], NDArray[np.int32], NDArray[np.int32]]] = []
        self._rows_held = 0
        self._step = -1
        self._read = self._whole = 0
        self._clean = True

    def take(self, piece: str) -> None:
        """Read the whole lines of one piece."""
        first_line = self._head.first_line + self._read
        values = None
        if self._split_at is None and self._clock.is_number:
            values = read_clean(piece, self._head, self._indices)
        if values is None:
            self._take_carefully(piece, first_line)
            return
        lines = np.arange(first_line, first_line + len(values), dtype=np.int32)
        self._read += len(values)
        self._whole += len(values)
        for tally in (self._clock_tally, *self._tallies):
            tally.numbers += len(values)
        columns = [np.ascontiguousarray(values[:, at]) for at in range(1, values.shape[1])]
        self._hold(self._clock.from_numbers(values[:, 0]), columns, lines, np.zeros(len(values), dtype=np.int32))

    def _take_carefully(self, piece: str, first_line: int) -> None:
        self._clean = False
        columns = self._indices if self._split_at is None else [*self._indices, self._split_at]
        rows = read_rows(piece, self._head, columns, first_line)
        self._read += rows.read
        self._whole += len(rows.line_numbers)
        self._misfits.update(rows.misfits)
        for reason, lines_aside in rows.set_aside.items():
            self._aside.setdefault(reason, Lines()).add(lines_aside)
        if not rows.line_numbers:
            return
        lines = np.array(rows.line_numbers, dtype=np.int32)
        if self._clock.wrongly_day_first(rows.cells[0]):
            self._known.month_first = True
            raise _ReadAgain
        times = self._clock.read(rows.cells[0])
        self._clock_tally.add(times.seconds, times.absent, times.text_cells, lines)
        numbers = [self._numbers(at, rows.cells[1 + at], lines) for at in range(len(self._tallies))]
        parts = np.zeros(lines.size, dtype=np.int32)
        if self._split_at is not None:
            known = self._part_numbers
            parts = np.array([known.setdefault(name, len(known)) for name in rows.cells[-1]], dtype=np.int32)
        usable = np.isfinite(times.seconds)
        if usable.all():
            self._hold(times.seconds, numbers, lines, parts)
            return
        self._aside.setdefault("no readable time", Lines()).add(lines[~usable])
        if usable.any():
            self._hold(times.seconds[usable], [column[usable] for column in numbers], lines[usable], parts[usable])

    def _numbers(self, at: int, cells: Sequence[str], lines: NDArray[np.int32]) -> Floats:
        decided = self._known.thousands[at]
        column: NumberColumn = read_numbers(cells, decided)
        if decided is None:
            self._known.thousands[at] = column.thousands
        elif decided and column.thousands is False:
            self._known.thousands[at] = False
            raise _ReadAgain
        tally = self._tallies[at]
        tally.add(column.values, column.absent, column.text_cells, lines)
        tally.units |= column.units
        tally.notes.extend(note for note in column.notes if note not in tally.notes)
        return column.values

    def _hold(self, seconds: Floats, columns: list[Floats], lines: NDArray[np.int32], parts: NDArray[np.int32]) -> None:
        self._held.append(self._thinned(seconds, columns, lines, parts))
        self._rows_held += self._held[-1][0].size
        while self._rows_held * (len(columns) + 1) > self._cells_held:
            self._step += 1
            if self._step == len(STEPS_S):
                raise LogError(
                    f"The recording is too long to be judged in one go: even with one row in {STEPS_S[-1]:g} s it does "
                    f"not fit, at line {int(lines[-1])}. Nothing was kept; cut the file into several."
                )
            for at, piece in enumerate(self._held):
                self._held[at] = self._thinned(*piece)
            self._rows_held = sum(piece[0].size for piece in self._held)

    def _thinned(
        self, seconds: Floats, columns: list[Floats], lines: NDArray[np.int32], parts: NDArray[np.int32]
    ) -> tuple[Floats, list[Floats], NDArray[np.int32], NDArray[np.int32]]:
        if self._step < 0:
            return seconds, columns, lines, parts
        counters = [columns[at] for at in self._counters]
        keep = rows_to_keep(seconds, columns, counters, parts, STEPS_S[self._step])
        if keep.all():
            return seconds, columns, lines, parts
        return seconds[keep], [column[keep] for column in columns], lines[keep], parts[keep]

    def table(self) -> Table:
        """All pieces put together; each is let go as soon as it is in."""
        self._refuse_misfits()
        with_time = self._whole - self._aside.get("no readable time", Lines()).count
        if self._step >= 0 and with_time > self._rows_held:
            reason = _(
                "closer than {step:g} s to a row that was kept (the file is too long to hold every row; limits are "
                "judged to that step)",
                step=STEPS_S[self._step],
            )
            self._aside[reason] = Lines(with_time - self._rows_held)
        width = len(self._tallies)
        seconds = np.empty(self._rows_held)
        columns = [np.empty(self._rows_held) for _column in range(width)]
        lines, parts = np.empty(self._rows_held, dtype=np.int32), np.empty(self._rows_held, dtype=np.int32)
        at = 0
        self._held.reverse()
        while self._held:
            piece_s, piece_columns, piece_lines, piece_parts = self._held.pop()
            to = at + piece_s.size
            seconds[at:to], lines[at:to], parts[at:to] = piece_s, piece_lines, piece_parts
            for column, values in zip(columns, piece_columns, strict=True):
                column[at:to] = values
            at = to
        return Table(
            seconds, columns, lines, parts, list(self._part_numbers), self._clock.kind or "", self._clock_tally,
            self._tallies, self._aside, self._read, self._whole, self._clean,
        )  # fmt: skip

    def _refuse_misfits(self) -> None:
        if self._misfits.total() > self._whole:
            fields, rows = self._misfits.most_common(1)[0]
            line = min(found.first[0] for reason, found in self._aside.items() if "than headings" in reason)
            raise FieldsDoNotMatch(headings=len(self._head.headings), fields=fields, rows=rows, line=line)
