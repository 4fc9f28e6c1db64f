"""The engine from above as SVG: cylinders by bank, firing order, each part in its position, misfires as a ring."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from math import pi

from firstcause.casebook.ledger import Ledger, Sitting
from firstcause.casebook.svg import INK, PAPER, QUIET, box, picture, text
from firstcause.casebook.words import ordinal
from firstcause.tongue import _
from firstcause.vehicle.layout import EngineLayout

_WIDTH, _MARGIN, _TOP, _FOOT = 400.0, 8.0, 44.0, 46.0
_ROW, _RADIUS, _RING = 92.0, 23.0, 6.0
_CHIP_HEIGHT, _CHIP_GAP = 19.0, 4.0
_HOT = "#b3261e"
_HALO = f'paint-order="stroke" stroke="{PAPER}" stroke-width="5" stroke-linejoin="round"'


@dataclass(frozen=True)
class Misfires:
    """The reading that the drawing shows: misfires by cylinder (absent: not read), out of so many events a cylinder."""

    by_cylinder: Mapping[int, int]
    events: int | None = None

    def share(self, cylinder: int) -> float:
        """The part of the ring that is filled, 0 to 1; without a number of events, against the worst cylinder."""
        count = self.by_cylinder.get(cylinder, 0)
        whole = self.events or max(self.by_cylinder.values(), default=0)
        return min(1.0, count / whole) if whole else 0.0


def engine_svg(
    layout: EngineLayout,
    ledger: Ledger | None = None,
    misfires: Misfires | None = None,
    *,
    complaint: frozenset[int] = frozenset(),
    focus: int | None = None,
    link: Callable[[int], str] | None = None,
    name: str = "engine",
) -> str:
    """The engine from above, front at the top, one column a bank; self-contained SVG text with title and description.

    The ring of a cylinder is filled by the share of its ignition events that misfired, its bore is hatched the denser
    the larger that share, and the count stands below. A moved part says where it came from. Neighbours are joined by
    the land between them; with `focus` a cylinder is framed and all that share something with it say what.
    `link` gives the address behind a cylinder, `name` sets ids apart on one page.
    Colours are presentation attributes and every element has a class, so a page may restyle it.
    """
    rows = max(map(len, layout.banks))
    narrow = len(layout.banks) > 1
    lines = max(len(_lines(_parts_of(n, ledger), narrow)) for n in layout.cylinders)
    tall = _ROW + max(0, lines - 2) * (_CHIP_HEIGHT + _CHIP_GAP)
    height = _TOP + rows * tall + _FOOT
    between = {"inline": 0.0, "vee": 12.0, "flat": 28.0}[layout.arrangement]
    column = (_WIDTH - 2 * _MARGIN - between) / len(layout.banks)
    shared = {} if focus is None else shared_with(layout, focus)
    parts: list[str] = [
        _hatches(name),
        text(_WIDTH / 2, 14, _("front of the engine"), "e-small", anchor="middle", fill=QUIET),
    ]
    if between:
        x = _WIDTH / 2 - (between - 8) / 2
        words = "valley" if layout.arrangement == "vee" else "crankcase"
        parts.append(box(x, _TOP - 6, between - 8, rows * tall + 6, "e-between", 2, fill="#ddd"))
        if layout.arrangement == "flat":
            y = _TOP + rows * tall / 2
            turned = f'transform="rotate(-90 {_WIDTH / 2:.0f} {y:.0f})"'
            parts.append(text(_WIDTH / 2, y + 4, words, "e-small", anchor="middle", fill=QUIET, more=turned))
    for number, bank in enumerate(layout.banks):
        x = _MARGIN + number * (column + between)
        parts.append(box(x, _TOP - 6, column, len(bank) * tall + 6, "e-block", 10, fill="none", stroke=INK))
        if len(layout.banks) > 1:
            parts.append(text(x + 6, _TOP - 11, _("bank {n}", n=number + 1), "e-small", fill=QUIET))
        for row, cylinder in enumerate(bank):
            cell = _Cell(x, _TOP + row * tall, column, tall, narrow)
            drawn = _frame(cell, cylinder, focus, shared.get(cylinder, ()))
            drawn += _cylinder(cell, cylinder, layout, ledger, misfires, cylinder in complaint, name)
            address = None if link is None else escape(link(cylinder), quote=True)
            about = _about(cylinder, layout, ledger, misfires, cylinder in complaint)
            words = escape(", ".join((about, *shared.get(cylinder, ()))), quote=True)
            group = f'<g class="e-cylinder"><title>{words}</title>{drawn}</g>'
            parts.append(group if address is None else f'<a href="{address}" aria-label="{words}">{group}</a>')
            if row:
                pair = {bank[row - 1], cylinder}
                parts.append(_land(cell, bold=focus in pair, between=pair))
    order = _("fires {listed}", listed="-".join(map(str, layout.firing_order)))
    parts.append(text(_WIDTH / 2, height - 26, _("flywheel end"), "e-small", anchor="middle", fill=QUIET))
    parts.append(text(_WIDTH / 2, height - 7, order, "e-order", anchor="middle", weight=700))
    title, told = _("{shape} seen from above", shape=_shape(layout)), _description(layout, ledger, misfires, complaint)
    return picture(_WIDTH, height, "engine", name, title, told, "".join(parts), links=link is not None)


@dataclass(frozen=True)
class _Cell:
    """Where one cylinder is drawn."""

    x: float
    y: float
    width: float
    height: float
    narrow: bool


def shared_with(layout: EngineLayout, cylinder: int) -> dict[int, tuple[str, ...]]:
    """What each other cylinder has in common with this one, in words; those without anything are left out."""
    companion = layout.companion(cylinder)
    at = layout.firing_order.index(cylinder)
    said: dict[int, list[str]] = {}
    for number in layout.neighbours(cylinder):
        said.setdefault(number, []).append(_("beside {cylinder}", cylinder=cylinder))
    for number in layout.shares_coil_with(cylinder):
        said.setdefault(number, []).append(_("coil with {cylinder}", cylinder=cylinder))
    if companion is not None and companion != cylinder:
        said.setdefault(companion, []).append(_("pair of {cylinder}", cylinder=cylinder))
    for step, words in ((-1, _("fires before")), (1, _("fires after"))):
        said.setdefault(layout.firing_order[(at + step) % layout.count], []).append(words)
    said.pop(cylinder, None)
    return {number: tuple(words) for number, words in said.items()}


_HEATS = (0.002, 0.02, 0.10, 0.50)
"""Above which share of misfires a bore is hatched denser (for the eye; ours): the first leaves out mere spill."""


def heat(share: float) -> int:
    """How dense the hatching of a bore is, 0 (none) to 4."""
    return sum(share > limit for limit in _HEATS)


def _hatches(name: str) -> str:
    """One pattern for each step of heat: the same gap, a broader line."""
    patterns = (
        f'<pattern id="{name}-heat{step}" width="6" height="6" patternUnits="userSpaceOnUse"'
        f' patternTransform="rotate(45)"><rect width="6" height="6" class="e-bore-ground" fill="{PAPER}"/>'
        f'<rect width="{wide}" height="6" class="e-hatch" fill="{_HOT}"/></pattern>'
        for step, wide in ((1, 0.8), (2, 1.7), (3, 2.8), (4, 4.2))
    )
    return f"<defs>{''.join(patterns)}</defs>"


def _frame(cell: _Cell, number: int, focus: int | None, shared: Sequence[str]) -> str:
    """The ground of a cylinder; framed when it is the one looked at, dashed when it shares something with that one."""
    ground = box(cell.x + 3, cell.y + 1, cell.width - 6, cell.height - 6, "e-cell", 8, fill=PAPER)
    words = ", ".join(words for words in shared if not words.startswith("fires"))
    if number != focus and not words:
        return ground
    kind, dash = ("e-focus", "") if number == focus else ("e-related", ' stroke-dasharray="5 4"')
    frame = (
        f'<rect x="{cell.x + 4:.1f}" y="{cell.y + 2:.1f}" width="{cell.width - 8:.1f}" height="{cell.height - 8:.1f}"'
        f' rx="7" class="{kind}" fill="none" stroke="{INK}" stroke-width="{2.5 if number == focus else 1.3}"{dash}/>'
    )
    at = cell.x + cell.width - 10, cell.y + cell.height - 11
    return ground + frame + (text(*at, words, "e-shared", anchor="end", size=11, weight=700) if words else "")


def _land(cell: _Cell, *, bold: bool, between: set[int]) -> str:
    """The land between two neighbours, where a head gasket may leak from one into the other."""
    x, y = cell.x + 10 + _RADIUS + _RING, cell.y - 2
    a, b = sorted(between)
    return (
        f'<line x1="{x - 24:.1f}" y1="{y:.1f}" x2="{x + 24:.1f}" y2="{y:.1f}" class="e-land" data-joint="{a}-{b}"'
        f' stroke="{INK}" stroke-width="{4 if bold else 1.4}"/>'
    )


def _cylinder(
    cell: _Cell,
    number: int,
    layout: EngineLayout,
    ledger: Ledger | None,
    misfires: Misfires | None,
    accused: bool,
    name: str,
) -> str:
    cx, cy = cell.x + 10 + _RADIUS + _RING, cell.y + 6 + _RADIUS + _RING
    hot = 0 if misfires is None else heat(misfires.share(number))
    fill = f"url(#{name}-heat{hot})" if hot else PAPER
    body = [
        f'<circle cx="{cx:.1f}" cy="{cy:.1f}" r="{_RADIUS}" class="{"e-bore-hot" if hot else "e-bore"}" fill="{fill}"'
        f' stroke="{INK}" stroke-width="{3 if accused else 1.2}" data-heat="{hot}"/>',
    ]
    if misfires is not None and number in misfires.by_cylinder:
        body.append(_ring(cx, cy, misfires.share(number)))
    body.append(text(cx, cy + 7, str(number), "e-number", anchor="middle", size=20, weight=700, more=_HALO))
    body.append(
        text(cx, cy + _RADIUS + _RING + 14, _count_words(number, misfires), "e-count", anchor="middle", size=11)
    )
    left = cx + _RADIUS + _RING + 8
    body.append(
        text(
            left,
            cell.y + 15,
            _("fires {ordinal}", ordinal=ordinal(layout.firing_order.index(number) + 1)),
            "e-small",
            size=11,
        )
    )
    if accused:
        body.append(text(left, cell.y + cell.height - 11, _("▲ complaint"), "e-accused", weight=700, fill=_HOT))
    lines = _lines(_parts_of(number, ledger), cell.narrow)
    body += _chips(left, cell.y + 20, cell.x + cell.width - 6 - left, lines, number)
    return "".join(body)


def _ring(cx: float, cy: float, share: float) -> str:
    radius = _RADIUS + _RING / 2 + 1
    round_ = 2 * pi * radius
    track = (
        f'<circle cx="{cx:.1f}" cy="{cy:.1f}" r="{radius}" class="e-track" fill="none" stroke="#ddd"'
        f' stroke-width="{_RING}"/>'
    )
    if share <= 0.0:
        return track
    shown = max(share, 0.02) * round_
    return track + (
        f'<circle cx="{cx:.1f}" cy="{cy:.1f}" r="{radius}" class="e-missed" fill="none" stroke="{_HOT}"'
        f' stroke-width="{_RING}" stroke-dasharray="{shown:.1f} {round_:.1f}"'
        f' transform="rotate(-90 {cx:.1f} {cy:.1f})"/>'
    )


def _lines(parts: Sequence[Sitting], narrow: bool) -> list[list[Sitting]]:
    """The parts of one cylinder in lines of two; in a narrow column what was moved or renewed has a line to itself."""
    wide = [part for part in parts if narrow and _chip_label(part, part.at[0])[1] != "home"]
    rest = [part for part in parts if part not in wide]
    return [*([part] for part in wide), *(rest[at : at + 2] for at in range(0, len(rest), 2))]


def _chips(x: float, y: float, width: float, lines: Sequence[Sequence[Sitting]], number: int) -> list[str]:
    """The parts of one cylinder; a moved or new part stands out by frame, arrow and words."""
    body = []
    for line, parts in enumerate(lines):
        full = len(parts) == 1 and _chip_label(parts[0], number)[1] != "home"
        wide = width if full else (width - _CHIP_GAP) / 2
        for index, part in enumerate(parts):
            left, top = x + index * (wide + _CHIP_GAP), y + line * (_CHIP_HEIGHT + _CHIP_GAP)
            body.append(_chip(left, top, wide, *_chip_label(part, number)))
    return body


def _chip(left: float, top: float, wide: float, label: str, state: str) -> str:
    fill, ink = (INK, PAPER) if state == "moved" else (PAPER, INK)
    dash = ' stroke-dasharray="3 2"' if state == "new" else ""
    size = min(11.0, (wide - 3) / (0.56 * len(label)))  # a letter is a little over half as wide as high
    return (
        f'<rect x="{left:.1f}" y="{top:.1f}" width="{wide:.1f}" height="{_CHIP_HEIGHT}" rx="4" class="e-chip'
        f' e-{state}" fill="{fill}" stroke="{INK}" stroke-width="{0.8 if state == "home" else 1.6}"{dash}/>'
        + text(left + wide / 2, top + 13.5, label, f"e-label e-label-{state}", anchor="middle", size=size, fill=ink)
    )


def _chip_label(part: Sitting, number: int) -> tuple[str, str]:
    if part.is_new:
        return _("new {kind}", kind=_(part.kind)), "new"
    if part.at != part.home:
        return f"{_(part.kind)} ← {'+'.join(map(str, part.home))}", "moved"
    others = [n for n in part.at if n != number]
    if len(others) > 1:
        return _("{kind} (all)", kind=_(part.kind)), "home"
    return (f"{_(part.kind)} +{others[0]}" if others else _(part.kind)), "home"


def _parts_of(number: int, ledger: Ledger | None) -> list[Sitting]:
    return [] if ledger is None else [part for part in ledger.sitting if number in part.at]


def _count_words(number: int, misfires: Misfires | None) -> str:
    if misfires is None or number not in misfires.by_cylinder:
        return _("not read")
    return _("{by_cylinder} missed", by_cylinder=misfires.by_cylinder[number])


def _shape(layout: EngineLayout) -> str:
    kind = {"inline": _("in line"), "vee": "V", "flat": _("flat")}[layout.arrangement]
    return (
        _("Engine, {count} cylinders {kind}", count=layout.count, kind=kind)
        if layout.arrangement == "inline"
        else _("Engine, {kind} {count}", kind=kind, count=layout.count)
    )


def _about(number: int, layout: EngineLayout, ledger: Ledger | None, misfires: Misfires | None, accused: bool) -> str:
    """One cylinder in words: what a screen reader says of it."""
    said = [
        _("Cylinder {number}, fires {ordinal}", number=number, ordinal=ordinal(layout.firing_order.index(number) + 1))
    ]
    if accused:
        said.append(_("the complaint is here"))
    if misfires is not None and number in misfires.by_cylinder:
        out_of = "" if misfires.events is None else _(" of {events}", events=misfires.events)
        said.append(
            _("{by_cylinder}{out_of} ignitions missed", by_cylinder=misfires.by_cylinder[number], out_of=out_of)
        )
    for part in _parts_of(number, ledger):
        if part.is_new:
            said.append(_("new {kind}", kind=_(part.kind)))
        elif part.at != part.home:
            said.append(
                _("{kind} came from cylinder {listed}", kind=_(part.kind), listed=_(" and ").join(map(str, part.home)))
            )
    return ", ".join(said)


def _description(
    layout: EngineLayout, ledger: Ledger | None, misfires: Misfires | None, complaint: frozenset[int]
) -> str:
    banks = "; ".join(
        _("bank {n} from the front: {listed}", n=n, listed=", ".join(map(str, bank)))
        for n, bank in enumerate(layout.banks, start=1)
    )
    order = "-".join(map(str, layout.firing_order))
    told = [
        _(
            "Front at the top. {upper}{banks}. Firing order {order}.",
            upper=banks[:1].upper(),
            banks=banks[1:],
            order=order,
        )
    ]
    remarkable = [_about(n, layout, ledger, misfires, n in complaint) for n in layout.cylinders]
    told += [f"{words}." for words in remarkable if words.count(",") > 1]
    return " ".join(told)
