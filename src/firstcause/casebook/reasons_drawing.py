"""Explanations as SVG: the way of a suspect through the findings, and the fan of outcomes of a step.

Black and white are enough: a bar to the right and solid speaks for the suspect, one to the left and hatched against it,
and the words stand beside it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import ceil, floor

from firstcause.casebook.svg import INK, PAPER, QUIET, line, picture, text, width_of, wrapped
from firstcause.reasoning.because import Reasons
from firstcause.reasoning.saying import decibans, drawn, percent, share
from firstcause.tongue import _

_WIDTH, _MARGIN = 360.0, 10.0
_SIZE, _SMALL = 13.5, 12.5
_LINE, _SMALL_LINE = 16.0, 15.0
_BAR, _HEAD = 14.0, 7.0
_TICKS = {
    -50: "1 in 100,000",
    -40: "1 in 10,000",
    -30: "1 in 1,000",
    -20: "1 in 100",
    -10: "9 %",
    0: "50 %",
    10: "91 %",
    20: "99 %",
    30: "99.9 %",
}
_HALO = f'paint-order="stroke" stroke="{PAPER}" stroke-width="4"'  # the scale's lines do not cross the words
_BESIDE = 104.0  # room for the words beside an arrow
_LEAST_DRAWN = 0.05
_NODE, _FAN_LEFT = 84.0, 72.0


def way_svg(title: str, reasons: Reasons, label: Callable[[tuple[str, ...]], str], *, name: str = "way") -> str:
    """From where a suspect stood before any finding to where it stands now, one bar a finding, on a scale of odds.

    `label` says happenings in words. Pieces that round to nothing are told in the description only.
    """
    at, places = reasons.start_decibans, [reasons.start_decibans]
    for piece in reasons.pieces:
        at += piece.decibans
        places.append(at)
    axis = _Axis.over(places)
    body, y = [_hatch(name)], 34.0
    y = _stand(body, axis, y, _("before: {share}", share=share(reasons.start)), places[0])
    for piece, begin, end in zip(reasons.pieces, places[:-1], places[1:], strict=True):
        if abs(piece.decibans) < _LEAST_DRAWN:
            continue
        for words in wrapped(label(piece.happenings), _WIDTH - 2 * _MARGIN, _SIZE, most=2):
            body.append(text(_MARGIN, y + 11, words, "w-what", size=_SIZE, more=_HALO))
            y += _LINE
        body.append(line(axis.x(begin), y - 2, axis.x(begin), y + 3, "w-link"))
        body.append(_arrow(axis.x(begin), axis.x(end), y + 3, piece.decibans > 0, name))
        body.append(_beside(axis.x(begin), axis.x(end), y + 14, _side(piece.decibans)))
        y += _BAR + 14
    y = _stand(body, axis, y, _("now: {share}", share=share(reasons.now)), places[-1])
    grid = "".join(axis.grid(y))
    told = [_("Before any finding {share}.", share=share(reasons.start))]
    told += [f"{label(piece.happenings)}: {_side(piece.decibans)}." for piece in reasons.pieces]
    told.append(_("Now {share}.", share=share(reasons.now)))
    return picture(_WIDTH, y + 4, "way", name, title, " ".join(told), grid + "".join(body))


_STRIP_HIGH, _STRIP_WORD = 18.0, 22.0


def strip_svg(reasons: Reasons, most_decibans: float, words: str, *, name: str) -> str:
    """The findings that speak for a suspect and against it as a row of blocks, as wide as they weigh.

    Solid and raised: for it; hatched and lower: against it; each with the number of its event where it fits. The row is
    full at `most_decibans`, so that rows below each other compare. `words` say the same for those who do not see it.
    """
    body, x = [_hatch(name)], 0.0
    for piece in reasons.pieces:
        wide = min(abs(piece.decibans) / max(most_decibans, 1.0) * _WIDTH, _WIDTH - x)
        if wide < 1.0:
            continue
        kind, y, fill = ("w-for", 0.0, INK) if piece.decibans > 0 else ("w-against", 5.0, f"url(#{name}-hatch)")
        body.append(
            f'<rect x="{x + 0.5:.1f}" y="{y + 0.5}" width="{max(wide - 2.0, 0.8):.1f}" height="{_STRIP_HIGH - 6.0}"'
            f' class="{kind}" fill="{fill}" stroke="{INK}" stroke-width="1"/>'
        )
        event = piece.happenings[0] if len(piece.happenings) == 1 else ""
        if event and wide > _STRIP_WORD and piece.decibans > 0:
            body.append(
                text(x + wide / 2 - 0.5, 10.0, event, "w-in", anchor="middle", size=9.5, weight=700, fill=PAPER)
            )
        x += wide
    return picture(_WIDTH, _STRIP_HIGH, "strip", name, words, words, "".join(body))


def _side(weight: float) -> str:
    return decibans(weight) if abs(weight) < 0.5 else f"{decibans(weight)} {_('for') if weight > 0 else _('against')}"


@dataclass(frozen=True)
class _Axis:
    """The scale of odds, in decibans, along the picture."""

    low: float
    high: float
    right: float = _WIDTH - _MARGIN

    @classmethod
    def over(cls, places: Sequence[float]) -> _Axis:
        """A scale that holds all these places, and room beside each arrow for its words."""
        low, high = floor(min(places) / 5.0) * 5.0 - 2.0, max(ceil(max(places) / 5.0) * 5.0, 0.0) + 2.0
        whole = cls(low, high)
        ends = [sorted((whole.x(a), whole.x(b))) for a, b in pairwise(places)]
        tight = any(right + _BESIDE > _WIDTH and left < _BESIDE for left, right in ends)
        return cls(low, high, _WIDTH - _BESIDE) if tight else whole

    def x(self, weight: float) -> float:
        return _MARGIN + (weight - self.low) / (self.high - self.low) * (self.right - _MARGIN)

    def grid(self, height: float) -> list[str]:
        """A line and a word at each tenfold of the odds."""
        marks, free = [], 0.0
        for tick, words in _TICKS.items():
            if not self.low <= tick <= self.high:
                continue
            x, half = self.x(tick), width_of(words, 11.5) / 2
            marks.append(line(x, 18, x, height, "w-even" if tick == 0 else "w-grid", dash="" if tick == 0 else "2 3"))
            middle = min(max(x, half), _WIDTH - half)
            if middle - half >= free:
                marks.append(text(middle, 13, words, "w-tick", anchor="middle", size=11.5, fill=QUIET))
                free = middle + half + 6
        return marks


def _stand(body: list[str], axis: _Axis, y: float, words: str, weight: float) -> float:
    """Where the suspect stands, as a mark with words; returns the next free height."""
    x = axis.x(weight)
    body.append(
        f'<path d="M{x:.1f} {y:.1f}l6 6l-6 6l-6 -6z" class="w-stand" fill="{PAPER}" stroke="{INK}" stroke-width="2"/>'
    )
    wide = width_of(words, _SIZE) + 10
    left = x + 10 + wide > _WIDTH
    body.append(
        text(
            x - 10 if left else x + 10,
            y + 10.5,
            words,
            "w-words",
            anchor="end" if left else "start",
            size=_SIZE,
            weight=700,
            more=_HALO,
        )
    )
    return y + 22


def _arrow(begin: float, end: float, y: float, speaks_for: bool, name: str) -> str:
    """A bar that ends in a point; solid to the right, hatched to the left."""
    towards = 1.0 if end >= begin else -1.0
    head = min(_HEAD, abs(end - begin))
    neck = end - towards * head
    low, middle = y + _BAR, y + _BAR / 2
    corners = ((begin, y), (neck, y), (end, middle), (neck, low), (begin, low))
    points = " ".join(f"{x:.1f},{at:.1f}" for x, at in corners)
    kind, fill = ("w-for", INK) if speaks_for else ("w-against", f"url(#{name}-hatch)")
    return f'<polygon points="{points}" class="{kind}" fill="{fill}" stroke="{INK}" stroke-width="1.2"/>'


def _beside(begin: float, end: float, y: float, words: str) -> str:
    right, wide = max(begin, end) + 6, width_of(words, _SIZE)
    if right + wide <= _WIDTH:
        return text(right, y, words, "w-words", size=_SIZE, weight=700, more=_HALO)
    return text(min(begin, end) - 6, y, words, "w-words", anchor="end", size=_SIZE, weight=700, more=_HALO)


def _hatch(name: str) -> str:
    return (
        f'<defs><pattern id="{name}-hatch" width="5" height="5" patternUnits="userSpaceOnUse"'
        f' patternTransform="rotate(45)"><rect width="5" height="5" class="w-paper" fill="{PAPER}"/>'
        f'<line x1="0" y1="0" x2="0" y2="5" class="w-stroke" stroke="{INK}" stroke-width="3"/></pattern></defs>'
    )


@dataclass(frozen=True)
class Ray:
    """One outcome of a step: its chance, its name, whom one would suspect then, what one would still expect to pay.

    Each of `then` has a line of its own.
    """

    chance: float
    name: str
    then: tuple[str, ...]
    cost: str


def fan_svg(title: str, rays: Sequence[Ray], *, name: str = "fan") -> str:
    """The outcomes of a step as a fan: as thick as they are likely, each with what follows from it."""
    wide = _WIDTH - _FAN_LEFT - _MARGIN
    rows, y = [], 8.0
    for ray in rays:
        head = wrapped(f"{percent(ray.chance)}: {ray.name}", wide, _SIZE)
        rest = [words for told in (*ray.then, *filter(None, [ray.cost])) for words in wrapped(told, wide, _SMALL, 2)]
        tall = max(len(head) * _LINE + len(rest) * _SMALL_LINE + 10, drawn(ray.chance) * _NODE + 8)
        rows.append((ray, y, tall, head, rest))
        y += tall
    top = max(4.0, y / 2 - _NODE / 2)
    body, begin = [], top
    whole = sum(drawn(ray.chance) for ray in rays) or 1.0
    for ray, at, tall, head, rest in rows:
        thick = drawn(ray.chance) / whole * _NODE
        middle = at + tall / 2
        body.append(_ray(begin, thick, middle))
        begin += thick
        base = middle - (len(head) * _LINE + len(rest) * _SMALL_LINE) / 2 + 11
        for number, words in enumerate(head):
            body.append(text(_FAN_LEFT, base + number * _LINE, words, "f-head", size=_SIZE, weight=700))
        for number, words in enumerate(rest):
            below = base + len(head) * _LINE + number * _SMALL_LINE
            body.append(text(_FAN_LEFT, below, words, "f-rest", size=_SMALL, fill=QUIET))
    told = " ".join(
        f"{percent(ray.chance)}: {ray.name}."
        + (_(" Then {listed}.", listed=", ".join(ray.then)) if ray.then else "")
        + (f" {ray.cost[0].upper()}{ray.cost[1:]}." if ray.cost else "")
        for ray in rays
    )
    return picture(_WIDTH, max(y, _NODE + 8) + 4, "fan-picture", name, title, told, "".join(body))


def _ray(begin: float, thick: float, middle: float) -> str:
    """A band from the node on the left to its words on the right."""
    left, right, bend = 4.0, _FAN_LEFT - 7.0, 32.0
    up, down = middle - thick / 2, middle + thick / 2
    return (
        f'<path d="M{left} {begin:.1f}C{left + bend} {begin:.1f} {right - bend} {up:.1f} {right} {up:.1f}'
        f"L{right} {down:.1f}C{right - bend} {down:.1f} {left + bend} {begin + thick:.1f} {left}"
        f' {begin + thick:.1f}z" class="f-ray" fill="#bbb" stroke="{INK}" stroke-width="0.8"/>'
    )
