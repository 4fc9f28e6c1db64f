"""What a shop once said about the columns of a kind of log, kept under a fingerprint of its headings."""

from __future__ import annotations

import hashlib
import json
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

from firstcause.errors import LogError
from firstcause.roadtest.choosing import choose_columns

_FORM = 1


class RememberedUnreadable(LogError):
    """The file of remembered columns is not what was written."""

    def __init__(self, name: str, why: str) -> None:
        self.why = why
        super().__init__(
            f"The remembered columns in {name} cannot be read: {why}. Nothing was changed. Correct the file, or take "
            "it away and say the columns again with --map."
        )


def fingerprint(headings: Sequence[str]) -> str:
    """Sixteen hex digits that stand for these headings, whatever their order and the case of their letters.

    Repeated headings count as often as they stand. Logs of one tool with one set of signals share it.
    """
    plain = sorted(" ".join(heading.split()).casefold() for heading in headings)
    return hashlib.sha256("\x1f".join(plain).encode("utf-8")).hexdigest()[:16]


def guessed(headings: Sequence[str], mapping: Mapping[str, str] | None = None) -> dict[str, str]:
    """What each heading is taken for: heading -> "speed_kmh@mph", "ignore"; for a face to show and let correct.

    `mapping` goes before the guess. The same words are taken by `mapping` of `read_drive`. Of two columns for one
    signal the second is "ignore". Raises UnknownColumn as `read_drive` does.
    """
    choices, _, _ = choose_columns(headings, [None] * len(headings), dict(mapping or {}))
    used = {choice.heading: choice.key + (f"@{choice.unit}" if choice.unit else "") for choice in reversed(choices)}
    return {heading: used.get(heading, "ignore") for heading in headings}


def remember(kept: Mapping[str, Any], headings: Sequence[str], mapping: Mapping[str, str]) -> dict[str, Any]:
    """The kept columns with this correction added to what was said of these headings before; later words win."""
    mark = fingerprint(headings)
    entry = kept.get("columns", {}).get(mark, {})
    said = dict(entry.get("mapping", {})) | dict(mapping)
    columns = dict(kept.get("columns", {})) | {mark: {"headings": list(headings), "mapping": said}}
    return {"form": _FORM, "columns": columns}


def recalled(kept: Mapping[str, Any], headings: Sequence[str]) -> dict[str, str]:
    """What was said of these headings; empty when they were never corrected."""
    entry = kept.get("columns", {}).get(fingerprint(headings), {})
    return {heading: said for heading, said in entry.get("mapping", {}).items() if heading in headings}


def read_remembered(path: Path) -> dict[str, Any]:
    """The file of remembered columns; empty when there is none. Raises RememberedUnreadable."""
    if not path.exists():
        return {"form": _FORM, "columns": {}}
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
        whole = kept["form"] == _FORM and all(
            isinstance(heading, str) and isinstance(said, str)
            for entry in kept["columns"].values()
            for heading, said in entry["mapping"].items()
        )
    except (OSError, ValueError, KeyError, TypeError, AttributeError) as cause:
        raise RememberedUnreadable(path.name, f"{type(cause).__name__}: {cause}") from cause
    if not whole:
        raise RememberedUnreadable(path.name, "it has another form")
    return dict(kept)


def keep_remembered(path: Path, kept: Mapping[str, Any]) -> None:
    """Write the file whole or not at all. Raises LogError when the disk refuses; the old one stays then."""
    beside = path.with_name(path.name + ".new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        beside.write_text(json.dumps(kept, indent=2, ensure_ascii=False) + "\n", encoding="utf-8")
        beside.replace(path)
    except OSError as cause:
        raise LogError(f"{path.name} could not be written ({cause.strerror}). What was kept before stays.") from cause
