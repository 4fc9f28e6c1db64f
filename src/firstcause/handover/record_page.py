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

_VERDICTS: Mapping[str, str] = {
    "stop": "do not start it, do not drive it",
    "move-only": "move it only if it must be moved",
    "with-care": "it may be driven gently",
    "not-told": "nothing was told that says whether it may be driven",
}


def record_page(report: Report) -> Page:
    """The whole record, made from nothing but the report."""
    record = report.record
    sections: Iterable[Section | None] = (
        section("The car", "wide", table(("", ""), _car(report), (0.3, 0.7))),
        section("Complaint and first decision", "wide", points(report.complaint), points(_decision(report))),
        section("Finding", "wide", points((*report.cause_words, *report.how_we_know))),
        section("The engine", "wide", drawing(report.engine, report.engine.alt, 90)),
        None if report.evidence is None else section("The evidence", "wide", drawing(report.evidence, "", 70)),
        section(
            "Causes and what moved them",
            "wide",
            words(f"Chance that some cause of the complaint still stands: {chance_number(report.still_open_chance)}."),
            table(
                ("Cause", "Where", "Chance", "State", "For (+) and against (-), in decibans"),
                (_suspect(cause) for cause in record.suspects),
                (0.26, 0.12, 0.09, 0.1, 0.43),
                "Chance: posterior probability. Decibans: ten times the decimal log of the odds. The way begins with "
                "how frequent the cause is before any finding; each event has its fair share, and the shares add up.",
            ),
            words(CAUTION) if any(cause.chance >= HIGH for cause in record.suspects) else None,
            *_way_of_likeliest(record.suspects),
        ),
        section(
            "Spoilt by something else",
            "wide",
            table(
                ("Part", "Where", "Chance", "State", "Causes that may stand behind it"),
                (
                    (
                        victim.name,
                        victim.place,
                        chance_number(victim.chance),
                        "renewed" if victim.renewed else "in the car",
                        "; ".join(f"{name} {chance_number(chance)}" for name, chance in victim.behind),
                    )
                    for victim in report.victims
                ),
                (0.22, 0.13, 0.1, 0.12, 0.43),
            ),
        ),
        section(
            "Codes, checks, calibration",
            "wide",
            points(record.codes),
            points(report.other_codes),
            table(("Freeze frame", "Value"), record.freeze_frame, (0.4, 0.6)),
        ),
        section(
            "Measured at the bench",
            "wide",
            table(
                ("Event", "Test", "Where", "Value", "Limit", "Outcome, source"),
                (
                    (m.event, m.test, m.place, m.value, m.limit, f"{m.outcome}. {m.sentence} {m.source}")
                    for m in record.measured
                ),
                (0.07, 0.17, 0.1, 0.11, 0.11, 0.44),
            ),
        ),
        section("Readings", "wide", points(report.proof.said), *_readings(report)),
        section("Road tests", "wide", *_drives(report.proof.drives)),
        section(
            "Parts ledger",
            "wide",
            table(
                ("Part", "Sits in", "Came from", "Note"),
                ((row.part, row.now, row.came_from, row.note) for row in record.ledger),
                (0.18, 0.18, 0.18, 0.46),
            ),
        ),
        section("Done", "wide", points((*report.done, *report.moved, *report.old_parts))),
        section("Not done", "wide", points(report.not_done)),
        section(
            "What may come back, what to watch", "wide", points((*report.returns, *report.watch, *report.cautions))
        ),
        section("Permanent record", "wide", points(_permanent(report))),
        section("Estimate and authorisation", "wide", *_estimate(report)),
        section("What does not go together", "wide", points(record.conflicts)),
        section("Against closing", "wide", points(record.objections)),
        section("Assumed or not weighed", "wide", points(record.notes)),
        section("Kept files", "wide", points(record.attachments)),
        section(
            "Everything recorded",
            "wide",
            table(
                ("Event", "When", "By", "What", "Standing"),
                (
                    (row.event, row.when, row.by, f"{row.words}{f' ({row.note})' if row.note else ''}", row.standing)
                    for row in record.timeline
                ),
                (0.07, 0.16, 0.12, 0.5, 0.15),
            ),
        ),
    )
    return Page(
        title=f"Work record: {report.title}",
        lines=(f"{report.shop or 'The workshop'}. {_whose(report)} Printed {report.date}.",),
        headline=f"State: {report.state}{'' if not report.against_closing else '. ' + report.headline}",
        meaning=report.words_at_closing or report.headline,
        sections=tuple(each for each in sections if each is not None),
        footer=(
            f"Seal of the last event (SHA-256 chain): {report.head}. Whether the case still is what this paper says: "
            "`firstcause case check CASE --head SEAL`.",
            f"Knowledge: {record.knowledge_pack}, version {record.knowledge_version}. {NOT_LEGAL}",
        ),
        author=report.shop or "the workshop",
        made_at=report.made_at,
    )


def _car(report: Report) -> list[tuple[str, str]]:
    return [*report.car, *((("Plate", report.plate),) if report.plate else ())]


def _whose(report: Report) -> str:
    if not report.owner:
        return ""
    return f"Owner: {report.owner}{f', {report.phone}' if report.phone else ''}."


def _decision(report: Report) -> Iterable[Fact]:
    decision = report.first_decision
    yield Fact(f"First decision: {_VERDICTS[decision.verdict]}.")
    yield from (Fact(words) for words in (*decision.owner, *decision.do, *decision.cautions))


def _suspect(cause: CauseFact) -> tuple[str, ...]:
    return (cause.name, cause.place, chance_number(cause.chance), cause.state, _way(cause))


def _way_of_likeliest(causes: Sequence[CauseFact]) -> Iterable[Block]:
    """The picture of what moved the likeliest cause."""
    for cause in causes[:1]:
        way = way_picture(cause)
        if way is not None:
            yield words(f"What moved the likeliest, {cause.name} ({cause.place}), finding by finding:")
            yield drawing(way, "", 70)


def _way(cause: CauseFact) -> str:
    """From before any finding to now: `from 1 in 400; e3 +14.1; e4 +11.7; e5, e6 together -0.6`."""
    if cause.reasons is None:
        return "not worked out for causes as unlikely as this"
    pieces = (piece for piece in cause.reasons.pieces if abs(piece.decibans) >= 0.05)
    said = [
        f"{', '.join(piece.happenings)}{' together' if len(piece.happenings) > 1 else ''} {piece.decibans:+.1f}"
        for piece in pieces
    ]
    return "; ".join([f"from {one_in(cause.reasons.start)}", *said])


def _readings(report: Report) -> Iterable[Block]:
    for name, readings in (("Before the first change", report.proof.before), ("After the last", report.proof.after)):
        if readings is not None:
            yield table(
                (*(word.capitalize() for word in (report.unit, *report.counted)), "At most, 95 % one-sided"),
                (
                    (str(c.cylinder), f"{c.misfires:,}", f"{c.firings:,}", f"{100 * c.upper_share:.3g} %")
                    for c in readings.counts
                ),
                (0.2, 0.2, 0.25, 0.35),
                f"{name}: {readings.minutes_words} ({', '.join(readings.events)}). "
                "Exact bound by Clopper and Pearson, 1934.",
            )


def _drives(drives: Iterable[DriveFact]) -> Iterable[Block]:
    for drive in drives:
        note = f" {drive.note}." if drive.note else ""
        yield Paragraph(item(Fact(f"{drive.when}: {drive.minutes_words}; {drive.counts_words}.{note}", (drive.event,))))
        if drive.log_sha256 is not None:
            lost = "" if drive.pictures else " No picture: the recording could not be read when this was printed."
            yield words(f"Recording SHA-256 {drive.log_sha256}.{lost}")
        yield points(Fact(said) for said in drive.sentences)
        for picture in drive.pictures:
            yield drawing(picture, picture.alt, 90)


def _permanent(report: Report) -> Iterable[Fact]:
    for note in report.permanent:
        yield Fact(f"{note.sentence} Read {note.as_of}.", note.events)
        yield from (Fact(reading) for reading in note.readings)


def _estimate(report: Report) -> Iterable[Block]:
    repairs = [option for option in report.options if option.kind == "repair"]
    if repairs:
        yield table(
            ("Work", "Where", "Labour", "Labour and parts", "Ground"),
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
        ("Event", "When", "How", "Who", "For what", "Limit"),
        ((a.event, a.when, a.how, a.who, a.work, a.limit_words) for a in report.authorisations),
        (0.07, 0.17, 0.11, 0.15, 0.33, 0.17),
        "Authorisations",
    )
    limits = " and ".join(report.agreed_limits) or "none agreed"
    yield words(f"Limit in all: {limits}. Further work needs a new yes. Signed: ____________  Date: ____________")
