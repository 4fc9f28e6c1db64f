"""The shape of a log file: where its headings are, what separates its cells, which rows are whole."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import LogError
from firstcause.roadtest.headings import guess_meaning
from firstcause.units import find_unit

SEPARATORS = (",", ";", "\t", "|")
HEAD_LINES = 40


class NoHeadings(LogError):
    """No row of the file names its columns."""

    def __init__(self, first_line: str) -> None:
        self.first_line = first_line
        super().__init__(
            f"No row of headings was found; the file begins with {first_line[:60]!r}. Nothing was kept. "
            "Export the drive again with a first row that names the columns, one of them the time."
        )


class FieldsDoNotMatch(LogError):
    """Most rows have more or fewer fields than there are headings, so no value can be given to a column safely."""

    def __init__(self, *, headings: int, fields: int, rows: int, line: int) -> None:
        self.headings, self.fields, self.rows, self.line = headings, fields, rows, line
        super().__init__(
            f"{headings} headings stand over rows of {fields} values (first on line {line}, {rows} rows). Nothing was "
            "kept, because values under wrong headings would be worse. Export the drive again, or correct the headings."
        )


@dataclass(frozen=True, slots=True)
class Head:
    """The headings of a file and where its rows begin: line number (from 1) and character offset."""

    separator: str
    headings: tuple[str, ...]
    units: tuple[str | None, ...]
    first_line: int
    offset: int
    trailing_separator: bool
    preamble: tuple[str, ...]


def split_line(line: str, separator: str) -> list[str]:
    """The cells of one line, blanks around them removed. Quotes are honoured within the line only."""
    if '"' not in line:
        cells = line.split(separator)
        return [cell.strip() for cell in cells] if " " in line or "\t" in line else cells
    try:
        return [cell.strip() for cell in next(csv.reader([line], delimiter=separator, skipinitialspace=True))]
    except csv.Error:
        return [cell.strip() for cell in line.replace('"', "").split(separator)]


def find_head(text: str, known: frozenset[str]) -> Head:
    """Find the row of headings among the first lines: the one of which the table (or the caller) knows most.

    `known` are headings that the caller named himself. A row of units below the headings is taken as such.

    Raises NoHeadings when no line holds a heading that is known.
    """
    lines, offsets = _first_lines(text)
    best: tuple[int, int, str, list[str]] | None = None
    for at, line in enumerate(lines):
        if line.lstrip().startswith("#") or not line.strip():
            continue
        for separator in SEPARATORS:
            cells = split_line(line, separator)
            score = sum(2 if cell in known else 1 for cell in cells if cell in known or (cell and guess_meaning(cell)))
            if score and (best is None or score > best[0]):
                best = (score, at, separator, cells)
    if best is None:
        raise NoHeadings(next((line for line in lines if line.strip()), ""))
    _, at, separator, cells = best
    trailing = len(cells) > 1 and cells[-1] == ""
    headings = cells[:-1] if trailing else cells
    units: tuple[str | None, ...] = (None,) * len(headings)
    rows_at = at + 1
    if rows_at < len(lines) and _is_unit_row(below := split_line(lines[rows_at], separator)):
        units = tuple(_bare_unit(cell) for cell in (below + [""] * len(headings))[: len(headings)])
        rows_at += 1
    return Head(
        separator=separator,
        headings=tuple(headings),
        units=units,
        first_line=rows_at + 1,
        offset=offsets[rows_at],
        trailing_separator=trailing,
        preamble=tuple(line for line in lines[:at] if line.strip()),
    )


def _first_lines(text: str) -> tuple[list[str], list[int]]:
    """The first lines of a text and the offset of each, plus the offset after the last."""
    lines: list[str] = []
    offsets, at = [0], 0
    while at < len(text) and len(lines) < HEAD_LINES:
        end = text.find("\n", at)
        end = len(text) if end < 0 else end
        lines.append(text[at:end])
        at = end + 1
        offsets.append(min(at, len(text)))
    return lines, offsets


def _bare_unit(cell: str) -> str | None:
    text = cell.strip().strip("[]()").strip()
    return text if find_unit(text) else None


def _is_unit_row(cells: Sequence[str]) -> bool:
    filled = [cell for cell in cells if cell]
    if not filled or any(cell[:1].isdigit() for cell in filled):
        return False
    return 2 * sum(_bare_unit(cell) is not None for cell in filled) > len(filled)


def read_clean(body: str, head: Head, columns: Sequence[int]) -> NDArray[np.float64] | None:
    """The wanted columns of whole lines as floats, shape (rows, columns), if every cell of them is a plain number.

    Returns None as soon as anything is not clean: the careful reader then takes these lines.
    """
    if not body or '"' in body or not body.isascii() or body[0] == "\n" or "\n\n" in body:
        return None
    raw = body.encode("ascii") if body[-1] == "\n" else body.encode("ascii") + b"\n"
    width = len(head.headings) + head.trailing_separator
    row = head.separator.encode("ascii") * (width - 1) + b"\n"
    marks = raw.translate(None, delete=bytes(set(range(256)) - set(row)))
    rows = len(marks) // width
    if marks != row * rows:
        return None
    try:
        values = np.loadtxt(io.BytesIO(raw), delimiter=head.separator, usecols=list(columns), ndmin=2, comments=None)
    except ValueError:
        return None
    return values if len(values) == rows and np.isfinite(values).all() else None


@dataclass(slots=True)
class Rows:
    """The whole rows of some lines, wanted columns only, as text cells; their line numbers; the lines not whole."""

    cells: list[list[str]]
    line_numbers: list[int]
    set_aside: dict[str, list[int]]
    misfits: list[int]
    read: int


def read_rows(body: str, head: Head, columns: Sequence[int], first_line: int) -> Rows:
    """Split every line; one with too many or too few fields is set aside with its line number, never shifted.

    `cells` has one list a wanted column, `misfits` the number of fields of each line that does not fit.
    """
    width = len(head.headings)
    lines = body.split("\n")
    cut_off = not body.endswith("\n")
    if lines and not lines[-1]:
        lines.pop()
        cut_off = False
    out = Rows([[] for _ in columns], [], {}, [], len(lines))
    places = list(zip(columns, out.cells, strict=True))
    for at, line in enumerate(lines):
        number = first_line + at
        if not line.strip(f"{head.separator} "):
            out.set_aside.setdefault("empty line", []).append(number)
            continue
        cells = split_line(line, head.separator)
        if len(cells) == width + 1 and not cells[-1]:
            cells.pop()
        if len(cells) == width:
            for index, column in places:
                column.append(cells[index])
            out.line_numbers.append(number)
        elif cut_off and at == len(lines) - 1 and len(cells) < width:
            out.set_aside.setdefault("the last row is cut off", []).append(number)
        else:
            reason = "fewer fields than headings" if len(cells) < width else "more fields than headings"
            out.set_aside.setdefault(reason, []).append(number)
            out.misfits.append(len(cells))
    return out
