"""Drawings of the evidence as SVG text: counts before and after, and how likely each cause is. Good in grey too."""

from __future__ import annotations

from collections.abc import Sequence
from html import escape

from firstcause.casebook.reasons_drawing import way_svg
from firstcause.casebook.words import unit_words
from firstcause.handover.facts import CauseFact, CylinderCount, Picture, Readings
from firstcause.handover.plainly import chance_figure, count_words, sentence
from firstcause.knowledge.model_numbers import Complaint
from firstcause.tongue import _

_WIDTH = 420.0
_INK, _PAPER, _QUIET, _PALE = "#111", "#fff", "#555", "#ddd"
_PER = 1000
_LEAST_BAR = 1.5


def before_after_picture(
    before: Readings, after: Readings | None, units: Sequence[int], about: Complaint, *, worked: bool
) -> Picture:
    """Bad ones in 1,000 of each unit: solid before the work (or as it came), hatched at the end."""
    rows = _paired(before, after)
    most = max((max(_rate(count) for count in pair if count is not None) for _, pair in rows), default=0.0) or 1.0
    left, right, top, row_height, bar = 92.0, 66.0, 40.0, 34.0, 12.0
    across = (_WIDTH - left - right) / most
    height = top + len(rows) * row_height + 8
    body = [
        _HATCH,
        _text(
            0,
            12,
            _("{bad} in {PER:,} {out_of}", bad=_bad(about), PER=_PER, out_of=about.words.out_of),
            weight=700,
            size=13,
        ),
        _rect(0, 21, 16, 10, _INK),
        _text(22, 30, _("before the work") if worked else _("as it came")),
    ]
    if after is not None:
        body += [
            _rect(136, 21, 16, 10, "url(#after-hatch)"),
            _text(158, 30, _("after the work") if worked else _("last reading")),
        ]
    for index, (number, (first, second)) in enumerate(rows):
        y = top + index * row_height
        body.append(_text(0, y + 17, unit_words(number, about), weight=700 if number in units else 400))
        for place, count, fill in ((0, first, _INK), (1, second, "url(#after-hatch)")):
            if count is not None:
                at = y + 2 + place * (bar + 2)
                body.append(_rect(left, at, max(_rate(count) * across, _LEAST_BAR), bar, fill))
                body.append(_text(left + max(_rate(count) * across, _LEAST_BAR) + 5, at + 10, _rate_words(count)))
        body.append(_line(left, y, left, y + row_height - 4))
    alt = ". ".join(_told(number, pair, about) for number, pair in rows) + "."
    title = f"{_bad(about)} {_('before and after') if after else _('as it came')}"
    return Picture(_svg(height, title, alt, body), alt)


def way_picture(cause: CauseFact) -> Picture | None:
    """What moved the cause from how frequent it is to where it stands; None where that was not worked out."""
    if cause.reasons is None:
        return None
    words = {each.event: f"{each.event}: {each.words}" for each in cause.evidence}

    def label(happenings: tuple[str, ...]) -> str:
        told = [words.get(happening, happening) for happening in happenings]
        return (
            told[0]
            if len(told) == 1
            else _("{listed} and {happenings} together", listed=", ".join(happenings[:-1]), happenings=happenings[-1])
        )

    title = _("What moved: {name} ({place})", name=cause.name, place=cause.place)
    return Picture(way_svg(title, cause.reasons, label), title)


def likely_picture(causes: Sequence[CauseFact]) -> Picture:
    """How likely each cause is now, as bars from none to certain."""
    left, top, row_height = 4.0, 24.0, 40.0
    wide = _WIDTH - left - 100
    height = top + len(causes) * row_height + 4
    body = [_HATCH, _text(0, 12, _("How likely each cause is"), weight=700, size=13)]
    for index, cause in enumerate(causes):
        y = top + index * row_height
        fill = "url(#after-hatch)" if cause.state == "removed" else _INK
        said = f"{cause.name} ({cause.place})" + (_(", removed") if cause.state == "removed" else "")
        body.append(_text(left, y + 11, said))
        body.append(_rect(left, y + 16, wide, 13, _PALE))
        body.append(_rect(left, y + 16, max(wide * cause.chance, _LEAST_BAR), 13, fill))
        body.append(_text(left + wide + 6, y + 27, chance_figure(cause.chance).removeprefix(_("about "))))
    alt = "; ".join(f"{cause.name}, {cause.place}: {cause.chance_words}" for cause in causes) + "."
    return Picture(_svg(height, _("How likely each cause is"), alt, body), alt)


_HATCH = (
    '<defs><pattern id="after-hatch" width="5" height="5" patternUnits="userSpaceOnUse" '
    'patternTransform="rotate(45)"><rect width="5" height="5" fill="#fff"/>'
    '<line x1="0" y1="0" x2="0" y2="5" stroke="#111" stroke-width="3"/></pattern></defs>'
)
_Pair = tuple[CylinderCount | None, CylinderCount | None]


def _paired(before: Readings, after: Readings | None) -> list[tuple[int, _Pair]]:
    first = {count.cylinder: count for count in before.counts}
    second = {} if after is None else {count.cylinder: count for count in after.counts}
    return [(number, (first.get(number), second.get(number))) for number in sorted({*first, *second})]


def _rate(count: CylinderCount) -> float:
    return _PER * count.misfires / count.firings


def _rate_words(count: CylinderCount) -> str:
    rate = _rate(count)
    return "0" if rate == 0 else _("under 1") if rate < 1 else f"{rate:.0f}"


def _bad(about: Complaint) -> str:
    return about.words.bad[:1].upper() + about.words.bad[1:]


def _told(number: int, pair: _Pair, about: Complaint) -> str:
    said = [
        _(
            "{word} {count_words} {bad} in {count_words2} {out_of}",
            word=word,
            count_words=count_words(count.misfires),
            bad=about.words.bad,
            count_words2=count_words(count.firings),
            out_of=about.words.out_of,
        )
        for word, count in zip((_("first"), _("then")), pair, strict=True)
        if count is not None
    ]
    return f"{sentence(unit_words(number, about))[:-1]}: {', '.join(said)}"


def _svg(height: float, title: str, told: str, body: Sequence[str]) -> str:
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {_WIDTH:.0f} {height:.0f}" role="img" '
        f'font-family="sans-serif"><title>{escape(title)}</title><desc>{escape(told)}</desc>{"".join(body)}</svg>'
    )


def _text(x: float, y: float, words: str, *, weight: int = 400, size: float = 12) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" font-weight="{weight}" fill="{_INK}">'
        f"{escape(words)}</text>"
    )


def _rect(x: float, y: float, width: float, height: float, fill: str) -> str:
    edge = "none" if fill == _PALE else _INK
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" fill="{fill}" stroke="{edge}" '
        'stroke-width="0.8"/>'
    )


def _line(x1: float, y1: float, x2: float, y2: float) -> str:
    return f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" stroke="{_QUIET}" stroke-width="1"/>'
