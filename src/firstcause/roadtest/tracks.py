"""Signals that each came with a clock of their own (measurement files, bus traces, parts of one drive) as a drive."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from types import MappingProxyType

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import LogError
from firstcause.roadtest.choosing import already_given, does_not_fit
from firstcause.roadtest.doubt import doubt_signals
from firstcause.roadtest.drivelog import (
    ColumnUse,
    DriveLog,
    Floats,
    Gap,
    Reading,
    ReadingReport,
    SetAside,
    gap_limit_s,
)
from firstcause.roadtest.headings import BY_KEY, Guess, guess_meaning
from firstcause.roadtest.reading import UnknownColumn
from firstcause.tongue import _
from firstcause.units import convert, find_unit

LARGEST_FOREIGN_GAP_S = 1800.0
_GAPS_LISTED = 50


@dataclass(frozen=True, eq=False)
class Track:
    """One signal as recorded: `time_s` and `values` of the same shape (n,), its name and unit as the file says them."""

    name: str
    unit: str
    time_s: Floats
    values: Floats


class NoSignal(LogError):
    """A file without one signal that a drive is judged by."""

    def __init__(self, name: str, found: Sequence[str]) -> None:
        self.found = tuple(found)
        listed = ", ".join(found[:20]) + (" …" if len(found) > 20 else "")
        super().__init__(
            f"{name} holds no signal that a drive is judged by. Nothing was kept. It has: {listed or 'none'}. "
            "Say what one of them is with --map."
        )


def read_tracks(
    tracks: Iterable[Track],
    *,
    name: str = "drive",
    mapping: Mapping[str, str] | None = None,
    notes: Sequence[str] = (),
    others: Sequence[str] = (),
) -> Reading:
    """One drive from signals of different clocks: a row for every moment at which one of them was read.

    `others` are signals of the file that nobody knows and that were not read; the report names them.
    A cell that was not read at that moment stays empty (NaN): nothing is interpolated. `mapping` as for `read_drive`.
    Values that are not finite, or stand at a time that is not, are set aside and counted. Raises NoSignal, and
    UnknownColumn for a mapping to something that does not exist.
    """
    tracks = list(tracks)
    chosen, ignored = _chosen(tracks, dict(mapping or {}), others)
    ignored.extend((other, _("its meaning is not known")) for other in others)
    signals: dict[str, tuple[Floats, Floats]] = {}
    uses, aside, read = [], 0, 0
    clocks: dict[int, tuple[bool, int]] = {}  # signals of one group share a clock, which is looked at once
    for key, unit, track in chosen:
        if id(track.time_s) not in clocks:
            clocks[id(track.time_s)] = _looked_at(track.time_s)
        clock_whole, backwards = clocks[id(track.time_s)]
        held = np.isfinite(track.values)
        if not clock_whole:
            held &= np.isfinite(track.time_s)
        read += int(track.values.size)
        missing = int(held.size - np.count_nonzero(held))
        aside += missing
        if missing == held.size:
            ignored.append((track.name, _("no value of it is a number")))
            continue
        time_s, values = track.time_s, track.values
        if missing:
            time_s, values = time_s[held], values[held]
            backwards = _looked_at(time_s)[1]
        if backwards:
            order = np.argsort(time_s, kind="stable")
            time_s, values = time_s[order], values[order]
        house = BY_KEY[key].unit if key in BY_KEY else ""
        source, target = find_unit(unit), find_unit(house)
        if source and target and source.quantity != target.quantity:
            ignored.append((track.name, does_not_fit(unit, key)))
            continue
        foreign = source is not None and target is not None and source.symbol != target.symbol
        signals[key] = (time_s, convert(values, source.symbol, target.symbol) if foreign else values)  # type: ignore[union-attr]
        assumed = source is None and bool(house) and house not in ("rpm", "%")
        told = (_("{n} value(s) stood out of order and were put in order", n=backwards),) if backwards else ()
        uses.append(ColumnUse(track.name, key, source.symbol if source else house or "count", assumed,
                              missing, 0, notes=told))  # fmt: skip
    if not signals:
        raise NoSignal(name, [*(track.name for track in tracks), *others])
    drive = _joined(signals, name)
    cleaned, doubts = doubt_signals(drive)
    uses = [_counted(use, signals[use.key][0].size, drive, cleaned) for use in uses]
    report = ReadingReport(
        rows_read=read,
        rows_used=read - aside,
        set_aside=(SetAside(_("no number, or no time"), aside, ()),) if aside else (),
        columns_used=tuple(uses),
        columns_ignored=tuple(ignored),
        gaps=_gaps(cleaned),
        notes=(*notes, _("each signal has its own clock; a row stands for each moment at which one was read"), *doubts),
        clean_path=False,
    )
    return Reading((cleaned,), report)


def _looked_at(time_s: Floats) -> tuple[bool, int]:
    """Whether every moment is a number, and how many lie before the one before."""
    return bool(np.isfinite(time_s).all()), int(np.count_nonzero(time_s[1:] < time_s[:-1]))


def _counted(use: ColumnUse, numbers: int, joined: DriveLog, trusted: DriveLog) -> ColumnUse:
    """The use of a signal with its values counted; one of two at the same moment is set aside."""
    held, used = (
        sum(int(np.isfinite(values).sum()) for key, values in drive.signals().items() if key == use.key)
        for drive in (joined, trusted)
    )
    return replace(use, used_cells=used, cells_in_rows_set_aside=numbers - held, doubted_cells=held - used)


def guess_track(name: str, unit: str) -> Guess | None:
    """What a signal of a recording stands for; None when it is not known, or is a clock or the name of a driver."""
    guess = guess_meaning(f"{name} ({unit})" if find_unit(unit) else name)
    return None if guess is None or guess.key in ("group", "time_s") else guess


def _chosen(
    tracks: Sequence[Track], mapping: Mapping[str, str], others: Sequence[str]
) -> tuple[list[tuple[str, str, Track]], list[tuple[str, str]]]:
    """Which track gives which signal, with its unit; the rest with a reason."""
    names = [track.name for track in tracks]
    for heading, target in mapping.items():
        key = target.partition("@")[0]
        if heading not in names:
            raise UnknownColumn(f"There is no signal {heading!r}", [*names, *others])
        if key != "ignore" and key not in BY_KEY and not (key.startswith("misfires:") and key[9:].isdigit()):
            raise UnknownColumn(f"{key!r} is not a signal", ["ignore", *BY_KEY, "misfires:N"])
    ranked: list[tuple[int, int, str, str, Track]] = []
    ignored: list[tuple[str, str]] = []
    for at, track in enumerate(tracks):
        if track.name in mapping:
            key, _at, named = mapping[track.name].partition("@")
            if key == "ignore":
                ignored.append((track.name, _("you asked to ignore it")))
            else:
                ranked.append((-1, at, key, named or track.unit, track))
            continue
        guess = guess_track(track.name, track.unit)
        if guess is None:
            ignored.append((track.name, _("its meaning is not known")))
        else:
            ranked.append((guess.rank, at, guess.key, track.unit, track))
    chosen: dict[str, tuple[str, str, Track]] = {}
    for _rank, _index, key, unit, track in sorted(ranked, key=lambda item: item[:2]):
        if key in chosen:
            ignored.append((track.name, already_given(chosen[key][2].name, key)))
        else:
            chosen[key] = (key, unit, track)
    return list(chosen.values()), ignored


def _joined(signals: Mapping[str, tuple[Floats, Floats]], name: str) -> DriveLog:
    """One clock of all moments; the last of two values of one signal at the same moment stands."""
    moments = _all_moments([time_s for time_s, _values in signals.values()])
    filled: dict[str, NDArray[np.float64]] = {}
    for key, (time_s, values) in signals.items():
        if time_s is moments or (time_s.size == moments.size and np.array_equal(time_s, moments)):
            filled[key] = values
            continue
        column = np.full(moments.size, np.nan)
        column[np.searchsorted(moments, time_s)] = values
        filled[key] = column
    counters = {int(key[9:]): column for key, column in filled.items() if key.startswith("misfires:")}
    plain = {key: column for key, column in filled.items() if ":" not in key}
    ordered = MappingProxyType({cylinder: counters[cylinder] for cylinder in sorted(counters)})
    return DriveLog(time_s=moments - moments[0], misfires=ordered, name=name, **plain)  # type: ignore[arg-type]


def _all_moments(clocks: Sequence[Floats]) -> Floats:
    """Every moment of rising clocks once, in order; signals of one group share a clock, which is then taken once."""
    distinct: list[Floats] = []
    for clock in clocks:
        if not any(clock is known or np.array_equal(clock, known) for known in distinct):
            distinct.append(clock)
    moments = np.sort(np.concatenate(distinct), kind="stable") if len(distinct) > 1 else distinct[0]
    again = moments[1:] == moments[:-1]
    return moments[np.concatenate([[True], ~again])] if again.any() else moments


def _gaps(drive: DriveLog) -> tuple[Gap, ...]:
    steps = np.diff(drive.time_s)
    wide = np.flatnonzero(steps > drive.row_gap_limit_s())
    return tuple(Gap(drive.name, float(drive.time_s[row]), float(steps[row])) for row in wide[:_GAPS_LISTED])


@dataclass(frozen=True, eq=False)
class Part:
    """One file of several: its name, its drive, and when its first row was, on a clock of all (None: untold)."""

    name: str
    log: DriveLog
    began_s: float | None


class PartsDoNotJoin(LogError):
    """Files that cannot be shown to be one drive."""

    def __init__(self, why: str) -> None:
        super().__init__(f"These files are not joined: {why}. Nothing was kept; judge them one by one.")


def join_parts(parts: Sequence[Part]) -> tuple[DriveLog, tuple[str, ...]]:
    """Several files of one drive, by their clocks, and what was found between them.

    Where two files hold the same signal at once, the values of the file that began first stand, and the rest is counted
    as overlap. Files with different signals at the same time are laid side by side. Raises PartsDoNotJoin where nothing
    tells when a part began, or where more than half an hour lies between two parts.
    """
    undated = [part.name for part in parts if part.began_s is None]
    if undated:
        raise PartsDoNotJoin(f"nothing tells when {', '.join(undated)} began, so nobody knows how they follow")
    ordered = sorted(parts, key=lambda part: part.began_s or 0.0)
    start_s = ordered[0].began_s or 0.0
    said: list[str] = []
    end_s = -np.inf
    signals: dict[str, tuple[Floats, Floats]] = {}
    for part in ordered:
        offset_s = (part.began_s or 0.0) - start_s
        between_s = offset_s - end_s
        if np.isfinite(between_s) and between_s > LARGEST_FOREIGN_GAP_S:
            raise PartsDoNotJoin(f"{between_s / 60:.0f} minutes lie before {part.name}")
        if np.isfinite(between_s) and between_s > gap_limit_s(part.log.time_s):
            said.append(
                _("{seconds:.0f} s are missing before {name}; nothing is counted over them",
                  seconds=float(between_s), name=part.name)
            )  # fmt: skip
        overlap = 0
        for key, values in part.log.signals().items():
            held = np.isfinite(values)
            time_s, kept = part.log.time_s[held] + offset_s, values[held]
            if key in signals:
                later = time_s > signals[key][0][-1]
                overlap += int((~later).sum())
                time_s = np.concatenate([signals[key][0], time_s[later]])
                kept = np.concatenate([signals[key][1], kept[later]])
            signals[key] = (time_s, kept)
        if overlap:
            said.append(
                _("{n} value(s) of {name} stand in a file before it as well and were left out",
                  n=overlap, name=part.name)
            )  # fmt: skip
        end_s = max(end_s, offset_s + part.log.duration_s)
    usable = {key: pair for key, pair in signals.items() if pair[0].size}
    return replace(_joined(usable, ordered[0].log.name), name=ordered[0].log.name), tuple(said)
