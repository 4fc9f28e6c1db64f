"""A recorded drive as an event of its case: judged, weighed, and later heard beside what the car itself says of it."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

from firstcause.casebook.case import Case
from firstcause.casebook.cured import drive_effect
from firstcause.casebook.events import Drove, Erased, Event, Snapshot
from firstcause.casebook.evidence import drive_facts, drove_event, freeze_frame_of
from firstcause.casebook.road import spacing_of
from firstcause.errors import FirstcauseError
from firstcause.knowledge.base import Knowledge
from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.judgement import DriveFacts, judge_drive
from firstcause.roadtest.testimony import Testimony, car_testimony
from firstcause.signals.snapshot import Snapshot as WireSnapshot


def facts_beside(case: Case, knowledge: Knowledge) -> DriveFacts:
    """What the case knows beside a recording, with the spacing of the bouts of the fault that is to be ruled out."""
    return replace(drive_facts(case), bout_spacing_min=spacing_of(case, knowledge))


def drove_from(
    case: Case, knowledge: Knowledge, log: DriveLog, log_sha256: str | None = None, note: str = ""
) -> Drove:  # fmt: skip
    """The event of a recorded drive: its judgement, and under `case` what it says to the case as it stood before it.

    Raises a CaseError for a count that cannot be.
    """
    judged = judge_drive(log, freeze_frame_of(case.freeze_frame), facts_beside(case, knowledge))
    drove = drove_event(judged, log, log_sha256, note)
    effect = drive_effect(case, knowledge, drove, log_sha256)
    told = {**(drove.judgement or {}), "case": {**effect.to_dict(), "sentences": effect.sentences()}}
    return drove.model_copy(update={"judgement": told})


@dataclass(frozen=True, slots=True)
class Heard:
    """What the car itself says of a drive, and the two readings (event ids) that it is heard between."""

    testimony: Testimony
    before: str
    after: str


def heard_of(case: Case, drive: str) -> Heard | None:
    """What the car says of the drive with this event id; None when it was not read before and after it.

    The reading after is the first one that follows the drive, before another drive or an erase. When none follows, the
    last two before it are taken: a recording is often taken in after both. Readings typed by hand hold no counters.
    """
    at = next((place for place, event in enumerate(case.effective) if event.id == drive), None)
    if at is None:
        return None
    body = case.effective[at].body
    if not isinstance(body, Drove) or not body.judgement:
        return None
    earlier = _readings(case.effective[:at])
    later = _readings(_until_the_next(case.effective[at + 1 :]))
    pairs = [(earlier[-1], later[0])] if earlier and later else []
    if len(earlier) >= 2:
        pairs.append((earlier[-2], earlier[-1]))
    for (first, before), (second, after) in pairs:
        told = car_testimony(before, after, body.judgement)
        if told.words:
            return Heard(told, first, second)
    return None


def _until_the_next(events: tuple[Event, ...]) -> tuple[Event, ...]:
    """The events up to another drive or an erase."""
    stop = next((at for at, event in enumerate(events) if isinstance(event.body, Drove | Erased)), len(events))
    return events[:stop]


def _readings(events: tuple[Event, ...]) -> list[tuple[str, WireSnapshot]]:
    """The whole readings of the car among these events since the last erase, by event id."""
    found: list[tuple[str, WireSnapshot]] = []
    for event in events:
        if isinstance(event.body, Erased):
            found.clear()
        elif isinstance(event.body, Snapshot) and event.body.record is not None:
            whole = _whole(event.body.record)
            if whole is not None:
                found.append((event.id, whole))
    return found


def _whole(record: Mapping[str, Any]) -> WireSnapshot | None:
    try:
        return WireSnapshot.from_json(json.dumps(record))
    except FirstcauseError:
        return None
