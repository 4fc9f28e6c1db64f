"""How many owners complained, by model year, as bars; with the caution that nobody has looked at their cars."""

from __future__ import annotations

from collections.abc import Mapping

from firstcause.casebook.svg import INK, PAPER, QUIET, line, picture, text, wrapped
from firstcause.tongue import _

WIDTH, HEIGHT, LEFT, BASE, TALLEST = 620.0, 260.0, 30.0, 190.0, 140.0
UNVERIFIED = "Complaints are owners' words. Nobody has verified them; popular cars have more of them."


def draw_complaints(counts: Mapping[int, int], car: str, own_year: int | None = None) -> str:
    """Bars for every model year from the first to the last, years without complaints too; SVG text.

    `own_year` marks the year of the car in question. Without any complaint the picture says so.
    """
    body = [f'<rect width="100%" height="100%" fill="{PAPER}"/>']
    body.append(text(LEFT, 22, _("Complaints about {car}, by model year", car=car), "title", size=13, weight=600))
    years = range(min(counts), max(counts) + 1) if counts else range(0)
    step = (WIDTH - 2 * LEFT) / max(len(years), 1)
    most = max(counts.values(), default=1)
    for at, year in enumerate(years):
        count = counts.get(year, 0)
        tall, x = TALLEST * count / most, LEFT + step * at
        own = year == own_year
        body.append(
            f'<rect x="{x + step * 0.15:.1f}" y="{BASE - tall:.1f}" width="{step * 0.7:.1f}" height="{tall:.1f}"'
            f' fill="{"#555" if own else "#c8d0d6"}" stroke="{INK}" stroke-width="0.7"/>'
        )
        middle = x + step / 2
        body.append(text(middle, BASE - tall - 4, str(count), "count", anchor="middle", size=10))
        if len(years) <= 20 or at % 5 == 0 or own:
            weight = 700 if own else 400
            body.append(text(middle, BASE + 15, str(year), "year", anchor="middle", size=10, weight=weight))
    if not counts:
        body.append(text(LEFT, 100, _("None in the collection."), "none", fill=QUIET))
    body.append(line(LEFT, BASE, WIDTH - LEFT, BASE, "axis"))
    for at, words in enumerate(wrapped(UNVERIFIED, WIDTH - 2 * LEFT, 11, 2)):
        body.append(text(LEFT, BASE + 38 + 14 * at, words, "caution", fill=QUIET))
    told = "; ".join(f"{year}: {count}" for year, count in sorted(counts.items())) or "none"
    return picture(
        WIDTH,
        HEIGHT,
        "complaints",
        "complaints",
        _("Complaints about {car}", car=car),
        f"{told}. {UNVERIFIED}",
        "".join(body),
    )
