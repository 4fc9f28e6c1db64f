"""Drawings of a drive as SVG text: over time, and in the plane of engine speed and load. Legible in black and white."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from html import escape

import numpy as np
from numpy.typing import NDArray

from firstcause.roadtest.drivelog import DriveLog, gap_limit_s
from firstcause.roadtest.rules import MINIMUM_DRIVE
from firstcause.roadtest.timeline import YES
from firstcause.roadtest.trips import split_trips
from firstcause.roadtest.window import FreezeFrame, LoadReading, window_timeline
from firstcause.tongue import _, small

Floats = NDArray[np.float64]
_WIDTH, _LEFT, _RIGHT = 760.0, 64.0, 24.0
_BAND, _SPACE, _TOP = 92.0, 26.0, 22.0
_LANE = 34.0  # of the misfires, above the signals
_MOST_POINTS = 1500
_STYLE = (
    "text{font:12px sans-serif;fill:#000}.line{fill:none;stroke:#000;stroke-width:1.2}.axis{stroke:#000;stroke-width:1}"
    ".grid{stroke:#999;stroke-width:.6;stroke-dasharray:2 3}.target{fill:url(#hatch);stroke:#000;stroke-width:.8}"
    ".limit{stroke:#000;stroke-width:1;stroke-dasharray:7 4}.dot{fill:#000;fill-opacity:.45}"
    ".miss{stroke:#000;stroke-width:2;fill:#fff}"
)
_HATCH = (
    '<defs><pattern id="hatch" width="6" height="6" patternUnits="userSpaceOnUse" patternTransform="rotate(45)">'
    '<rect width="6" height="6" fill="#fff"/><line x1="0" y1="0" x2="0" y2="6" stroke="#777" stroke-width="2"/>'
    "</pattern></defs>"
)


@dataclass(frozen=True, slots=True)
class _Scale:
    """A straight mapping of values to places on the drawing."""

    low: float
    high: float
    at_low: float
    at_high: float

    def __call__(self, value: float) -> float:
        return self.at_low + (value - self.low) / (self.high - self.low) * (self.at_high - self.at_low)


def _nice_top(value: float) -> float:
    """The next round number at or above a value: 1, 2, 2.5, 5 or 10 times a power of ten."""
    if value <= 0:
        return 1.0
    power = 10.0 ** np.floor(np.log10(value))
    return float(next(power * step for step in (1, 1.5, 2, 2.5, 3, 4, 5, 6, 8, 10) if power * step >= value - 1e-9))


def _svg(width: float, height: float, title: str, description: str, body: Sequence[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width:.0f} {height:.0f}" role="img" '
        f'aria-label="{escape(title, quote=True)}"><title>{escape(title)}</title><desc>{escape(description)}</desc>'
        f"<style>{_STYLE}</style>{_HATCH}{''.join(body)}</svg>"
    )


def _text(x: float, y: float, words: str, anchor: str = "start") -> str:
    return f'<text x="{x:.1f}" y="{y:.1f}" text-anchor="{anchor}">{escape(words)}</text>'


def _rule(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" class="{kind}"/>'


def _box(x1: float, y1: float, x2: float, y2: float, kind: str) -> str:
    x, y, width, height = min(x1, x2), min(y1, y2), abs(x2 - x1), abs(y2 - y1)
    return f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" class="{kind}"/>'


def drive_title(log: DriveLog) -> str:
    """How a drive is called: by the name of its file, where it has one of its own."""
    return _("The drive") if log.name == "drive" else _("The drive {name}", name=log.name)


def drive_over_time_svg(
    log: DriveLog, frame: FreezeFrame | None = None, *, load_reading: LoadReading = "points"
) -> str:
    """Speed, engine speed and load over minutes; hatched where the drive was near the freeze frame, ringed where a
    misfire was counted. Signals that were not recorded are left out, and said so in the description.
    """
    rows = [
        (title, unit, key)
        for title, unit, key in (
            (_("Vehicle speed"), "km/h", "speed_kmh"),
            (_("Engine speed"), "rpm", "rpm"),
            (_("Load"), "%", "load_percent"),
        )
        if log.readings(key) is not None
    ]  # fmt: skip
    start, end = float(log.time_s[0]), max(float(log.time_s[-1]), float(log.time_s[0]) + 1)
    across = _Scale(start, end, _LEFT, _WIDTH - _RIGHT)
    first = _TOP + (_LANE if log.misfires else 0.0)
    height = first + len(rows) * (_BAND + _SPACE) + 20
    bottom = height - 20 - _SPACE + 4
    spans = _target_spans(log, frame, load_reading)
    body = [_box(across(a), first, max(across(b), across(a) + 1), bottom, "target") for a, b in spans]
    for number, (title, unit, key) in enumerate(rows):
        top = first + number * (_BAND + _SPACE)
        body.extend(_band(log, key, f"{title}, {unit}", across, top))
        if key == "speed_kmh":
            limit = MINIMUM_DRIVE.fast_speed.value
            up = _Scale(0.0, _band_top(log, key), top + _BAND, top)
            if limit < up.high:
                body.append(_rule(_LEFT, up(limit), _WIDTH - _RIGHT, up(limit), "limit"))
                body.append(_text(_WIDTH - _RIGHT, up(limit) - 3, "25 mph", "end"))
    misses = _misfire_moments(log)
    if log.misfires:
        body.append(_text(_LEFT + 4, 13, _misfire_words(log, misses)))
    body.extend(f'<circle cx="{across(at):.1f}" cy="{_TOP + 4:.1f}" r="4" class="miss"/>' for at, _cylinder in misses)
    step = _nice_top((end - start) / 60 / 8)
    for tick in np.arange(0, (end - start) / 60 + 1e-9, step):
        body.append(_text(across(start + tick * 60), height - 6, f"{tick:g}" + (" min" if tick == 0 else ""), "middle"))
    said = _("{minutes:.0f} minutes.", minutes=(end - start) / 60) + " " + _told(log, rows, spans, misses, frame)
    return _svg(_WIDTH, height, _("{drive} over time", drive=drive_title(log)), said, body)


def _band_top(log: DriveLog, key: str) -> float:
    found = log.readings(key)
    return 100.0 if key == "load_percent" else _nice_top(float(found[1].max()) if found is not None else 1.0)


def _band(log: DriveLog, key: str, title: str, across: _Scale, top: float) -> list[str]:
    """One signal: frame, zero and full-scale marks, and its line, broken over gaps."""
    found = log.readings(key)
    if found is None:
        return []
    up = _Scale(0.0, _band_top(log, key), top + _BAND, top)
    body = [
        _rule(_LEFT, top + _BAND, _WIDTH - _RIGHT, top + _BAND, "axis"),
        _rule(_LEFT, top, _LEFT, top + _BAND, "axis"),
        _rule(_LEFT, top + _BAND / 2, _WIDTH - _RIGHT, top + _BAND / 2, "grid"),
        _text(_LEFT + 4, top - 4, title),
    ]
    body.extend(_text(_LEFT - 5, up(value) + 4, f"{value:g}", "end") for value in (0.0, up.high / 2, up.high))
    time_s, values = found
    breaks = np.flatnonzero(np.diff(time_s) > gap_limit_s(time_s)) + 1
    for times, part in zip(np.split(time_s, breaks), np.split(values, breaks), strict=True):
        picked = _thin(part)
        points = " ".join(f"{across(float(times[i])):.1f},{up(float(part[i])):.1f}" for i in picked)
        body.append(f'<polyline points="{points}" class="line"/>')
    return body


def _thin(values: Floats) -> NDArray[np.intp]:
    """Indices that keep the lowest and highest of each stretch, so that no peak is lost in the drawing."""
    if values.size <= _MOST_POINTS:
        return np.arange(values.size)
    keep = {0, values.size - 1}
    for part in np.array_split(np.arange(values.size), _MOST_POINTS // 2):
        keep |= {int(part[np.argmin(values[part])]), int(part[np.argmax(values[part])])}
    return np.array(sorted(keep))


def _target_spans(log: DriveLog, frame: FreezeFrame | None, reading: LoadReading) -> list[tuple[float, float]]:
    """Spans of time that surely lay near the freeze frame, by the signals that were recorded."""
    if frame is None or log.rpm is None:
        return []
    spans = []
    for trip in split_trips(log):
        line, _missing = window_timeline(trip, frame, reading)
        good = np.concatenate([[False], line.states == YES, [False]])
        turns = np.flatnonzero(good[1:] != good[:-1])
        spans += [
            (float(line.edges_s[a]), float(line.edges_s[b])) for a, b in zip(turns[::2], turns[1::2], strict=True)
        ]
    return spans


def _misfire_moments(log: DriveLog) -> list[tuple[float, int]]:
    """Time and cylinder of every row at which a counter rose."""
    out = []
    for cylinder in log.misfires:
        found = log.readings(f"misfires:{cylinder}")
        if found is not None:
            out += [(float(at), cylinder) for at in found[0][1:][np.diff(found[1]) > 0]]
    return out


def _misfire_words(log: DriveLog, misses: Sequence[tuple[float, int]]) -> str:
    if not misses:
        return _("Misfires: no counter rose")
    cylinders = sorted({cylinder for _at, cylinder in misses})
    return _("Misfires: a counter rose (cylinder {cylinders})", cylinders=", ".join(map(str, cylinders)))


def _told(
    log: DriveLog, rows: Sequence[tuple[str, str, str]], spans: Sequence[tuple[float, float]],
    misses: Sequence[tuple[float, int]], frame: FreezeFrame | None,
) -> str:  # fmt: skip
    signals = ", ".join(small(row[0]) for row in rows)
    said = [_("Shown: {signals}.", signals=signals or _("nothing"))]
    if frame is not None:
        said.append(
            _(
                "Hatched: {seconds:.0f} s near the freeze frame at {rpm:.0f} rpm.",
                seconds=sum(b - a for a, b in spans), rpm=frame.rpm,
            )
        )  # fmt: skip
    if misses:
        cylinders = ", ".join(map(str, sorted({cylinder for _at, cylinder in misses})))
        said.append(
            _("Ringed: misfire counters rose at {n} rows, cylinders {cylinders}.", n=len(misses), cylinders=cylinders)
        )
    elif log.misfires:
        said.append(_("No misfire counter rose."))
    else:
        said.append(_("No misfire counter was recorded."))
    return " ".join(said)


def speed_load_plane_svg(
    log: DriveLog, frame: FreezeFrame | None = None, *, load_reading: LoadReading = "points"
) -> str | None:
    """Every row as a dot over engine speed and load, the freeze-frame window as a hatched target.

    None when engine speed or load was not recorded, for there is no such plane then.
    """
    found = log.readings("rpm")
    loads = None if found is None else log.at("load_percent", found[0])
    if found is None or loads is None:
        return None
    both = np.isfinite(loads) & (found[1] > 0)
    rpm, load = found[1][both], loads[both]
    height, bottom, top = 420.0, 372.0, 18.0
    highest = _nice_top(max(float(rpm.max()) if rpm.size else 0.0, frame.rpm_band()[1] if frame else 0.0, 1000.0))
    across, up = _Scale(0.0, highest, _LEFT, _WIDTH - _RIGHT), _Scale(0.0, 100.0, bottom, top)
    body: list[str] = []
    if frame is not None:
        low, high = frame.rpm_band()
        band = frame.load_band(load_reading) or (0.0, 100.0)
        body.append(_box(across(max(low, 0)), up(max(band[0], 0)), across(high), up(min(band[1], 100)), "target"))
        body.append(_text(across(frame.rpm), up(min(band[1], 100)) - 4, _("freeze frame"), "middle"))
    body += [_rule(_LEFT, bottom, _WIDTH - _RIGHT, bottom, "axis"), _rule(_LEFT, top, _LEFT, bottom, "axis")]
    for tick in np.linspace(0, highest, 6):
        body.append(_text(across(float(tick)), bottom + 16, f"{tick:g}", "middle"))
    body.extend(_text(_LEFT - 5, up(tick) + 4, f"{tick:.0f}", "end") for tick in (0, 25, 50, 75, 100))
    body.append(_text((_LEFT + _WIDTH) / 2, height - 12, _("engine speed, rpm"), "middle"))
    body.append(_text(_LEFT + 4, top - 5, _("load, %")))
    places = {(round(across(float(x)), 0), round(up(min(float(y), 100.0)), 0)) for x, y in zip(rpm, load, strict=True)}
    body.extend(f'<circle cx="{x:.0f}" cy="{y:.0f}" r="1.6" class="dot"/>' for x, y in sorted(places))
    misses = _misfire_moments(log)
    at_s = np.array([at for at, _cylinder in misses])
    if misses:
        rpm_then, load_then = log.at("rpm", at_s), log.at("load_percent", at_s)
        assert rpm_then is not None
        assert load_then is not None
        marks = {
            (round(across(float(x)), 0), round(up(min(float(y), 100.0)), 0))
            for x, y in zip(rpm_then, load_then, strict=True)
            if np.isfinite(x) and np.isfinite(y) and x <= highest
        }
        body.extend(f'<circle cx="{x:.0f}" cy="{y:.0f}" r="4" class="miss"/>' for x, y in sorted(marks))
        body.append(f'<circle cx="{_WIDTH - _RIGHT - 150:.0f}" cy="{top + 2:.0f}" r="4" class="miss"/>')
        body.append(_text(_WIDTH - _RIGHT - 140, top + 6, _("a misfire was counted")))
    said = _("{n} readings with the engine turning, one dot for each place.", n=rpm.size)
    if frame is not None:
        said += " " + _("The hatched target is the freeze frame at {rpm:.0f} rpm.", rpm=frame.rpm)
    if misses:
        said += " " + _("Ringed: where misfire counters rose, {n} times.", n=len(misses))
    return _svg(_WIDTH, height, _("Where the engine worked: {drive}", drive=drive_title(log)), said, body)
