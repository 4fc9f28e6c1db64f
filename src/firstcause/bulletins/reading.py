"""A file becomes records and damaged lines, one at a time, with the place from which to go on."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import BinaryIO

from firstcause.bulletins.layouts import FLAT_FILES, PLAIN_COLUMNS, PLAIN_NEEDS, Unreadable, plain_record
from firstcause.bulletins.records import Damaged, Kind, Record
from firstcause.errors import RequestError

LONGEST_LINE_BYTES = 1 << 20


@dataclass(frozen=True, slots=True)
class Place:
    """How far a file was read: bytes and lines before the next one."""

    byte: int
    line: int


def read_file(path: Path, kind: Kind | None, after: Place = Place(0, 0)) -> Iterator[tuple[Record | Damaged, Place]]:
    """Each line as a record or set aside, and the place after it.

    `kind` names one of the regulator's flat files; None is the plain table with a heading. Raises RequestError for a
    file that cannot be opened and for a plain table without its headings.
    """
    try:
        with path.open("rb") as file:
            yield from _plain(file, path, after) if kind is None else _flat(file, kind, after)
    except OSError as error:
        raise RequestError(f"{path} cannot be read: {error.strerror}. What was taken in before is kept.") from error


def _lines(file: BinaryIO, after: Place) -> Iterator[tuple[bytes, Place]]:
    file.seek(after.byte)
    place = after
    while line := file.readline(LONGEST_LINE_BYTES):
        place = Place(place.byte + len(line), place.line + 1)
        yield line, place


def _text(raw: bytes) -> str:
    """UTF-8, or else Windows-1252 (the older flat files); the five bytes that it does not know become a mark."""
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def _flat(file: BinaryIO, kind: Kind, after: Place) -> Iterator[tuple[Record | Damaged, Place]]:
    """No heading, tabs, quotes mean nothing."""
    layout = FLAT_FILES[kind]
    for raw, place in _lines(file, after):
        line = _text(raw).rstrip("\r\n")
        if not line.strip():
            continue
        try:
            yield layout.record(line.split("\t")), place
        except Unreadable as wrong:
            yield Damaged(place.line, str(wrong), line), place


def _plain(file: BinaryIO, path: Path, after: Place) -> Iterator[tuple[Record | Damaged, Place]]:
    """A heading, then one record a line; comma, semicolon or tab; quotes as in any CSV, but no line break inside."""
    head, start = next(_lines(file, Place(0, 0)), (b"", Place(0, 0)))
    first = _text(head).lstrip("\ufeff").rstrip("\r\n")
    mark = max(",;\t", key=first.count)
    headings = [cell.strip().lower() for cell in next(csv.reader([first], delimiter=mark), [])]
    missing = [name for name in PLAIN_NEEDS if name not in headings]
    if missing:
        raise RequestError(
            f"{path} has no column {', '.join(missing)}. The first line names the columns: {', '.join(PLAIN_COLUMNS)}. "
            "Nothing was taken in."
        )
    for raw, place in _lines(file, max(after, start, key=lambda each: each.byte)):
        line = _text(raw).rstrip("\r\n")
        if not line.strip():
            continue
        try:
            cells = next(csv.reader([line], delimiter=mark, strict=True))
            if len(cells) != len(headings):
                raise Unreadable(f"{len(cells)} cells under {len(headings)} headings")
            yield plain_record(dict(zip(headings, cells, strict=True))), place
        except (Unreadable, csv.Error) as wrong:
            yield Damaged(place.line, str(wrong), line), place
