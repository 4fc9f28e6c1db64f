"""A drive log file read into drives, with a report of everything that was assumed, ignored or set aside."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from itertools import chain
from pathlib import Path

from firstcause.errors import LogError
from firstcause.roadtest.assembling import Notes, assemble
from firstcause.roadtest.choosing import NoTime, UnknownColumn, choose_clock, choose_columns
from firstcause.roadtest.drivelog import Reading
from firstcause.roadtest.loading import CELLS_HELD, load
from firstcause.roadtest.pieces import PIECE_BYTES, decode, pieces_of_file, pieces_of_text_blocks
from firstcause.roadtest.table import HEAD_LINES, find_head
from firstcause.tongue import _

__all__ = ["NoTime", "UnknownColumn", "decode", "headings_of_file", "read_drive", "read_drive_file", "read_pieces"]


def read_drive_file(path: Path, *, mapping: Mapping[str, str] | None = None, split_by: str | None = None) -> Reading:
    """Read a drive log of any size from disk; see `read_drive`. Text is UTF-8, UTF-16 with a mark, or Windows-1252.

    The file is read in pieces. Every row is held, unless there are more than 16 million cells in the columns that are
    used; then rows are thinned as `thinning` says, and the report tells it. Raises LogError as `read_drive` does, and
    for a file that cannot be opened.
    """
    return read_pieces(lambda: pieces_of_file(path), name=path.stem, mapping=mapping, split_by=split_by)


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
    blocks = range(0, len(text), PIECE_BYTES)
    return read_pieces(
        lambda: pieces_of_text_blocks(text[at : at + PIECE_BYTES] for at in blocks),
        name=name, mapping=mapping, split_by=split_by,
    )  # fmt: skip


def read_pieces(
    pieces: Callable[[], Iterator[str]],
    *,
    name: str,
    mapping: Mapping[str, str] | None = None,
    split_by: str | None = None,
    cells_held: int = CELLS_HELD,
) -> Reading:
    """The same from pieces of whole lines (see `pieces`); `pieces()` may be called again to read from the start."""
    mapping = dict(mapping or {})
    first = _first_lines(pieces())
    if not first.strip():
        raise LogError("The file is empty. Nothing was read; record or export the drive again.")
    head = find_head(first, frozenset(mapping) | ({split_by} if split_by else frozenset()))
    choices, ignored, notes = choose_columns(head.headings, head.units, mapping)
    if split_by and split_by not in head.headings:
        raise UnknownColumn(f"There is no column {split_by!r} to split by", head.headings)
    if head.preamble:
        notes.append(_("{n} line(s) before the headings were skipped", n=len(head.preamble)))
    clock = choose_clock(choices, head.headings)
    ignored.extend(
        (c.heading, _("another column is used as the clock")) for c in choices if c.key == "time_s" and c != clock
    )
    wanted = [clock, *(c for c in choices if c.key != "time_s")]
    split_at = head.headings.index(split_by) if split_by else None
    table = load(lambda: _after(pieces(), head.offset), head, wanted, split_at, cells_held)
    return assemble(table, wanted, head.headings, Notes(notes, ignored, name))


def headings_of_file(path: Path, known: frozenset[str] = frozenset()) -> tuple[str, ...]:
    """The headings of a drive log; `known` are headings that the caller knows of. Raises LogError as `read_drive`."""
    return find_head(_first_lines(pieces_of_file(path)), known).headings


def _first_lines(pieces: Iterator[str]) -> str:
    """Enough of the text to hold the headings."""
    first = ""
    for piece in pieces:
        first += piece
        if first.count("\n") > HEAD_LINES and first.strip():
            break
    return first


def _after(pieces: Iterator[str], offset: int) -> Iterator[str]:
    """The pieces without the first `offset` characters."""
    for piece in pieces:
        if offset < len(piece):
            yield from chain((piece[offset:],), pieces)
            return
        offset -= len(piece)
