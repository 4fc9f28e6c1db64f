"""From what was read over the wire or recorded on a drive to events of the case, and what a drive is judged by."""

from __future__ import annotations

import json
from collections.abc import Mapping

from firstcause.casebook.case import Case
from firstcause.casebook.events import Counted, Drove, Erased, FreezeFrame, Region, Snapshot
from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.judgement import DriveFacts, DriveJudgement
from firstcause.roadtest.regions import REGIONS, minutes_by_region
from firstcause.roadtest.window import FreezeFrame as TargetFrame
from firstcause.signals.codes import TroubleCode
from firstcause.signals.monitors import MisfireCount
from firstcause.signals.snapshot import Snapshot as WireSnapshot


def snapshot_event(snapshot: WireSnapshot) -> Snapshot:
    """The event that keeps a wire snapshot whole, with what a case asks for first pulled out of it."""

    def number(name: str) -> float | None:
        value = snapshot.freeze_value(name)
        return float(value) if isinstance(value, int | float) else None

    def texts(codes: tuple[TroubleCode, ...]) -> tuple[str, ...]:
        return tuple(code.text for code in codes)

    code = next((unit.freeze_code for unit in snapshot.units if unit.freeze_code), None)
    frame = FreezeFrame(
        code=code,
        rpm=number("engine_rpm"),
        load_percent=number("load_pct"),
        coolant_c=number("coolant_c"),
        speed_kmh=number("speed_kmh"),
        run_time_s=number("run_time_s"),
        short_trim_percent=number("short_trim_b1_pct"),
        long_trim_percent=number("long_trim_b1_pct"),
    )
    readiness = next((unit.readiness for unit in snapshot.units if unit.readiness), None)
    return Snapshot(
        source="wire",
        stored=texts(snapshot.codes("confirmed")),
        pending=texts(snapshot.codes("pending")),
        permanent=texts(snapshot.codes("permanent")),
        freeze_frame=frame if code else None,
        readiness_incomplete=None if readiness is None else tuple(readiness.incomplete),
        calibration_ids=tuple(name for unit in snapshot.units for name in unit.calibration_ids or ()),
        record=json.loads(snapshot.to_json()),
    )


def counted_event(
    counts: tuple[MisfireCount, ...], minutes: Mapping[Region, float], rpm: float | None, note: str = ""
) -> Counted:
    """Misfires counted in the driving cycle just watched, as the car's own counters of this cycle tell them."""
    misfires = {count.cylinder: count.last_cycle for count in counts if count.last_cycle is not None}
    return Counted(minutes=dict(minutes), rpm=rpm, misfires=misfires, note=note)


def drove_event(judgement: DriveJudgement, log: DriveLog, log_sha256: str | None, note: str = "") -> Drove:
    """The event that keeps a road test: minutes by region, misfires and firings where counted, the judgement."""
    watched = minutes_by_region(log)
    minutes: dict[Region, float] = {region: round(watched[region], 1) for region in REGIONS if region in watched}
    misfires = dict(judgement.misfires or {})
    firings = round(judgement.events_per_cylinder) or None
    return Drove(
        minutes=minutes,
        firings=firings if misfires else None,
        misfires=misfires,
        log_sha256=log_sha256,
        judgement=judgement.to_dict(),
        note=note,
    )


def freeze_frame_of(frame: FreezeFrame | None) -> TargetFrame | None:
    """The stored freeze frame as the road test's target; None when it holds no engine speed."""
    if frame is None or frame.rpm is None:
        return None
    return TargetFrame(frame.rpm, frame.load_percent, frame.coolant_c)


def drive_facts(case: Case) -> DriveFacts:
    """What the case knows beside a recording: the misfire code, whether codes were erased, how many cylinders."""
    stored = case.codes.stored if case.codes else ()
    earlier = [code for body in case.bodies(Snapshot) for code in body.stored]
    codes = [*stored, *earlier]
    return DriveFacts(
        code=next((code for code in codes if TroubleCode(code).is_misfire), next(iter(codes), None)),
        erased=bool(case.bodies(Erased)),
        cylinders=case.layout.count,
    )
