"""A log file as text in pieces of whole lines, so that a file of any size passes through little memory."""

from __future__ import annotations

import codecs
from collections.abc import Iterator
from pathlib import Path

from firstcause.errors import LogError

PIECE_BYTES = 4 << 20
_LONGEST_LINE_BYTES = 16 << 20
_BYTE_ORDER_MARK = "\ufeff"


def pieces_of_file(path: Path, piece_bytes: int = PIECE_BYTES) -> Iterator[str]:
    """The text of a file, each piece ending with a line, with one kind of line end and without byte-order mark.

    UTF-16 when marked so; else UTF-8, and where a piece is not UTF-8, Windows-1252 (degree signs of old loggers).
    Raises LogError when the file cannot be opened, or holds a line of more than 16 MB (then it is no log).
    """
    try:
        file = path.open("rb")
    except OSError as cause:
        raise LogError(
            f"{path.name} could not be opened ({cause.strerror}). Nothing was read; check the path."
        ) from cause
    with file:
        wide = file.read(2) in (b"\xff\xfe", b"\xfe\xff")
        file.seek(0)
        blocks = iter(lambda: file.read(piece_bytes), b"")
        if wide:
            yield from pieces_of_text_blocks(codecs.iterdecode(blocks, "utf-16", errors="replace"))
            return
        tail, first = b"", True
        for block in blocks:
            tail += block
            cut = max(tail.rfind(b"\n"), tail.rfind(b"\r", 0, len(tail) - 1)) + 1
            if not cut:
                _refuse_endless(len(tail))
                continue
            yield _one_line_end(_decode(tail[:cut]), first)
            tail, first = tail[cut:], False
        if tail:
            yield _one_line_end(_decode(tail), first)


def pieces_of_text_blocks(blocks: Iterator[str]) -> Iterator[str]:
    """The same for text that comes in blocks cut anywhere."""
    tail, first = "", True
    for block in blocks:
        tail += block
        cut = max(tail.rfind("\n"), tail.rfind("\r", 0, len(tail) - 1)) + 1
        if not cut:
            _refuse_endless(len(tail))
            continue
        yield _one_line_end(tail[:cut], first)
        tail, first = tail[cut:], False
    if tail:
        yield _one_line_end(tail, first)


def decode(raw: bytes) -> str:
    """Bytes of a whole log as text, by the same rules as `pieces_of_file`."""
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return raw.decode("utf-16", errors="replace")
    return _decode(raw).removeprefix(_BYTE_ORDER_MARK)


def _decode(raw: bytes) -> str:
    try:
        return raw.decode("utf-8")
    except UnicodeDecodeError:
        return raw.decode("cp1252", errors="replace")


def _one_line_end(text: str, first: bool) -> str:
    text = text.removeprefix(_BYTE_ORDER_MARK) if first else text
    return text.replace("\r\n", "\n").replace("\r", "\n") if "\r" in text else text


def _refuse_endless(held: int) -> None:
    if held > _LONGEST_LINE_BYTES:
        raise LogError("The file has no line ends, so it is no drive log. Nothing was read; choose another file.")
