"""The catalogue as one static page that loads nothing, prints, and works on a phone."""

from __future__ import annotations

from functools import cache

from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup

from firstcause.handover.catalogue import DEFER, SCALE, Catalogue, Line
from firstcause.tongue import _


def catalogue_html(catalogue: Catalogue) -> str:
    """The whole catalogue of a pack as one HTML file."""
    template = _environment().get_template("catalogue.html.j2")
    return template.render(catalogue=catalogue, scale=SCALE, defer=DEFER, bar=bar_svg)


def bar_svg(line: Line) -> Markup:
    """How strongly an outcome speaks: a bar from the middle, solid to the right for, hatched to the left against."""
    against = line.strength.startswith(("-", _("never with it")))
    width = max(1.0, 50.0 * line.size)
    left = 50.0 - width if against else 50.0
    fill = 'class="b-against" fill="url(#hatched)"' if against else 'class="b-for"'
    return Markup(
        '<svg class="db" viewBox="0 0 100 8" preserveAspectRatio="none" aria-hidden="true" focusable="false">'
        '<rect class="b-all" x="0" y="0" width="100" height="8"/>'
        f'<rect {fill} x="{left:.1f}" y="0" width="{width:.1f}" height="8"/>'
        '<path class="b-middle" d="M50 0V8"/></svg>'
    )


@cache
def _environment() -> Environment:
    loader = PackageLoader("firstcause.handover", "templates")
    made = Environment(loader=loader, autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True)
    made.globals["_"] = _
    return made
