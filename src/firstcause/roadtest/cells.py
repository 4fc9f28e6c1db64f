"""The cells of a drive log: numbers with commas and units in them, and time written in many ways."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from datetime import date
from math import isfinite

import numpy as np
from numpy.typing import NDArray

from firstcause.tongue import Said, _
from firstcause.units import find_unit

Floats = NDArray[np.float64]

ABSENT = frozenset(
    {"", "-", "--", "---", "?", "n/a", "na", "nan", "null", "none", "nil", "no data", "nodata", "not available"}
)
_NUMBER = re.compile(r"^([+-]?(?:\d[\d.,' \u00a0]*|[.,]\d+)(?:[eE][+-]?\d+)?)\s*([^\d\s].*)?$")
_THOUSANDS = re.compile(r"^[+-]?[1-9]\d{0,2}(?:,\d{3})+$")
_PLAIN_INTEGER = re.compile(r"^[+-]?\d+$")
_MONTH_NAMES = ("jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec")
_MONTHS = {name: number for number, name in enumerate(_MONTH_NAMES, start=1)}


@dataclass(slots=True)
class NumberColumn:
    """A column as floats, shape (rows,); NaN where a cell is empty or is no number."""

    values: Floats
    absent: int = 0
    text_cells: list[tuple[int, str]] = field(default_factory=list)
    units: set[str] = field(default_factory=set)
    notes: list[str] = field(default_factory=list)
    thousands: bool | None = None


def read_numbers(cells: Sequence[str], thousands: bool | None = None) -> NumberColumn:
    """Read a column of number cells; nothing raises, what is no number is listed in `text_cells`.

    `thousands` says what a comma means where the rows before have shown it; `thousands` of the result is what was
    taken, None when no cell had a comma, and False against a True when these cells cannot be thousands.

    Knows a decimal comma ("74,50"), thousands ("1,234"), a unit in the cell ("82C", "2124RPM", "74,50%").
    """
    try:
        values = np.fromiter(map(float, cells), dtype=np.float64, count=len(cells))
    except ValueError:
        return _read_cell_by_cell(cells, thousands)
    if not np.isfinite(values).all() or "_" in "".join(cells):
        return _read_cell_by_cell(cells, thousands)
    return NumberColumn(values)


def _read_cell_by_cell(cells: Sequence[str], decided: bool | None) -> NumberColumn:
    with_comma = [cell.strip() for cell in cells if "," in cell]
    thousands = (
        decided is not False
        and bool(with_comma)
        and all(_THOUSANDS.match(cell) for cell in with_comma)
        and all(
            _PLAIN_INTEGER.match(cell.strip())
            for cell in cells
            if "," not in cell and cell.strip().lower() not in ABSENT
        )
        and (decided is True or len(with_comma) < len(cells))
    )
    column = NumberColumn(np.full(len(cells), np.nan))
    for row, cell in enumerate(cells):
        text = cell.strip()
        plain = _plain_float(text)
        if plain is not None:
            column.values[row] = plain
            continue
        if text.lower() in ABSENT:
            column.absent += 1
            continue
        found = _NUMBER.match(text)
        value = _to_float(found.group(1), thousands) if found else None
        if value is None or found is None:
            column.text_cells.append((row, text))
            continue
        if tail := found.group(2):
            unit = find_unit(tail)
            if unit is None:
                column.text_cells.append((row, text))
                continue
            column.units.add(unit.symbol)
        column.values[row] = value
    if with_comma:
        column.thousands = thousands
        column.notes.append(_("commas read as thousands" if thousands else "commas read as decimal commas"))
    return column


def _plain_float(text: str) -> float | None:
    """A number as Python writes it, or None; not "inf", "nan" or "1_0"."""
    try:
        value = float(text)
    except ValueError:
        return None
    return value if isfinite(value) and "_" not in text else None


def _to_float(text: str, thousands: bool) -> float | None:
    text = text.replace("\u00a0", "").replace(" ", "").replace("'", "")
    if thousands:
        text = text.replace(",", "")
    elif "," in text and "." in text:
        text = text.replace(",", "") if text.rfind(".") > text.rfind(",") else text.replace(".", "").replace(",", ".")
    elif text.count(",") > 1:
        text = text.replace(",", "")
    else:
        text = text.replace(",", ".")
    return _plain_float(text)


@dataclass(slots=True)
class TimeColumn:
    """Time in seconds, shape (rows,), from an unstated zero; NaN where a cell is no time. `kind`: how it was read."""

    seconds: Floats
    kind: str
    text_cells: list[tuple[int, str]] = field(default_factory=list)
    absent: int = 0


_FRACTION = r"\d{1,2}(?:[.,]\d+)?"
_CLOCK = re.compile(rf"^(\d{{1,3}}):(\d{{1,2}}):({_FRACTION})\s*([AaPp][Mm])?$")
_MINUTES = re.compile(rf"^(\d{{1,3}}):({_FRACTION})$")
_ISO = re.compile(
    rf"^(\d{{4}})[-/.](\d{{1,2}})[-/.](\d{{1,2}})[T ]+"
    rf"(\d{{1,2}}):(\d{{1,2}}):({_FRACTION})\s*(Z|[+-]\d{{2}}:?\d{{2}})?$"
)
_DATED = re.compile(
    rf"^(\d{{1,2}})[-/. ](\d{{1,2}}|[A-Za-z]{{3}})[-/. ](\d{{4}}|\d{{2}})[T, ]+"
    rf"(\d{{1,2}}):(\d{{1,2}})(?::({_FRACTION}))?\s*([AaPp][Mm])?$"
)
_WRITTEN = re.compile(
    rf"^[A-Za-z]{{3}},? ([A-Za-z]{{3}}) +(\d{{1,2}}) (\d{{1,2}}):(\d{{1,2}}):({_FRACTION})"
    rf"(?: [A-Z]{{2,5}}(?:[+-]\d+:?\d*)?)? (\d{{4}})$"
)


class Clock:
    """A time column read piece by piece: seconds, Unix time, clock, minutes and seconds, or date with time.

    `unit` is the one named in the heading, or None. The kind is decided by the first piece with a cell that is any time
    at all, and so is the size of a step; a clock that turns over (midnight, the lost hour) goes on in the next piece.
    `month_first`: True once a date like 11/25/2026 has shown that the month stands first.
    """

    def __init__(self, unit: str | None, month_first: bool = False) -> None:
        self.unit, self.month_first = unit, month_first
        self.kind: str | None = None
        self._scale: float | None = None
        self._written: tuple[re.Pattern[str], Callable[[re.Match[str]], float | None]] | None = None
        self._dates = False
        self._last_s, self._turned_s = np.nan, 0.0

    @property
    def is_number(self) -> bool:
        """Whether plain numbers can be times of this clock, as far as is known."""
        return self._written is None and not self._dates

    def from_numbers(self, values: Floats) -> Floats:
        """Seconds of plain numbers, shape (rows,)."""
        if self._scale is None:
            self._scale, self.kind = clock_scale(values[np.isfinite(values)], self.unit)
        return values * self._scale

    def read(self, cells: Sequence[str]) -> TimeColumn:
        """Seconds of text cells; NaN and a place in `text_cells` where one is no time."""
        if self.kind is None:
            self._decide(cells)
        if self._written is not None:
            return self._each(cells, *self._written)
        if self._dates:
            return self._read_dates(cells)
        column = read_numbers(cells)
        if self._scale is None and len(column.units) == 1:
            self.unit = self.unit or next(iter(column.units))
        return TimeColumn(self.from_numbers(column.values), self.kind or "", column.text_cells, column.absent)

    def wrongly_day_first(self, cells: Sequence[str]) -> bool:
        """True when these dates show that the month stands first, and the clock was told otherwise."""
        dated = self._written is not None and self._written[0] is _DATED
        return dated and not self.month_first and _month_first(cells)

    def _decide(self, cells: Sequence[str]) -> None:
        sample = next((cell.strip() for cell in cells if cell.strip().lower() not in ABSENT), "")
        if _ISO.match(sample):
            self._dates, self.kind = True, "date and time"
        elif _DATED.match(sample):
            self.month_first = self.month_first or _month_first(cells)
            self._written, self.kind = (_DATED, _from_dated(self.month_first)), "date and time"
        else:
            for pattern, parse, kind in (
                (_CLOCK, _from_clock, "clock time"),
                (_MINUTES, _from_minutes, "minutes and seconds without the hour"),
                (_WRITTEN, _from_written, "date and time"),
            ):
                if pattern.match(sample):
                    self._written, self.kind = (pattern, parse), kind
                    return

    def _each(
        self, cells: Sequence[str], pattern: re.Pattern[str], parse: Callable[[re.Match[str]], float | None]
    ) -> TimeColumn:
        column = TimeColumn(np.full(len(cells), np.nan), self.kind or "")
        for row, cell in enumerate(cells):
            text = cell.strip()
            found = pattern.match(text)
            value = parse(found) if found else None
            if value is not None:
                column.seconds[row] = value
            elif text.lower() in ABSENT:
                column.absent += 1
            else:
                column.text_cells.append((row, text))
        period = {"clock time": 86400.0, "minutes and seconds without the hour": 3600.0}.get(column.kind)
        if period:
            column.seconds = self._unroll(column.seconds, period)
        return column

    def _unroll(self, seconds: Floats, period: float) -> Floats:
        """Add a period wherever the clock falls by more than half of it: midnight, or the lost hour."""
        known = np.flatnonzero(np.isfinite(seconds))
        if not known.size:
            return seconds
        before = seconds[known[0]] if np.isnan(self._last_s) else self._last_s
        turns = np.cumsum(np.diff(seconds[known], prepend=before) < -period / 2)
        out = seconds.copy()
        out[known] += turns * period + self._turned_s
        self._last_s = float(seconds[known[-1]])
        self._turned_s += float(turns[-1]) * period
        return out

    def _read_dates(self, cells: Sequence[str]) -> TimeColumn:
        zoned = any(cell.endswith("Z") or "+" in cell or cell.count("-") > 2 for cell in cells)
        if not zoned:
            try:
                moments = np.array(cells, dtype="datetime64[us]")
            except ValueError:
                moments = None
            if moments is not None:
                seconds = moments.astype(np.int64) / 1e6
                seconds[np.isnat(moments)] = np.nan
                return TimeColumn(seconds, self.kind or "", [], int(np.isnat(moments).sum()))
        return self._each(cells, _ISO, _from_iso)


_CLOCKS: Said[str] = Said({
    "date and time": "date and time", "clock time": "clock time",
    "minutes and seconds without the hour": "minutes and seconds without the hour",
    "milliseconds, assumed from steps of 50 or more": "milliseconds, assumed from steps of 50 or more",
    "seconds, assumed": "seconds, assumed", "nanoseconds": "nanoseconds", "microseconds": "microseconds",
    "milliseconds": "milliseconds", "seconds": "seconds",
})  # fmt: skip


def clock_words(kind: str) -> str:
    """What a clock was taken for, in the language spoken."""
    if kind.endswith(", as named"):
        return _("{unit}, as named", unit=kind.removesuffix(", as named"))
    if kind.startswith("Unix time in "):
        step = kind.removeprefix("Unix time in ").removesuffix(", by its size")
        return _("Unix time in {step}, by its size", step=_CLOCKS[step])
    return _CLOCKS.get(kind, kind)


def clock_scale(values: Floats, unit: str | None) -> tuple[float, str]:
    """Seconds in one step of a numeric clock, and what it was taken for; `values` has shape (n,), all finite.

    A named unit decides; else the size tells Unix time; else steps of 50 or more are milliseconds; else seconds.
    """
    if named := find_unit(unit or ""):
        return named.scale, f"{named.symbol}, as named"
    typical = float(np.median(values)) if values.size else 0.0
    for above, scale, word in (
        (1e17, 1e-9, "nanoseconds"),
        (1e14, 1e-6, "microseconds"),
        (1e11, 1e-3, "milliseconds"),
        (1e8, 1.0, "seconds"),
    ):
        if typical > above:
            return scale, f"Unix time in {word}, by its size"
    if values.size > 2 and float(np.median(np.abs(np.diff(values)))) >= 50:
        return 1e-3, "milliseconds, assumed from steps of 50 or more"
    return 1.0, "seconds, assumed"


def _seconds(hour: str, minute: str, second: str | None, half: str | None = None) -> float | None:
    h, m, s = int(hour), int(minute), float((second or "0").replace(",", "."))
    if half:
        h = h % 12 + (12 if half.lower() == "pm" else 0)
    return None if m > 59 or s >= 61 else 3600.0 * h + 60.0 * m + s


def _day(year: int, month: int, day: int) -> float | None:
    try:
        return 86400.0 * (date(year + (2000 if year < 100 else 0), month, day).toordinal() - 719163)
    except ValueError:
        return None


def _plus(day: float | None, seconds: float | None) -> float | None:
    return None if day is None or seconds is None else day + seconds


def _from_clock(m: re.Match[str]) -> float | None:
    return _seconds(m[1], m[2], m[3], m[4])


def _from_minutes(m: re.Match[str]) -> float | None:
    return 60.0 * int(m[1]) + float(m[2].replace(",", "."))


def _from_iso(m: re.Match[str]) -> float | None:
    zone = 0.0
    if m[7] and m[7] != "Z":
        digits = m[7].replace(":", "")
        zone = (1 if digits[0] == "+" else -1) * (3600.0 * int(digits[1:3]) + 60.0 * int(digits[3:5]))
    moment = _plus(_day(int(m[1]), int(m[2]), int(m[3])), _seconds(m[4], m[5], m[6]))
    return None if moment is None else moment - zone


def _from_written(m: re.Match[str]) -> float | None:
    return _plus(_day(int(m[6]), _MONTHS.get(m[1].lower(), 0), int(m[2])), _seconds(m[3], m[4], m[5]))


def _from_dated(month_first: bool) -> Callable[[re.Match[str]], float | None]:
    def parse(m: re.Match[str]) -> float | None:
        if m[2].isdigit():
            day, month = (int(m[2]), int(m[1])) if month_first else (int(m[1]), int(m[2]))
        else:
            day, month = int(m[1]), _MONTHS.get(m[2].lower(), 0)
        return _plus(_day(int(m[3]), month, day), _seconds(m[4], m[5], m[6], m[7]))

    return parse


def _month_first(cells: Sequence[str]) -> bool:
    """True when a date like 11/25/2026 shows that the month stands first; otherwise the day does."""
    return any((m := _DATED.match(cell.strip())) and m[2].isdigit() and int(m[2]) > 12 for cell in cells)
