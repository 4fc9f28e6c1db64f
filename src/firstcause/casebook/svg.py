"""The strokes all pictures are made of: text, boxes and lines as SVG, with classes that a page may restyle."""

from __future__ import annotations

import re
import textwrap
from html import escape

INK, PAPER, QUIET = "#111", "#fff", "#555"
LETTER = 0.51
"""Width of a letter over its height, about, in a plain sans-serif face."""


def text(
    x: float, y: float, words: str, kind: str, *, anchor: str = "start", size: float = 11, weight: int = 400,
    fill: str = INK, more: str = "",
) -> str:  # fmt: skip
    """Words at a point of the base line."""
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" class="{kind}" text-anchor="{anchor}" font-size="{size:.3g}"'
        f' font-weight="{weight}" fill="{fill}" {more}>{escape(words)}</text>'
    )


def box(
    x: float, y: float, width: float, height: float, kind: str, rx: float, *, fill: str, stroke: str = "none"
) -> str:
    """A rectangle with rounded corners."""
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{width:.1f}" height="{height:.1f}" rx="{rx:g}" class="{kind}"'
        f' fill="{fill}" stroke="{stroke}"/>'
    )


def line(x1: float, y1: float, x2: float, y2: float, kind: str, *, dash: str = "") -> str:
    """A thin straight line."""
    dashed = f' stroke-dasharray="{dash}"' if dash else ""
    return (
        f'<line x1="{x1:.1f}" y1="{y1:.1f}" x2="{x2:.1f}" y2="{y2:.1f}" class="{kind}" stroke="{QUIET}"'
        f' stroke-width="1"{dashed}/>'
    )


def width_of(words: str, size: float) -> float:
    """About how wide these words are."""
    return LETTER * size * len(words)


def wrapped(words: str, width: float, size: float, most: int = 3) -> list[str]:
    """Words in lines of at most this width, numbers kept with what they count; beyond `most` lines an ellipsis."""
    fits = max(8, int(width / (LETTER * size)))
    together = re.sub(r" (?=%)|(?<=cylinder) (?=\d)", "\u00a0", words)
    return textwrap.wrap(together, fits, max_lines=most, placeholder=" …") or [""]


def picture(
    width: float, height: float, kind: str, name: str, title: str, told: str, body: str, *, links: bool = False
) -> str:
    """The whole picture with its title and description; `name` sets ids apart on one page.

    With `links` in it a reader of the screen must be able to go inside, so it is a group and no single image.
    """
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" class="{kind}" viewBox="0 0 {width:.0f} {height:.0f}"'
        f' role="{"group" if links else "img"}"'
        f' aria-labelledby="{name}-title {name}-desc" font-family="sans-serif">'
        f'<title id="{name}-title">{escape(title)}</title><desc id="{name}-desc">{escape(told)}</desc>{body}</svg>'
    )
