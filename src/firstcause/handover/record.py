"""What only the technician's record holds: every event, every suspect, every number with its limit, the ledger."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from firstcause.bench.reading import BenchJudgement
from firstcause.casebook.case import Case
from firstcause.casebook.doubts import conflict_words
from firstcause.casebook.events import Attached, Closed, Event, Found, FreezeFrame, Snapshot
from firstcause.casebook.ledger import Ledger
from firstcause.casebook.weighing import WeighedCase
from firstcause.casebook.words import say
from firstcause.handover.causes import Causes
from firstcause.handover.facts import CauseFact, Fact, LedgerRow, Measured, RecordFacts, TimelineRow
from firstcause.handover.plainly import moment_words
from firstcause.handover.telling import parts_in_words
from firstcause.tongue import _

_FRAME_NAMES: Mapping[str, tuple[str, str, int]] = {  # name, unit, digits after the point
    "code": ("Code", "", 0),
    "rpm": ("Engine speed", "rpm", 0),
    "load_percent": ("Calculated load", "%", 0),
    "coolant_c": ("Coolant", "°C", 0),
    "speed_kmh": ("Vehicle speed", "km/h", 0),
    "run_time_s": ("Time since start", "s", 0),
    "short_trim_percent": ("Short fuel trim", "%", 1),
    "long_trim_percent": ("Long fuel trim", "%", 1),
}


def record_of(weighed: WeighedCase, causes: Causes, tell: Callable[[str], str]) -> RecordFacts:
    """Everything for the record."""
    case, knowledge = weighed.case, weighed.knowledge
    state = "cured" if case.state == "open" else case.state
    against = case.closing.despite if case.closing is not None else ()
    now = tuple(f"{each.words} {each.settle}".strip() for each in weighed.objections[state])  # type: ignore[index]
    return RecordFacts(
        timeline=tuple(_row(case, event, weighed) for event in case.events),
        suspects=_suspects(causes),
        measured=tuple(
            _measured(case, event_id, judged, weighed) for event_id, judged in weighed.read.judgements.items()
        ),
        ledger=_ledger(weighed.ledger),
        codes=tuple(_codes(case)),
        freeze_frame=() if case.freeze_frame is None else frame_rows(case.freeze_frame),
        notes=tuple(Fact(note.text, (note.event,)) for note in weighed.read.notes),
        conflicts=tuple(
            Fact(conflict_words(conflict, case, knowledge), conflict.happenings)
            for conflict in weighed.weighing.conflicts
        ),
        objections=tuple(Fact(parts_in_words(words, knowledge)) for words in dict.fromkeys((*against, *now))),
        attachments=tuple(
            Fact(
                _(
                    "{name} ({media_type}, {size_bytes:,} bytes): {about}. SHA-256 {sha256}.",
                    name=body.name,
                    media_type=body.media_type,
                    size_bytes=body.size_bytes,
                    about=body.about,
                    sha256=body.sha256,
                )
            )
            for body in case.bodies(Attached)
        ),
        knowledge_pack=knowledge.pack,
        knowledge_version=knowledge.version,
    )


def _suspects(causes: Causes) -> tuple[CauseFact, ...]:
    return tuple(sorted((*causes.removed, *causes.open), key=lambda cause: -cause.chance))


def _row(case: Case, event: Event, weighed: WeighedCase) -> TimelineRow:
    body = event.body
    note = getattr(body, "note", "")
    standing = "counts"
    if event.id in case.withdrawn:
        standing = _("withdrawn by {withdrawn}", withdrawn=case.withdrawn[event.id])
    elif event.id in case.corrected:
        standing = _("corrected by {corrected}", corrected=case.corrected[event.id])
    not_done = body.not_done if isinstance(body, Closed) else ()
    return TimelineRow(
        event=event.id,
        when=moment_words(event.at),
        by=event.by,
        words=say(body, weighed.knowledge),
        note="; ".join(part for part in (note, *not_done) if part),
        standing=standing,
    )


def _measured(case: Case, event_id: str, judged: BenchJudgement, weighed: WeighedCase) -> Measured:
    body = next(event.body for event in case.effective if event.id == event_id)
    assert isinstance(body, Found)
    test = weighed.knowledge.tests[body.test]
    outcome = next((each.name for each in test.outcomes if each.id == judged.outcome), _("decides nothing alone"))
    return Measured(
        event=event_id,
        test=test.name,
        place=body.place,
        value=f"{judged.value:.4g} {judged.unit}",
        limit=f"{judged.limit:.4g} {judged.unit}",
        source=judged.limit_source if judged.mark in judged.limit_source else f"{judged.limit_source} ({judged.mark})",
        outcome=outcome,
        sentence=" ".join((judged.sentence, *judged.notes)),
    )


def _ledger(ledger: Ledger) -> tuple[LedgerRow, ...]:
    rows = [
        LedgerRow(part.serial, _at(part.now), _at(part.home), _("must go back; mark: {it}", it=part.mark or "none"))
        for part in ledger.put_back
    ]
    fitment = ledger.fitment
    for each in ledger.replaced:
        here = fitment.where(each.new)
        if here is not None:  # one that was taken out again has its row among the old ones
            fitted = _("new, fitted to {at}", at=_at(fitment.home[each.new][1]))
            rows.append(
                LedgerRow(
                    each.new,
                    _at(here[1]),
                    fitted,
                    _("{fitted}; replaced {old} ({event})", fitted=each.fitted, old=each.old, event=each.event),
                )
            )
    for each in ledger.replaced:
        note = _("{old_part}; taken out at {at} ({event})", old_part=each.old_part, at=_at(each.at), event=each.event)
        rows.append(LedgerRow(each.old, _("out of the car"), _at(fitment.home[each.old][1]), note))
    return tuple(rows)


def _at(cylinders: tuple[int, ...]) -> str:
    return f"cylinder {'-'.join(map(str, cylinders))}"


def _codes(case: Case) -> list[Fact]:
    told = []
    for event in case.effective:
        body = event.body
        if isinstance(body, Snapshot):
            lists = (("stored", body.stored), ("pending", body.pending), ("permanent", body.permanent))
            said = "; ".join(f"{name}: {', '.join(codes) or 'none'}" for name, codes in lists)
            checks = body.readiness_incomplete
            ready = "" if checks is None else _("; checks not complete: {it}", it=", ".join(checks) or "none")
            ids = _("; calibration {listed}", listed=", ".join(body.calibration_ids)) if body.calibration_ids else ""
            told.append(Fact(f"{moment_words(event.at)} ({body.source}): {said}{ready}{ids}", (event.id,)))
    return told


def frame_rows(frame: FreezeFrame) -> tuple[tuple[str, str], ...]:
    """What a freeze frame holds, name and value; rounded to the unit, fuel trims to a tenth: the car knows no more."""
    return tuple(
        (name, value if isinstance(value, str) else f"{value:.{digits}f} {unit}")
        for key, (name, unit, digits) in _FRAME_NAMES.items()
        if (value := getattr(frame, key)) is not None
    )
