"""The technician's record: everything the case holds, with times, limits, sources, weights and the seal."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from firstcause.handover.facts import CauseFact, DriveFact, Fact, Report
from firstcause.handover.owner_page import NOT_LEGAL
from firstcause.handover.page import Block, Page, Section, drawing, item, points, section, table, words
from firstcause.handover.page import Words as Paragraph
from firstcause.handover.pictures import way_picture
from firstcause.handover.plainly import chance_number, money_words
from firstcause.reasoning.saying import CAUTION, HIGH, one_in
from firstcause.tongue import Said, _

_VERDICTS: Mapping[str, str] = Said(
    {
        "stop": "do not start it, do not drive it",
        "move-only": "move it only if it must be moved",
        "with-care": "it may be driven gently",
        "not-told": "nothing was told that says whether it may be driven",
    }
)


def record_page(report: Report) -> Page:
    """The whole record, made from nothing but the report."""
    record, sections = report.record, _sections(report)
    return Page(
        title=_("Work record: {title}", title=report.title),
        lines=(
            _(
                "{it}. {whose} Printed {date}.",
                it=report.shop or _("The workshop"),
                whose=_whose(report),
                date=report.date,
            ),
        ),
        headline=_(
            "State: {state}{it}", state=report.state, it="" if not report.against_closing else ". " + report.headline
        ),
        meaning=report.words_at_closing or report.headline,
        sections=tuple(each for each in sections if each is not None),
        footer=(
            _(
                "Seal of the last event (SHA-256 chain): {head}. Whether the case still is what this "
                "paper says: `firstcause case check CASE --head SEAL`.",
                head=report.head,
            ),
            _(
                "Knowledge: {knowledge_pack}, version {knowledge_version}. {NOT_LEGAL}",
                knowledge_pack=record.knowledge_pack,
                knowledge_version=record.knowledge_version,
                NOT_LEGAL=_(NOT_LEGAL),
            ),
        ),
        author=report.shop or _("the workshop"),
        made_at=report.made_at,
    )


def _sections(report: Report) -> Iterable[Section | None]:
    record = report.record
    return (
        section(_("The car"), "wide", table(("", ""), _car(report), (0.3, 0.7))),
        section(_("Complaint and first decision"), "wide", points(report.complaint), points(_decision(report))),
        section(_("Finding"), "wide", points((*report.cause_words, *report.how_we_know))),
        section(_("The engine"), "wide", drawing(report.engine, report.engine.alt, 90)),
        None if report.evidence is None else section(_("The evidence"), "wide", drawing(report.evidence, "", 70)),
        section(
            _("Causes and what moved them"),
            "wide",
            words(
                _(
                    "Chance that some cause of the complaint still stands: {chance_number}.",
                    chance_number=chance_number(report.still_open_chance),
                )
            ),
            table(
                (_("Cause"), _("Where"), _("Chance"), _("State"), _("For (+) and against (-), in decibans")),
                (_suspect(cause) for cause in record.suspects),
                (0.26, 0.12, 0.09, 0.1, 0.43),
                _(
                    "Chance: posterior probability. Decibans: ten times the decimal log of the odds. The "
                    "way begins with how frequent the cause is before any finding; each event has its "
                    "fair share, and the shares add up."
                ),
            ),
            words(_(CAUTION)) if any(cause.chance >= HIGH for cause in record.suspects) else None,
            *_way_of_likeliest(record.suspects),
        ),
        section(
            _("Spoilt by something else"),
            "wide",
            table(
                (_("Part"), _("Where"), _("Chance"), _("State"), _("Causes that may stand behind it")),
                (
                    (
                        victim.name,
                        victim.place,
                        chance_number(victim.chance),
                        _("renewed") if victim.renewed else _("in the car"),
                        "; ".join(f"{name} {chance_number(chance)}" for name, chance in victim.behind),
                    )
                    for victim in report.victims
                ),
                (0.22, 0.13, 0.1, 0.12, 0.43),
            ),
        ),
        section(
            _("Codes, checks, calibration"),
            "wide",
            points(record.codes),
            points(report.other_codes),
            table((_("Freeze frame"), _("Value")), record.freeze_frame, (0.4, 0.6)),
        ),
        section(
            _("Measured at the bench"),
            "wide",
            table(
                (_("Event"), _("Test"), _("Where"), _("Value"), _("Limit"), _("Outcome, source")),
                (
                    (m.event, m.test, m.place, m.value, m.limit, f"{m.outcome}. {m.sentence} {m.source}")
                    for m in record.measured
                ),
                (0.07, 0.17, 0.1, 0.11, 0.11, 0.44),
            ),
        ),
        section(_("Readings"), "wide", points(report.proof.said), *_readings(report)),
        section(_("Road tests"), "wide", *_drives(report.proof.drives)),
        section(
            _("Parts ledger"),
            "wide",
            table(
                (_("Part"), _("Sits in"), _("Came from"), _("Note")),
                ((row.part, row.now, row.came_from, row.note) for row in record.ledger),
                (0.18, 0.18, 0.18, 0.46),
            ),
        ),
        section(_("Done"), "wide", points((*report.done, *report.moved, *report.old_parts))),
        section(_("Not done"), "wide", points(report.not_done)),
        section(
            _("What may come back, what to watch"), "wide", points((*report.returns, *report.watch, *report.cautions))
        ),
        section(_("Permanent record"), "wide", points(_permanent(report))),
        section(_("Estimate and authorisation"), "wide", *_estimate(report)),
        section(_("What does not go together"), "wide", points(record.conflicts)),
        section(_("Against closing"), "wide", points(record.objections)),
        section(_("Assumed or not weighed"), "wide", points(record.notes)),
        section(_("Kept files"), "wide", points(record.attachments)),
        section(
            _("Everything recorded"),
            "wide",
            table(
                (_("Event"), _("When"), _("By"), _("What"), _("Standing")),
                (
                    (row.event, row.when, row.by, f"{row.words}{f' ({row.note})' if row.note else ''}", row.standing)
                    for row in record.timeline
                ),
                (0.07, 0.16, 0.12, 0.5, 0.15),
            ),
        ),
    )


def _car(report: Report) -> list[tuple[str, str]]:
    return [*report.car, *(((_("Plate"), report.plate),) if report.plate else ())]


def _whose(report: Report) -> str:
    if not report.owner:
        return ""
    return _("Owner: {owner}{it}.", owner=report.owner, it=f", {report.phone}" if report.phone else "")


def _decision(report: Report) -> Iterable[Fact]:
    decision = report.first_decision
    yield Fact(_("First decision: {VERDICTS}.", VERDICTS=_VERDICTS[decision.verdict]))
    yield from (Fact(words) for words in (*decision.owner, *decision.do, *decision.cautions))


def _suspect(cause: CauseFact) -> tuple[str, ...]:
    return (cause.name, cause.place, chance_number(cause.chance), cause.state, _way(cause))


def _way_of_likeliest(causes: Sequence[CauseFact]) -> Iterable[Block]:
    """The picture of what moved the likeliest cause."""
    for cause in causes[:1]:
        way = way_picture(cause)
        if way is not None:
            yield words(
                _("What moved the likeliest, {name} ({place}), finding by finding:", name=cause.name, place=cause.place)
            )
            yield drawing(way, "", 70)


def _way(cause: CauseFact) -> str:
    """From before any finding to now: `from 1 in 400; e3 +14.1; e4 +11.7; e5, e6 together -0.6`."""
    if cause.reasons is None:
        return _("not worked out for causes as unlikely as this")
    pieces = (piece for piece in cause.reasons.pieces if abs(piece.decibans) >= 0.05)
    said = [
        f"{', '.join(piece.happenings)}{' together' if len(piece.happenings) > 1 else ''} {piece.decibans:+.1f}"
        for piece in pieces
    ]
    return "; ".join([_("from {one_in}", one_in=one_in(cause.reasons.start)), *said])


def _readings(report: Report) -> Iterable[Block]:
    for name, readings in (
        (_("Before the first change"), report.proof.before),
        (_("After the last"), report.proof.after),
    ):
        if readings is not None:
            yield table(
                (*(word.capitalize() for word in (report.unit, *report.counted)), _("At most, 95 % one-sided")),
                (
                    (str(c.cylinder), f"{c.misfires:,}", f"{c.firings:,}", f"{100 * c.upper_share:.3g} %")
                    for c in readings.counts
                ),
                (0.2, 0.2, 0.25, 0.35),
                _(
                    "{name}: {minutes_words} ({listed}). Exact bound by Clopper and Pearson, 1934.",
                    name=name,
                    minutes_words=readings.minutes_words,
                    listed=", ".join(readings.events),
                ),
            )


def _drives(drives: Iterable[DriveFact]) -> Iterable[Block]:
    for drive in drives:
        note = f" {drive.note}." if drive.note else ""
        yield Paragraph(item(Fact(f"{drive.when}: {drive.minutes_words}; {drive.counts_words}.{note}", (drive.event,))))
        if drive.log_sha256 is not None:
            lost = "" if drive.pictures else _(" No picture: the recording could not be read when this was printed.")
            yield words(_("Recording SHA-256 {log_sha256}.{lost}", log_sha256=drive.log_sha256, lost=lost))
        yield points(Fact(said) for said in drive.sentences)
        for picture in drive.pictures:
            yield drawing(picture, picture.alt, 90)


def _permanent(report: Report) -> Iterable[Fact]:
    for note in report.permanent:
        yield Fact(_("{sentence} Read {as_of}.", sentence=note.sentence, as_of=note.as_of), note.events)
        yield from (Fact(reading) for reading in note.readings)


def _estimate(report: Report) -> Iterable[Block]:
    repairs = [option for option in report.options if option.kind == "repair"]
    if repairs:
        yield table(
            (_("Work"), _("Where"), _("Labour"), _("Labour and parts"), _("Ground")),
            (
                (
                    f"{option.what}{f' (not chosen: {option.set_aside})' if option.set_aside else ''}",
                    option.place,
                    money_words(option.labour, report.currency),
                    option.price_words,
                    option.ground,
                )
                for option in repairs
            ),
            (0.3, 0.14, 0.14, 0.2, 0.22),
        )
        yield words(report.price_ground)
    yield table(
        (_("Event"), _("When"), _("How"), _("Who"), _("For what"), _("Limit")),
        ((a.event, a.when, a.how, a.who, a.work, a.limit_words) for a in report.authorisations),
        (0.07, 0.17, 0.11, 0.15, 0.33, 0.17),
        "Authorisations",
    )
    limits = _(" and ").join(report.agreed_limits) or _("none agreed")
    yield words(
        _(
            "Limit in all: {limits}. Further work needs a new yes. Signed: ____________  Date: ____________",
            limits=limits,
        )
    )
