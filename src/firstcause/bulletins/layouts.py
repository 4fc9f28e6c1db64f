"""The regulator's flat files and the plain table, field by field: a list of cells becomes a record, or says why not.

Recalls and service bulletins: the published layouts (reference data, 2014 and 2020). Complaints and investigations: the
order of fields is from memory; the first line of a file that does not fit is set aside like any other.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from functools import lru_cache

from firstcause.bulletins.records import KINDS, Kind, Record

KM_PER_MILE = 1.609344
YEAR_NOT_NAMED = 9999

PLAIN_COLUMNS = (
    "kind", "number", "make", "model", "year_from", "year_to", "engine", "component", "text", "published",
    "until", "until_km",
)  # fmt: skip
PLAIN_NEEDS = ("kind", "number", "make", "model", "text")


class Unreadable(ValueError):
    """What is wrong with a line, in words."""


@dataclass(frozen=True)
class Layout:
    """A kind of flat file: how many cells a line may have, and what they say."""

    kind: Kind
    fewest: int
    most: int
    read: Callable[[Sequence[str]], Record]

    def record(self, cells: Sequence[str]) -> Record:
        """Raises Unreadable."""
        if not self.fewest <= len(cells) <= self.most:
            wanted = f"{self.fewest}" if self.fewest == self.most else f"{self.fewest} to {self.most}"
            raise Unreadable(f"{len(cells)} fields where {wanted} belong")
        return self.read(cells)


@lru_cache(maxsize=4096)
def _calendar_day(text: str) -> date | None:
    """None where it is no date; days repeat from line to line, so they are kept."""
    try:
        return date(int(text[:4]), int(text[4:6]), int(text[6:])) if len(text) == 8 and text.isdigit() else None
    except ValueError:
        return None


def _day(text: str, name: str) -> date | None:
    """YYYYMMDD; empty is no date."""
    text = text.strip()
    if not text:
        return None
    day = _calendar_day(text)
    if day is None:
        raise Unreadable(f"{name} {text!r} is no date")
    return day


def _iso_day(text: str, name: str) -> date | None:
    text = text.strip()
    if not text:
        return None
    try:
        return date.fromisoformat(text)
    except ValueError:
        raise Unreadable(f"{name} {text!r} is no date (write 2026-11-25)") from None


def _number(text: str, name: str) -> int | None:
    text = text.strip()
    if not text:
        return None
    if not (text.isascii() and text.isdigit()):
        raise Unreadable(f"{name} {text!r} is no whole number")
    return int(text)


def _year(text: str) -> int | None:
    year = _number(text, "year")
    if year is None or year == YEAR_NOT_NAMED:
        return None
    if not 1900 <= year <= 2100:
        raise Unreadable(f"year {year} cannot be")
    return year


def _years(text: str) -> tuple[int, int] | None:
    year = _year(text)
    return None if year is None else (year, year)


def _needed(text: str, name: str) -> str:
    text = " ".join(text.split())
    if not text:
        raise Unreadable(f"{name} is empty")
    return text


def _words(*texts: str) -> str:
    return " ".join(" ".join(texts).split())


def _recall(cells: Sequence[str]) -> Record:
    return Record(
        "recall", _needed(cells[0], "record id"), _needed(cells[1], "campaign number"),
        _needed(cells[2], "make"), _needed(cells[3], "model"), _years(cells[4]), _words(cells[6]),
        _words(*cells[19:23]), _day(cells[15], "report date"),
        built=(_day(cells[8], "begin of manufacture"), _day(cells[9], "end of manufacture")),
        units=_number(cells[11], "units affected"),
    )  # fmt: skip


def _bulletin(cells: Sequence[str]) -> Record:
    number, item = _words(cells[0]), _needed(cells[2], "item number")
    component, make, model, year = _words(cells[4]), _needed(cells[5], "make"), _words(cells[6]), cells[7].strip()
    return Record(
        "bulletin", "|".join((item, number, component, make, model, year)), number or item,
        make, model, _years(year), component, _words(cells[9]), _day(cells[3], "date of bulletin"),
    )  # fmt: skip


def _complaint(cells: Sequence[str]) -> Record:
    miles = _number(cells[17], "miles")
    return Record(
        "complaint", _needed(cells[0], "complaint id"), _needed(cells[1], "file number"),
        _needed(cells[3], "make"), _words(cells[4]), _years(cells[5]), _words(cells[11]), _words(cells[19]),
        _day(cells[7], "date of failure") or _day(cells[15], "date added"),
        distance_km=None if miles is None else miles * KM_PER_MILE,
    )  # fmt: skip


def _investigation(cells: Sequence[str]) -> Record:
    number, make = _needed(cells[0], "action number"), _needed(cells[1], "make")
    model, year, component = _words(cells[2]), cells[3], _words(cells[4])
    return Record(
        "investigation", "|".join((number, make, model, year.strip(), component)), number, make, model, _years(year),
        component, _words(*cells[9:11]), _day(cells[6], "opening date"),
    )  # fmt: skip


FLAT_FILES: Mapping[Kind, Layout] = {
    "recall": Layout("recall", 24, 29, _recall),
    "bulletin": Layout("bulletin", 10, 14, _bulletin),
    "complaint": Layout("complaint", 47, 53, _complaint),
    "investigation": Layout("investigation", 11, 13, _investigation),
}


def _kind(text: str) -> Kind:
    for kind in KINDS:
        if text.strip().lower() == kind:
            return kind
    raise Unreadable(f"kind {text.strip().lower()!r} is none of {', '.join(KINDS)}")


def plain_record(row: Mapping[str, str]) -> Record:
    """A line of the plain table (`PLAIN_COLUMNS`; `PLAIN_NEEDS` must be filled). Raises Unreadable."""
    for name in PLAIN_NEEDS:
        _needed(row.get(name) or "", name)
    kind = _kind(row["kind"])
    first, last = _year(row.get("year_from") or ""), _year(row.get("year_to") or "")
    first, last = first or last, last or first
    if first is not None and last is not None and first > last:
        raise Unreadable(f"years {first} to {last} run backwards")
    number, make, model = _words(row["number"]), _words(row["make"]), _words(row["model"])
    until_km = _number(row.get("until_km") or "", "until_km")
    component, engine = _words(row.get("component") or ""), _words(row.get("engine") or "")
    key = "|".join((number, make, model, str(first or ""), str(last or ""), engine, component))
    return Record(
        kind, key, number, make, model,
        None if first is None or last is None else (first, last), component, _words(row["text"]),
        _iso_day(row.get("published") or "", "published"), engine,
        until=_iso_day(row.get("until") or "", "until"), until_km=None if until_km is None else float(until_km),
    )  # fmt: skip
