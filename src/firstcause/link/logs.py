"""Measurement data files (ASAM MDF4) and bus traces as signals with their own clocks, for the road test."""

from __future__ import annotations

import gc
import sys
import traceback
from collections.abc import Callable, Iterator, Mapping
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import LogError, RequestError
from firstcause.link.traffic import TRACES, read_trace
from firstcause.tongue import _

MEASUREMENTS = frozenset({".mf4", ".mdf", ".dat"})
Floats = NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Recorded:
    """One signal of a file: name, unit as written there, times and values of the same shape (n,)."""

    name: str
    unit: str
    time_s: Floats
    values: Floats


@dataclass(frozen=True, eq=False)
class RecordedFile:
    """The signals of a file, the Unix second at which it begins (None: not told), and what was noticed.

    `not_wanted`: names of the signals that were not read, because nobody asked for them.
    """

    signals: tuple[Recorded, ...]
    began_unix_s: float | None
    notes: tuple[str, ...]
    not_wanted: tuple[str, ...] = ()


def is_recording(path: Path) -> bool:
    """Whether the ending says measurement file or trace; a .csv is a table unless it begins as a trace does."""
    suffix = path.suffix.lower()
    if suffix == ".csv":
        with suppress(OSError, UnicodeDecodeError), path.open(encoding="utf-8") as file:
            return file.readline().startswith("timestamp,arbitration_id,")
        return False
    return suffix in MEASUREMENTS or suffix in TRACES


def read_recording(path: Path, wanted: Callable[[str, str], bool] = lambda name, unit: True) -> RecordedFile:
    """The signals of a measurement file or trace for whose (name, unit) `wanted` says yes.

    Raises LogError for a file that cannot be read; RequestError when asammdf is not installed.
    """
    if path.suffix.lower() in MEASUREMENTS:
        return _measurement(path, wanted)
    columns, report = read_trace(path)
    notes = [
        _("{answers} answers in {frames} frames", answers=report.answers, frames=report.frames),
        *([_("{n} answer(s) broke off and were left out", n=report.broken)] if report.broken else []),
        *(
            [_("{n} answer(s) to nothing heard were left out", n=report.without_request)]
            if report.without_request
            else []
        ),
        *([_("{n} answer(s) could not be decoded", n=report.undecoded)] if report.undecoded else []),
        *([report.cut_off] if report.cut_off else []),
    ]
    signals = tuple(
        Recorded(name, column.unit, np.frombuffer(column.at_s), np.frombuffer(column.values))
        for name, column in columns.items()
        if wanted(name, column.unit)
    )
    began = min((float(each.time_s[0]) for each in signals), default=None)
    left = tuple(name for name, column in columns.items() if not wanted(name, column.unit))
    return RecordedFile(signals, began, tuple(notes), left)


def _measurement(path: Path, wanted: Callable[[str, str], bool]) -> RecordedFile:
    try:
        import asammdf
        from asammdf.blocks.utils import MdfException
    except ImportError as cause:
        raise RequestError(
            "Measurement data files need the extra 'mdf' (pip install firstcause[mdf]). Nothing was read."
        ) from cause
    try:
        with asammdf.MDF(path) as mdf:
            found: list[Recorded] = []
            text: list[str] = []
            left: list[tuple[str, int, int, str]] = []
            asked: list[tuple[str, int, int, str]] = []
            for name, group, index in _channels(mdf):
                unit = str(mdf.groups[group].channels[index].unit or "")
                (asked if wanted(name, unit) else left).append((name, group, index, unit))
            # Together, so that each group is gone through once and its signals share one clock.
            signals = mdf.select([each[:3] for each in asked], copy_master=False) if asked else []
            for (name, _group, _index, unit), signal in zip(asked, signals, strict=True):
                if not np.issubdtype(signal.samples.dtype, np.number) or signal.samples.ndim != 1:
                    text.append(name)
                    continue
                found.append(Recorded(name, str(signal.unit or unit), np.asarray(signal.timestamps, np.float64),
                                      _numbers(signal)))  # fmt: skip
            began = mdf.header.start_time.timestamp()
    except (MdfException, OSError, ValueError, KeyError, IndexError, TypeError, AttributeError, MemoryError) as cause:
        _let_go_of(cause)
        raise LogError(
            f"The measurement file {path.name} cannot be read ({type(cause).__name__}: {cause}). Nothing was kept; "
            "export it again."
        ) from cause
    words = _("{n} channel(s) hold words, not numbers: {names}", n=len(text), names=", ".join(text[:5]))
    notes = (words,) if text else ()
    return RecordedFile(tuple(found), began if began > 0 else None, notes, tuple(each[0] for each in left))


def _let_go_of(cause: BaseException) -> None:
    """asammdf's half-opened file complains once more when it is thrown away; it has been said already."""
    usual, sys.unraisablehook = sys.unraisablehook, lambda _told: None
    try:
        traceback.clear_frames(cause.__traceback__)
        gc.collect()
    finally:
        sys.unraisablehook = usual


def _numbers(signal: object) -> Floats:
    """Values after the file's own conversion; what the file marks as invalid is no number."""
    values = np.asarray(signal.samples, dtype=np.float64)  # type: ignore[attr-defined]
    bad = getattr(signal, "invalidation_bits", None)
    return values if bad is None else np.where(np.asarray(bad, dtype=bool), np.nan, values)


def _channels(mdf: object) -> Iterator[tuple[str, int, int]]:
    """Name, group and index of each channel that is not a clock, each name once: its first place."""
    masters: Mapping[int, int] = mdf.masters_db  # type: ignore[attr-defined]
    for name, places in mdf.channels_db.items():  # type: ignore[attr-defined]
        for group, index in places:
            if masters.get(group) != index:
                yield str(name), group, index
                break
