"""The owner's page: which facts of the report stand where, in the order in which an owner asks."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from firstcause.handover.facts import Fact, OptionFact, Report
from firstcause.handover.page import Page, Points, Section, drawing, points, section, table, words
from firstcause.tongue import N_, _

NOT_LEGAL = N_(
    "This page states what our work record holds. It is no legal advice. The maker's service information and the law "
    "where you live go first."
)


@dataclass(frozen=True, slots=True)
class Room:
    """How the page is laid out: what gives way on a full sheet.

    `not_done`: on which side that part stands; `pictures_mm`: how high the engine and the evidence may be; `brief`:
    what is to be looked at later stands in the annex alone, the grounds of numbers in the record alone.
    """

    not_done: Literal["main", "side"] = "main"
    pictures_mm: tuple[float, float] = (54, 42)
    brief: bool = False


def owner_page(report: Report, room: Room = Room()) -> Page:
    """One page for the owner, made from nothing but the report."""
    sections: Iterable[Section | None] = (
        section(_("What stands against this closing"), "main", points(report.against_closing)),
        section(_("Why the car came"), "main", points((*report.complaint, *_first_decision(report)))),
        section(
            _("What is wrong, and how we know") if not report.shown_cured else _("What was wrong, and how we know"),
            "main",
            points((*report.cause_words, *_open(report))),
            words(_("How we know:"), strong=True) if report.how_we_know else None,
            points(report.how_we_know),
        ),
        section(
            _("Is {trouble} gone?", trouble=report.trouble) if report.proof.worked else _("What we counted"),
            "main",
            points(report.proof.said),
        ),
        section(_("What we did"), "main", points((*report.done, *report.moved, *report.old_parts))),
        section(_("What to watch"), "main", points((*report.watch, *report.cautions))),
        section(_("The engine"), "side", drawing(report.engine, _engine_caption(report), room.pictures_mm[0])),
        None
        if report.evidence is None
        else section(_("The evidence"), "side", drawing(report.evidence, "", room.pictures_mm[1])),
        section(_("What we did not do"), room.not_done, points(report.not_done)),
        section(_("What may come back"), "side", points(report.returns)),
        section(_("When to look again"), "side", points(() if room.brief else report.look_again)),
        section(
            _("What could be done, and what it costs"),
            "wide",
            table(
                (_("What"), _("Where"), _("Price"), _("What it would settle")),
                (_option_row(option) for option in report.options),
                (0.32, 0.13, 0.15, 0.40),
            ),
            words(report.price_ground) if report.options else None,
        ),
        section(_("What the car still remembers"), "side", points((*report.permanent_words, *report.other_codes))),
    )
    return Page(
        title=_("Your car: {title}", title=report.title),
        lines=_lines(report),
        headline=report.headline,
        meaning=report.meaning,
        sections=tuple(_bare(each) if room.brief else each for each in sections if each is not None),
        footer=(_("More, and every word of the trade explained: in the annex to this page."), *foot(report)),
        author=report.shop or _("the workshop"),
        made_at=report.made_at,
    )


def _bare(part: Section) -> Section:
    """Without the grounds of numbers."""
    return replace(
        part,
        blocks=tuple(
            replace(block, items=tuple(replace(each, ground="") for each in block.items))
            if isinstance(block, Points)
            else block
            for block in part.blocks
        ),
    )


def _lines(report: Report) -> tuple[str, ...]:
    owner = _("For {owner}", owner=report.owner) if report.owner else _("For the owner")
    plate = f", {report.plate}" if report.plate else ""
    distance = next((value for name, value in report.car if name == _("Distance")), "")
    return (
        _(
            "{it}. {owner}{plate}. {date}. It had done {distance}.",
            it=report.shop or _("The workshop"),
            owner=owner,
            plate=plate,
            date=report.date,
            distance=distance,
        ),
    )


def _first_decision(report: Report) -> Iterable[Fact]:
    for said in report.first_decision.owner[:1]:
        yield Fact(_("What we told you at once: {said}", said=said))


def _open(report: Report) -> Iterable[Fact]:
    """Every open cause above the closing limit, each with its chance."""
    for cause in report.open_causes:
        if report.cause is not None and cause.cause == report.cause.cause:
            continue
        yield Fact(f"{cause.name}, {cause.place}: {cause.chance_words}. {cause.plain}")
    if len(report.open_causes) > 1:
        yield Fact(_("More than one of these can be true at once."))


def _engine_caption(report: Report) -> str:
    ring = _(" The ring shows the share of sparks that missed.") if report.unit == "cylinder" else ""
    return f"{report.engine.alt}{ring}"


def _option_row(option: OptionFact) -> tuple[str, str, str, str]:
    aside = _(" (not chosen: {set_aside})", set_aside=option.set_aside) if option.set_aside else ""
    return (f"{option.what}{aside}", option.place, option.price_words, option.settles)


def foot(report: Report) -> tuple[str, ...]:
    """What stands at the end of what the owner gets: the seal, and that it is no legal advice."""
    return (
        _(
            "Numbers such as e7 are entries of our work record. Its seal: {head}. It shows "
            "whether the record was changed.",
            head=report.head,
        ),
        _(NOT_LEGAL),
    )
