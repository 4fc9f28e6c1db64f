"""The outlook as three pictures: price over the distance by option, chance of return, and what matters most."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import floor, log10

import numpy as np
from numpy.typing import NDArray

from firstcause.casebook.outlook import Ahead
from firstcause.casebook.svg import INK, PAPER, QUIET, line, picture, text, wrapped
from firstcause.tongue import _

Array = NDArray[np.float64]

WIDTH, LEFT, TOP, PLOT_WIDTH, PLOT_HEIGHT = 720.0, 64.0, 40.0, 400.0, 260.0
LABEL_GAP = 15.0
# Told apart without colour as well: each line has its dash and its name beside its end.
_STROKES = (
    ("#1b4f72", ""),
    ("#a04000", "7 3"),
    ("#1e8449", "2 3"),
    ("#6c3483", "9 3 2 3"),
    ("#7b7d7d", "4 4"),
    ("#000000", "1 4"),
    ("#b7950b", "12 4"),
)


@dataclass(frozen=True)
class _Plot:
    """Axes of one picture: distance to the right, something upwards."""

    horizon_km: float
    top: float

    def x(self, km: float) -> float:
        return LEFT + PLOT_WIDTH * km / self.horizon_km

    def y(self, value: float) -> float:
        return TOP + PLOT_HEIGHT * (1.0 - value / self.top)

    def points(self, km: Array, values: Array) -> str:
        return " ".join(f"{self.x(a):.1f},{self.y(b):.1f}" for a, b in zip(km, values, strict=True))

    def frame(self, say: Callable[[float], str], title: str, months: float) -> str:
        found = [text(LEFT - 56, 20, title, "title", size=13, weight=600)]
        for at in np.linspace(0.0, self.top, 5):
            y = self.y(at)
            found.append(f'<path d="M{LEFT:.1f} {y:.1f}h{PLOT_WIDTH:.1f}" class="grid" stroke="#ccc"/>')
            found.append(text(LEFT - 6, self.y(at) + 4, say(at), "tick", anchor="end", fill=QUIET))
        for share in (0.0, 0.25, 0.5, 0.75, 1.0):
            km, under = share * self.horizon_km, TOP + PLOT_HEIGHT
            found.append(text(self.x(km), under + 16, f"{km:,.0f}", "tick", anchor="middle", fill=QUIET))
            found.append(text(self.x(km), under + 30, f"{share * months:.0f}", "tick", anchor="middle", fill=QUIET))
        under = TOP + PLOT_HEIGHT
        found.append(text(LEFT - 14, under + 16, "km", "tick", anchor="end", fill=QUIET))
        found.append(text(LEFT - 14, under + 30, "months", "tick", anchor="end", fill=QUIET))
        return "".join(found)


def draw_prices(ahead: Ahead, currency: str, name: str = "prices") -> str:
    """Price over the distance for each option, the mean as a line, 8 owners in 10 as a band; SVG text."""
    shown = ahead.forecasts
    plot = _Plot(ahead.horizon_km, _round_up(max(float(each.high.max()) for each in shown) or 1.0))
    title = _("What each option costs so far ({currency}, before tax)", currency=currency)
    body = [plot.frame(lambda at: f"{at:,.0f}", title, ahead.months)]
    for (ink, __), each in zip(_strokes(len(shown)), shown, strict=True):
        band = plot.points(each.distance_km, each.high) + " " + plot.points(each.distance_km[::-1], each.low[::-1])
        body.append(f'<polygon points="{band}" class="band" fill="{ink}" fill-opacity="0.10"/>')
    ends = [plot.y(float(each.mean[-1])) for each in shown]
    for at, (stroke, each) in enumerate(zip(_strokes(len(shown)), shown, strict=True)):
        body.append(_curve(plot, each.distance_km, each.mean, stroke))
        body.append(_label(plot, ends, at, f"{each.course.name}: {each.mean[-1]:,.0f}", stroke))
    told = "; ".join(
        _(
            "{name}: {mean:,.0f} now, {mean2:,.0f} in the mean, {low:,.0f} to {high:,.0f} in 8 of 10",
            name=each.course.name,
            mean=each.mean[0],
            mean2=each.mean[-1],
            low=each.low[-1],
            high=each.high[-1],
        )
        for each in shown
    )
    return _whole("ahead-prices", name, _("Price over the distance"), told, body, plot)


def draw_returns(ahead: Ahead, name: str = "returns") -> str:
    """Chance that the complaint has been back by each distance, for each option; SVG text. Selling has no return."""
    shown = [each for each in ahead.forecasts if each.course.key != "sell"]
    plot = _Plot(ahead.horizon_km, 1.0)
    body = [plot.frame(lambda at: f"{100 * at:.0f} %", _("Chance that the complaint is back by then"), ahead.months)]
    ends = [plot.y(float(each.returned[-1])) for each in shown]
    for at, (stroke, each) in enumerate(zip(_strokes(len(shown)), shown, strict=True)):
        body.append(_curve(plot, each.distance_km, each.returned, stroke))
        body.append(_label(plot, ends, at, f"{each.course.name}: {100 * each.returned[-1]:.0f} %", stroke))
    told = "; ".join(_("{name}: {it:.0f} in 100", name=each.course.name, it=100 * each.returned[-1]) for each in shown)
    return _whole("ahead-returns", name, _("Chance of return over the distance"), told, body, plot)


def draw_what_matters(ahead: Ahead, currency: str, name: str = "matters") -> str:
    """By how much the gap between the two nearest options moves with each assumption, weightiest first; SVG text."""
    if ahead.between is None or not ahead.matters:
        return ""
    names = {each.course.key: each.course.name for each in ahead.forecasts}
    first, second = (names[key] for key in ahead.between)
    ends = [value for matter in ahead.matters for value in (matter.down, matter.up, 0.0)]
    low, high = min(ends), max(ends)
    wide = (high - low) or 1.0
    left, span, row = 290.0, 380.0, 30.0

    def x(value: float) -> float:
        return left + span * (value - low) / wide

    height = 96.0 + row * len(ahead.matters)
    body = [text(8, 20, _("What the choice hangs on"), "title", size=13, weight=600)]
    body += [
        text(8, 37 + 14 * at, each, "tick", fill=QUIET)
        for at, each in enumerate(
            wrapped(
                _(
                    "How much dearer “{second}” is than “{first}” at the end ({currency}); left of the "
                    "line it is the cheaper.",
                    second=second,
                    first=first,
                    currency=currency,
                ),
                WIDTH - 20,
                11,
                2,
            )
        )
    ]
    for at, matter in enumerate(ahead.matters):
        y = 74.0 + row * at
        lines = wrapped(matter.name, left - 20, 11, 2)
        body += [text(8, y + 4 + 13 * part - 6 * (len(lines) - 1), each, "name") for part, each in enumerate(lines)]
        start, end = sorted((x(matter.down), x(matter.up)))
        body.append(
            f'<rect x="{start:.1f}" y="{y - 7:.1f}" width="{max(end - start, 1.0):.1f}" height="14" fill="#8a9ba8"'
            f' stroke="{INK}" stroke-width="0.7"/>'
        )
        for value, other in ((matter.down, matter.up), (matter.up, matter.down)):
            before = value <= other
            at_x = x(value) - 4 if before else x(value) + 4
            body.append(text(at_x, y + 4, f"{value:,.0f}", "tick", anchor="end" if before else "start", fill=QUIET))
    body.append(line(x(0.0), 60, x(0.0), height - 18, "zero"))
    body.append(text(x(0.0), height - 5, _("no difference"), "tick", anchor="middle", fill=QUIET))
    told = "; ".join(
        _("{name}: from {down:,.0f} to {up:,.0f}", name=each.name, down=each.down, up=each.up) for each in ahead.matters
    )
    return picture(WIDTH + 60, height, "ahead-matters", name, _("What the choice hangs on"), told, "".join(body))


def _strokes(count: int) -> list[tuple[str, str]]:
    return [_STROKES[at % len(_STROKES)] for at in range(count)]


def _curve(plot: _Plot, km: Array, values: Array, stroke: tuple[str, str]) -> str:
    ink, dash = stroke
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<polyline points="{plot.points(km, values)}" fill="none" stroke="{ink}" stroke-width="2"{dashed}'
        ' stroke-linejoin="round"/>'
    )


def _label(plot: _Plot, ends: Sequence[float], at: int, words: str, stroke: tuple[str, str]) -> str:
    """The name of a line beside its end, two lines at most, pushed apart where ends lie close."""
    order = sorted(range(len(ends)), key=lambda each: ends[each])
    height = 2 * LABEL_GAP
    placed: dict[int, float] = {}
    under = TOP - height
    for each in order:
        under = max(ends[each], under + height)
        placed[each] = under
    over = max(0.0, under - (TOP + PLOT_HEIGHT))
    y = placed[at] - over
    lines = wrapped(words, WIDTH - LEFT - PLOT_WIDTH - 30, 10.5, 2)
    right = LEFT + PLOT_WIDTH
    ink, dash = stroke
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    lead = (
        f'<polyline points="{right:.1f},{ends[at]:.1f} {right + 8:.1f},{y:.1f} {right + 24:.1f},{y:.1f}" fill="none"'
        f' stroke="{ink}" stroke-width="2"{dashed}/>'
    )
    return lead + "".join(
        text(right + 28, y + 4 + 12 * part - 6 * (len(lines) - 1), each, "name", size=10.5)
        for part, each in enumerate(lines)
    )


def _round_up(value: float) -> float:
    """The next round number: 1, 2, 2.5, 4, 5, 8 or 10 times a power of ten."""
    unit = 10.0 ** floor(log10(value))
    return next(step * unit for step in (1, 2, 2.5, 4, 5, 8, 10) if step * unit >= value)


def _whole(kind: str, name: str, title: str, told: str, body: Sequence[str], plot: _Plot) -> str:
    base = line(LEFT, plot.y(0.0), LEFT + PLOT_WIDTH, plot.y(0.0), "axis")
    ground = f'<rect width="100%" height="100%" fill="{PAPER}"/>'
    return picture(WIDTH, TOP + PLOT_HEIGHT + 40, kind, name, title, told, ground + "".join(body) + base)
