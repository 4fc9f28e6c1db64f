"""What a reading covers: the region of a freeze frame, what a count is out of."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from firstcause.casebook.events import Counted, Drove, FreezeFrame, Region
from firstcause.knowledge.model_numbers import Complaint
from firstcause.vehicle.layout import EngineLayout

# All of these are judgement: where one way of running ends and the next begins is not written anywhere.
COLD_COOLANT_C = 50.0
COLD_RUN_TIME_S = 180.0
IDLE_SPEED_KMH = 1.6
IDLE_RPM = 1100.0
LOAD_PERCENT = 60.0
USUAL_RPM: Mapping[Region, float] = {"cold-start": 1100.0, "idle": 750.0, "cruise": 2000.0, "load": 2800.0}
OTHER_RPM = 1500.0
HIGHEST_MEAN_RPM = 8000.0  # no engine of these cars runs faster on average over a reading


def region_of(frame: FreezeFrame) -> Region | None:
    """The way of running that a freeze frame shows; None when it holds too little to tell.

    Cold start: coolant below 50 degC and less than 180 s since the start. Idle: at most 1.6 km/h and below 1100 rpm.
    Load: calculated load of 60 % or more. Anything else in which a speed, an engine speed or a load is known: cruise.

    Source: judgement (ours).
    """
    coolant_c, run_time_s, speed_kmh, rpm = frame.coolant_c, frame.run_time_s, frame.speed_kmh, frame.rpm
    if coolant_c is not None and run_time_s is not None and coolant_c < COLD_COOLANT_C and run_time_s < COLD_RUN_TIME_S:
        return "cold-start"
    if speed_kmh is not None and rpm is not None and speed_kmh <= IDLE_SPEED_KMH and rpm < IDLE_RPM:
        return "idle"
    if frame.load_percent is not None and frame.load_percent >= LOAD_PERCENT:
        return "load"
    if speed_kmh is None and rpm is None and frame.load_percent is None:
        return None
    return "cruise"


@dataclass(frozen=True)
class Firings:
    """Ignition events of one cylinder during a reading, and what had to be assumed to say so."""

    count: int
    assumptions: tuple[str, ...] = ()
    impossible: str | None = None


def firings_of(body: Counted | Drove, layout: EngineLayout) -> Firings:
    """Ignition events of one cylinder behind a misfire count.

    As given; else the sum over regions of minutes x rpm / 2 (four-stroke), with the rpm given or a usual one for the
    region. A count above such an estimate lifts it (a dead cylinder misses every event) as long as the engine could
    have turned that fast; beyond that, or above a stated number, `impossible` says why.
    """
    most = max(body.misfires.values(), default=0)
    if body.firings is not None:
        too_many = f"{most} are counted out of {body.firings}" if most > body.firings else None
        return Firings(body.firings, impossible=too_many)
    assumptions = []
    total = 0.0
    for region, minutes in body.minutes.items():
        rpm = USUAL_RPM.get(region, OTHER_RPM) if body.rpm is None else body.rpm
        total += minutes * layout.firings_per_minute(rpm)
        if body.rpm is None and minutes > 0:
            assumptions.append(f"engine speed was not given: {rpm:.0f} rpm assumed for {minutes:g} min of {region}")
    count = round(total)
    if most > count:
        if most > sum(body.minutes.values()) * layout.firings_per_minute(HIGHEST_MEAN_RPM):
            why = f"{most} misfires in {sum(body.minutes.values()):g} min are more than the cylinder can have fired"
            return Firings(count, impossible=why)
        assumptions.append(f"{most} misfires are more than the {count} ignition events estimated: {most} taken instead")
        count = most
    return Firings(count, tuple(assumptions))


def out_of(body: Counted | Drove, layout: EngineLayout, complaint: Complaint) -> Firings:
    """Of how many a count is: ignition events of one cylinder, or the pack's own chances in what was watched."""
    if complaint.out_of == "ignition-events":
        return firings_of(body, layout)
    if body.firings is not None:
        return Firings(body.firings)
    return Firings(round(sum(body.minutes.values()) * complaint.per_watched))
