"""A small file beside the casebook, written whole or not at all."""

from __future__ import annotations

import os
from pathlib import Path


def write_whole(path: Path, text: str, mode: int = 0o644) -> None:
    """Write beside it, then put it in its place: after a power cut the old or the new one stands. Raises OSError."""
    beside = path.with_name(path.name + ".new")
    with open(beside, "w", encoding="utf-8", opener=lambda name, flags: os.open(name, flags, mode)) as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    beside.replace(path)
