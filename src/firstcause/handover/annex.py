"""The annex of the owner's page: the longer story, in the same plain words, with every word of the trade explained."""

from __future__ import annotations

import re
from collections.abc import Iterable

from firstcause.handover.annex_telling import AnnexFacts
from firstcause.handover.facts import Fact, Report
from firstcause.handover.glossary import explained
from firstcause.handover.owner_page import foot, owner_page
from firstcause.handover.page import (
    Block,
    Drawing,
    Page,
    Points,
    Section,
    drawing,
    points,
    section,
    table,
    texts,
    words,
)
from firstcause.tongue import _


def annex_page(report: Report, more: AnnexFacts) -> Page:
    """What did not find room on the one page; made from the report and the annex's own facts."""
    parts: Iterable[Section | None] = (
        section(
            _("What is proven, and what is not"),
            "wide",
            points(_proven(report)),
            words(_("We write down what we found and what you told us. We do not say who is to blame.")),
        ),
        section(_("Where it is on the engine"), "wide", drawing(report.engine, report.engine.alt, 85)),
        section(_("What we saw"), "wide", *(drawing(photo, about, 80) for photo, about in more.photos)),
        None
        if report.evidence is None
        else section(_("Before and after"), "wide", drawing(report.evidence, "", 70), points(report.proof.said)),
        section(_("What was not tested"), "wide", points(report.not_done)),
        section(_("What each choice may cost you, {horizon}", horizon=more.horizon), "wide", *_costs(more)),
        section(_("Who else may pay"), "wide", words(more.ask_before) if more.ask else None, points(more.ask)),
        section(_("What others have seen"), "wide", points(more.seen_by_others)),
        section(_("When to look again"), "wide", _looks(more)),
        section(_("Other visits of this car"), "wide", points(more.other_visits)),
    )
    shown = tuple(each for each in parts if each is not None)
    page = _page(report, shown)
    short = owner_page(report)
    said = [*texts(short), *texts(page), *_beside(short), *_beside(page)]
    terms = section(
        _("Words on these pages"),
        "wide",
        table((_("Word"), _("What it means")), explained(said), (0.24, 0.76)),
    )
    return page if terms is None else _page(report, (*shown, terms))


def _beside(page: Page) -> Iterable[str]:
    """What stands beside the words: the grounds of numbers, and the labels in pictures."""
    for block in (block for part in page.sections for block in part.blocks):
        if isinstance(block, Points):
            yield from (each.ground for each in block.items)
        elif isinstance(block, Drawing):
            yield re.sub("<[^>]*>", " ", block.svg)


def _page(report: Report, parts: tuple[Section, ...]) -> Page:
    return Page(
        title=_("More about your car: {title}", title=report.title),
        lines=(_("This goes with the page of {date}. That page is short; the rest stands here.", date=report.date),),
        headline=report.headline,
        meaning=report.meaning,
        sections=parts,
        footer=foot(report),
        author=report.shop or _("the workshop"),
        made_at=report.made_at,
    )


def _proven(report: Report) -> Iterable[Fact]:
    """Plainly: what is proven, what is not, and what it would take."""
    if report.shown_cured:
        yield Fact(_("Proven: the cause was found and removed, and the test after it was good."))
    else:
        yield Fact(_("Not proven: that {trouble} will not come back.", trouble=report.trouble))
    if report.cause is not None and report.cause.state == "open":
        yield Fact(_("Not proven: that it is this cause. {chance}.", chance=report.cause.chance_words.capitalize()))
    elif report.cause is None and not report.shown_cured:
        yield Fact(_("Not proven: which cause it is."))
    yield from report.against_closing
    for cause in report.open_causes:
        fact = _("Still open: {name}, {place}. {chance}.", name=cause.name, place=cause.place,
                 chance=cause.chance_words.capitalize())  # fmt: skip
        yield Fact(f"{fact} {cause.plain}")


def _costs(more: AnnexFacts) -> Iterable[Block | None]:
    if not more.choices:
        return
    yield words(
        _(
            "We let a computer drive many cars like yours. Each has one of the causes that are still open. "
            "“8 in 10” means: eight of ten such owners pay a sum between the two. It is a guess with a reason, "
            "no promise."
        )
    )
    harm = [_("Harm to {what}", what=more.harm_of)] if more.harm_of else []
    head = (_("Choice"), _("Now"), _("In all, to the end"), _("Back again"), *harm, _("What stays unknown"))
    rows = (
        (row.what, row.now, row.in_the_end, row.back, *([row.harm] if harm else []), row.unknown)
        for row in more.choices
    )
    yield table(head, rows, (0.22, 0.12, 0.17, 0.14, 0.1, 0.25) if harm else (0.26, 0.14, 0.2, 0.18, 0.22))
    yield points(more.pays)
    if more.prices is not None:
        yield drawing(more.prices, _("The line is the middle, the band holds eight in ten."), 95, wide=True)
    if more.returns is not None:
        yield drawing(more.returns, "", 95, wide=True)
    yield words(_("What this cannot know:"), strong=True)
    yield points(more.unknown)


def _looks(more: AnnexFacts) -> Block | None:
    who = {"owner": _("you"), "workshop": _("the workshop")}
    rows = (
        (
            look.on.isoformat(),
            "" if look.at_km is None else _("{at_km:,.0f} km", at_km=look.at_km),
            f"{look.what}. {look.how}",
            who[look.who],
        )
        for look in more.looks
    )
    return table((_("About when"), _("Clock shows"), _("What"), _("Who")), rows, (0.13, 0.14, 0.6, 0.13))
