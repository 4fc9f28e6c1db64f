"""Where the car's own records stand by all that the case knows, and what they will do next in the owner's driving."""

from __future__ import annotations

import json
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date
from typing import Any

from firstcause.casebook.case import Case, capitals
from firstcause.casebook.events import Drove, Erased, Snapshot
from firstcause.casebook.evidence import freeze_frame_of, snapshot_event
from firstcause.errors import FirstcauseError
from firstcause.roadtest.coming import Coming, coming
from firstcause.roadtest.coming_days import ALL_CHECKS, Asked, Standing
from firstcause.roadtest.cycles import cycles_of, kept_open, where_of
from firstcause.roadtest.inspection import INSPECTIONS
from firstcause.roadtest.permanent import code_kind
from firstcause.roadtest.records import (
    CodeRecord,
    PermanentRecord,
    Records,
    RuleReading,
    Sighting,
    after_cycle,
    erased,
    monitor_of,
)
from firstcause.roadtest.usual import UsualDriving
from firstcause.roadtest.window import FreezeFrame
from firstcause.signals.readiness import Readiness
from firstcause.signals.snapshot import Snapshot as WireSnapshot


@dataclass(frozen=True)
class FreshDrive:
    """A drive that is judged now and is not in the case yet.

    `after`: what the car said after it, where it was asked; `ran`: which self-checks it said had run, if only that.
    """

    judged: Mapping[str, Any]
    after: WireSnapshot | None = None
    ran: Mapping[str, bool] | None = None


@dataclass
class _Both:
    """The records at best and at worst, brought forward event by event."""

    best: Records
    worst: Records
    before: Records
    checks: tuple[str, ...] = ALL_CHECKS
    warm_ups: int = 0
    erased: bool = False
    left_open: tuple[str, ...] = ()


def usual_of(case: Case) -> UsualDriving:
    """The owner's ordinary week as told, else that of a private car."""
    week = case.story.usual_week
    if week is None:
        return UsualDriving()
    return UsualDriving(week.starts, min(week.cold_starts, week.starts), week.km, told=True)


def coming_of(
    case: Case, on: date, usual: UsualDriving | None = None, fresh: Sequence[FreshDrive] = ()
) -> Coming | None:
    """What the car will do next, from `on`; None when the case knows nothing of the car's records.

    `fresh` are drives that the case does not hold yet. Pure.
    """
    if not case.bodies(Snapshot):
        return None
    frame = freeze_frame_of(case.freeze_frame)
    year = case.car.model_year
    asked = Asked(frame, usual or usual_of(case), on, () if year is None else INSPECTIONS, year)
    return coming(lambda reading: standing_of(case, frame, reading, fresh), asked)


def standing_of(
    case: Case, frame: FreezeFrame | None, reading: RuleReading, fresh: Sequence[FreshDrive] = ()
) -> Standing:
    """The records after everything that the case tells, and after the fresh drives, the rules read in this way."""
    sound = Records((), (), frozenset(ALL_CHECKS))
    both = _Both(sound, sound, sound)
    known: list[Any] = []
    for body in (event.body for event in case.effective):
        if isinstance(body, Snapshot):
            _read(both, body, frame)
        elif isinstance(body, Erased):
            both.best, both.worst = erased(both.best), erased(both.worst)
            both.before = both.worst
            both.warm_ups, both.erased, both.left_open = 0, True, ()
        elif isinstance(body, Drove) and body.judgement:
            known.append(body.judgement.get("trips"))
            _drive(both, case, body.judgement, {}, frame, reading)
    for drive in fresh:
        if drive.judged.get("trips") not in known:
            ran = _ran(drive.after) if drive.ran is None else drive.ran
            _drive(both, case, drive.judged, ran, frame, reading)
        if drive.after is not None:
            _read(both, snapshot_event(drive.after), frame)
    return Standing(both.best, both.worst, both.before, both.checks, both.warm_ups, 0.0, both.left_open)


def _ran(after: WireSnapshot | None) -> dict[str, bool]:
    """Which self-checks the car says have run in the driving cycle just ended."""
    units = () if after is None else after.units
    cycle = next((unit.readiness_this_cycle for unit in units if unit.readiness_this_cycle), None)
    if cycle is None:
        return {}
    return {each.name: bool(each.complete) for each in cycle.monitors if each.supported}


def _drive(
    both: _Both, case: Case, judged: Mapping[str, Any], ran: Mapping[str, bool], frame: FreezeFrame | None,
    reading: RuleReading,
) -> None:  # fmt: skip
    stored = (*(each.code for each in both.worst.codes), *both.worst.on_permanent)
    codes = tuple(dict.fromkeys(stored))
    seen = cycles_of(judged, codes, frame, cylinders=case.layout.count, ran=ran, reading=reading)
    for cycle in seen:
        both.best = after_cycle(both.best, cycle.at_best, reading)
        was_complete = both.worst.complete
        both.worst = after_cycle(both.worst, cycle.at_worst, reading)
        if any(isinstance(each, Sighting) for each in cycle.at_worst.happened):
            # found once and no lamp for it: the check stays open, which is worse for readiness than the lamp's rule
            both.worst = replace(both.worst, complete=both.worst.complete - ({"misfire"} - was_complete))
        both.warm_ups += cycle.at_worst.warm_up
    both.left_open = tuple(dict.fromkeys((*both.left_open, *kept_open(seen))))


def _read(both: _Both, said: Snapshot, frame: FreezeFrame | None) -> None:
    """What was read from the car goes before what was worked out; how long a code has been quiet stays as reckoned."""
    readiness = _readiness(said)
    lamp = None if readiness is None else readiness.lamp_on
    both.best, both.worst = (_as_read(old, said, lamp, frame, both.erased) for old in (both.best, both.worst))
    if readiness is not None:
        both.checks = tuple(each.name for each in readiness.monitors if each.supported and each.name != "comprehensive")
        complete = frozenset(each.name for each in readiness.monitors if each.complete)
    elif said.readiness_incomplete is not None:
        both.checks = tuple(dict.fromkeys((*both.checks, *said.readiness_incomplete)))
        complete = frozenset(both.checks) - frozenset(said.readiness_incomplete)
    else:
        complete = both.worst.complete
    both.best, both.worst = replace(both.best, complete=complete), replace(both.worst, complete=complete)
    both.before = both.worst


def _readiness(said: Snapshot) -> Readiness | None:
    if said.record is None:
        return None
    try:
        whole = WireSnapshot.from_json(json.dumps(said.record))
    except FirstcauseError:
        return None
    return next((unit.readiness for unit in whole.units if unit.readiness), None)


def _as_read(
    old: Records, said: Snapshot, lamp: bool | None, frame: FreezeFrame | None, was_erased: bool
) -> Records:  # fmt: skip
    stored, pending = capitals(said.stored), capitals(said.pending)
    before = {each.code: each for each in old.codes}
    codes = []
    for code in dict.fromkeys((*stored, *pending)):
        compared = code_kind(code) in ("misfire", "fuel system")
        new = before.get(code) or CodeRecord(code, monitor_of(code), where_of(frame) if compared else None)
        age = (new.pending_age or 1) if code in pending else None
        codes.append(
            replace(new, pending_age=age, confirmed=code in stored, lamp=code in stored and lamp is not False)
        )  # fmt: skip
    return replace(old, codes=tuple(codes), permanent=tuple(_permanent(old, said, was_erased)))


def _permanent(old: Records, said: Snapshot, was_erased: bool) -> Iterable[PermanentRecord]:
    read = capitals(said.permanent)
    kept = {each.code: each for each in old.permanent}
    if said.source != "wire" and not read:
        return tuple(kept.values())  # by hand an empty list may mean that nobody read it
    return tuple(kept.get(code) or PermanentRecord(code, monitor_of(code), after_erase=was_erased) for code in read)
