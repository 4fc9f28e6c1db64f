"""What was read before and after the work, what could still hide behind it, and what the car itself still waits for."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

from firstcause.casebook.case import Case, capitals
from firstcause.casebook.events import Counted, Drove, Erased, Event, FreezeFrame, Renewed, Repaired, Snapshot
from firstcause.casebook.evidence import freeze_frame_of
from firstcause.casebook.readings import out_of
from firstcause.casebook.words import count_words as counts_in_words
from firstcause.casebook.words import unit_words, watched_words
from firstcause.handover.facts import CylinderCount, DriveFact, Fact, PermanentNote, Picture, Proof, Readings
from firstcause.handover.plainly import count_words, date_words, listed, moment_words, one_in, sentence
from firstcause.handover.telling import is_change
from firstcause.knowledge.model_numbers import Complaint
from firstcause.roadtest.bound import upper_rate
from firstcause.roadtest.conditions import Verdict
from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.judgement import best
from firstcause.roadtest.permanent import permanent_forecast
from firstcause.roadtest.picture import drive_over_time_svg, drive_title, speed_load_plane_svg
from firstcause.roadtest.rules import MINIMUM_DRIVE
from firstcause.tongue import N_, _

_VERDICTS: Mapping[str, Verdict] = {
    "met": "met", "missed": "missed", "undecided": "undecided", "not evaluated": "not evaluated",
}  # fmt: skip
_BOUND_GROUND = N_("exact one-sided 95 % bound, Clopper and Pearson 1934")


def proof_of(case: Case, asked_for: Iterable[int], complaint: Complaint, logs: Mapping[str, DriveLog]) -> Proof:
    """Readings before the first and after the last change, and every drive; `logs` by the hash of the recording."""
    asked = sorted(asked_for)
    changes = [at for at, event in enumerate(case.effective) if is_change(event.body)]
    first, last = (changes[0], changes[-1]) if changes else (len(case.effective), len(case.effective))
    before, after = (_readings(case, part, complaint) for part in (case.effective[:first], case.effective[last:]))
    drives = tuple(_drive(case, event, complaint, logs) for event in case.effective if isinstance(event.body, Drove))
    worked = any(isinstance(event.body, Renewed | Repaired) for event in case.effective)
    said = _said(before, after, asked, worked, bool(changes), drives, complaint)
    return Proof(worked, before, after, tuple(said), drives)


def _readings(case: Case, events: Sequence[Event], complaint: Complaint) -> Readings | None:
    """All misfire readings among these events added up; None when none was taken."""
    minutes: dict[str, float] = {}
    misfires: dict[int, int] = {}
    firings: dict[int, int] = {}
    sources = []
    for event in events:
        body = event.body
        if not isinstance(body, Counted | Drove) or not body.misfires:
            continue
        watched = out_of(body, case.layout, complaint).count
        if not watched:
            continue
        sources.append(event.id)
        for region, value in body.minutes.items():
            minutes[region] = minutes.get(region, 0.0) + value
        for number, count in body.misfires.items():
            misfires[number] = misfires.get(number, 0) + count
            firings[number] = firings.get(number, 0) + watched
    if not sources:
        return None
    counts = []
    for number in sorted(misfires):
        upper = upper_rate(misfires[number], firings[number])
        counts.append(CylinderCount(number, misfires[number], firings[number], upper, one_in(upper)))
    return Readings(minutes, watched_words(minutes, complaint), tuple(counts), tuple(sources))


def _said(
    before: Readings | None, after: Readings | None, asked: Sequence[int], worked: bool, changed: bool,
    drives: Sequence[DriveFact], complaint: Complaint,
) -> Iterable[Fact]:  # fmt: skip
    if before is not None:
        for count in _asked(before, asked):
            yield Fact(
                f"{_('Before the work') if worked else _('As it came')}: {_counted(count, complaint)}.",
                before.events,
            )
    if after is None:
        if changed:
            yield Fact(_("After the last change {unread}, so nothing is proven yet.", unread=complaint.words.unread))
        return
    yield Fact(
        _(
            "Watched after the {it}: {minutes_words}.",
            it=_("work") if worked else _("last change"),
            minutes_words=after.minutes_words,
        ),
        after.events,
    )
    ground = _(_BOUND_GROUND)
    for count in _asked(after, asked):
        missed = sentence(_counted(count, complaint))
        if complaint.is_seen(count.misfires, count.firings):
            yield Fact(_("{missed} It is still there.", missed=missed), after.events)
            continue
        yield Fact(
            _(
                "{missed} {owner_chance} (95 in 100 sure).",
                missed=missed,
                owner_chance=complaint.words.owner_chance.format(one_in=count_words(count.one_in)),
            ),
            after.events,
            ground,
        )
        ground = ""  # the same for every cylinder: said once
    shown = [drive for drive in drives if drive.event in after.events and drive.came_back is not None]
    for drive in shown[-1:]:
        told = {
            "met": _("The drive came back to the way of driving in which it failed."),
            "missed": _("The drive did not come back to the way of driving in which it failed, so it proves less."),
        }
        back = told.get(
            str(drive.came_back), _("Whether it came back to the way of driving in which it failed is open.")
        )
        yield Fact(back, (drive.event,))


def _counted(count: CylinderCount, complaint: Complaint) -> str:
    """`cylinder 3 missed 180 of 2,000 sparks`, in the words of the pack."""
    numbers = complaint.words.owner_count.format(bad=count_words(count.misfires), of=count_words(count.firings))
    where = unit_words(count.cylinder, complaint)
    return f"{_('the engine') if complaint.unit == 'engine' else where} {numbers}"


def _asked(readings: Readings, asked: Sequence[int]) -> list[CylinderCount]:
    return [count for count in readings.counts if count.cylinder in asked]


def _drive(case: Case, event: Event, complaint: Complaint, logs: Mapping[str, DriveLog]) -> DriveFact:
    body = event.body
    assert isinstance(body, Drove)
    judged = body.judgement or {}
    log = None if body.log_sha256 is None else logs.get(body.log_sha256)
    return DriveFact(
        event=event.id,
        when=moment_words(event.at),
        minutes_words=watched_words(body.minutes, complaint),
        counts_words=counts_in_words(body.misfires, complaint),
        log_sha256=body.log_sha256,
        sentences=tuple(str(each) for each in judged.get("sentences", ())),
        minimum_drive=judged.get("minimum_drive"),
        came_back=judged.get("came_back"),
        pictures=() if log is None else _pictures(log, case.freeze_frame),
        note=body.note,
    )


def _pictures(log: DriveLog, frame: FreezeFrame | None) -> tuple[Picture, ...]:
    near = freeze_frame_of(frame)
    drawn = [
        (drive_over_time_svg(log, near), _("over time")),
        (speed_load_plane_svg(log, near), _("by speed and load")),
    ]
    return tuple(
        Picture(svg, _("{drive_title} drawn {how}.", drive_title=drive_title(log), how=how))
        for svg, how in drawn
        if svg is not None
    )


def permanent_notes(case: Case) -> tuple[PermanentNote, ...]:
    """What the car will still keep on its permanent record, code by code, and until what; dated.

    After an erase with no snapshot since, every code stored before may be on that record, and this is said.
    """
    erases = [event for event in case.effective if isinstance(event.body, Erased)]
    snapshots = [event for event in case.effective if isinstance(event.body, Snapshot)]
    if not snapshots:
        return ()
    last = snapshots[-1]
    assert isinstance(last.body, Snapshot)
    order = {event.id: at for at, event in enumerate(case.effective)}
    erased = bool(erases)
    read_since = not erased or order[last.id] > order[erases[-1].id]
    codes = capitals(last.body.permanent if read_since else (*last.body.permanent, *last.body.stored))
    since = case.effective[order[erases[-1].id] :] if erased else ()
    judged = [event.body.judgement for event in since if isinstance(event.body, Drove) and event.body.judgement]
    sources = (last.id, *(event.id for event in erases[-1:]))
    return tuple(
        _permanent_note(code, erased, read_since, judged, date_words(last.at), sources) for code in dict.fromkeys(codes)
    )


def _permanent_note(
    code: str, erased: bool, read_since: bool, judged: Sequence[Mapping[str, object]], as_of: str,
    sources: tuple[str, ...],
) -> PermanentNote:  # fmt: skip
    drive = best([_verdict(each, "minimum_drive") for each in judged]) if judged else "not evaluated"
    limits = best([_verdict(each, "with_surroundings") for each in judged]) if judged else "not evaluated"
    forecast = permanent_forecast(
        code, erased=erased, monitor_passed=None, minimum_drive=drive, with_surroundings=limits
    )
    steps = {step.id: step for step in forecast.steps}
    if "minimum-drive" in steps:
        waits_for = _(
            "The car clears it by itself after its own check has passed and after one drive like "
            "this: {value:.0f} minutes running, {value2:.0f} of them at 25 mph (40 km/h) or "
            "more, and {value3:.0f} seconds standing at idle.",
            value=MINIMUM_DRIVE.run.value / 60,
            value2=MINIMUM_DRIVE.fast_time.value / 60,
            value3=MINIMUM_DRIVE.idle_time.value,
        )
        if steps["minimum-drive"].state == "done":
            waits_for += _(" Our road test was such a drive.")
    elif "lamp-rule" in steps:
        waits_for = _("It goes when the car turns its warning lamp off by its own rule.")
    else:
        waits_for = _("The car clears it by itself after one drive in which its own check ran and passed.")
    if forecast.readings:
        waits_for += _(" The rule can be read in more than one way; our record shows each.")
    return PermanentNote(code, as_of, read_since, waits_for, forecast.sentence, forecast.readings, sources)


def permanent_words(case: Case, notes: Sequence[PermanentNote]) -> Iterable[Fact]:
    """The permanent record told to the owner, codes that wait for the same together; that it is empty, if read so."""
    groups: dict[tuple[bool, str, str], list[PermanentNote]] = {}
    for note in notes:
        groups.setdefault((note.read, note.as_of, note.waits_for), []).append(note)
    for (read, as_of, waits_for), alike in groups.items():
        yield Fact(
            _(
                "The car {it} {listed} on a permanent record that no tool can erase (read {as_of}). {waits_for}",
                it=_("keeps") if read else _("may keep"),
                listed=listed([note.code for note in alike]),
                as_of=as_of,
                waits_for=waits_for,
            ),
            alike[0].events,
        )
    last = next((event for event in reversed(case.effective) if isinstance(event.body, Snapshot)), None)
    if last is not None and isinstance(last.body, Snapshot) and last.body.source == "wire" and not notes:
        yield Fact(
            _("Read {date_words}: the car keeps nothing on its permanent record.", date_words=date_words(last.at)),
            (last.id,),
        )


def _verdict(judged: Mapping[str, object], key: str) -> Verdict:
    return _VERDICTS.get(str(judged.get(key)), "not evaluated")


def incomplete_checks(case: Case) -> Fact | None:
    """Which of the car's own checks had not run at the last look."""
    for event in reversed(case.effective):
        if isinstance(event.body, Snapshot) and event.body.readiness_incomplete is not None:
            if not event.body.readiness_incomplete:
                return None
            return Fact(
                _(
                    "The car's own checks had not all run ({readiness_incomplete}). An emissions test "
                    "can fail until they have.",
                    readiness_incomplete=listed(event.body.readiness_incomplete),
                ),
                (event.id,),
            )
    return None
