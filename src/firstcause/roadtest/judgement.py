"""One recorded drive judged as proof of a repair: conditions, return to the failure, what could still hide."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from firstcause.roadtest.bound import (
    DEFAULT_CONFIDENCE,
    events_needed,
    minutes_needed,
    quiet_probability,
    shortest_spacing_min,
    upper_rate,
)
from firstcause.roadtest.conditions import (
    Item,
    MinimumDriveResult,
    Verdict,
    combine,
    minimum_drive,
    surroundings,
    warm_up,
)
from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.overrun import fired_timeline
from firstcause.roadtest.permanent import Forecast, code_forecasts, lamp_forecast, permanent_forecast
from firstcause.roadtest.rules import EMISSION_WINDOW
from firstcause.roadtest.timeline import YES, Timeline
from firstcause.roadtest.trips import Trip, split_trips
from firstcause.roadtest.window import (
    FreezeFrame,
    LoadReading,
    WindowResult,
    events_in,
    judge_window,
    misfires_counted,
    most_misfires_in,
    total_counts,
    window_timeline,
)


@dataclass(frozen=True)
class DriveFacts:
    """What the technician and the case know beside the recording. What is not known stays None.

    `misfires`: what the counters rose by on this drive, read with the tool, by cylinder (used when the recording
    has no counters). `bout_spacing_min`: mean time between bouts before the repair, from the owner's story.
    `monitor_passed`: the car's own misfire monitor has run and passed since the erase.
    """

    code: str | None = None
    erased: bool = True
    monitor_passed: bool | None = None
    engine_ran_throughout: bool = False
    ambient_c: float | None = None
    altitude_m: float | None = None
    misfires: Mapping[int, int] | None = None
    cylinders: int | None = None
    bout_spacing_min: float | None = None
    load_reading: LoadReading = "points"
    confidence: float = DEFAULT_CONFIDENCE


@dataclass(frozen=True)
class TripJudgement:
    """One trip: its span, the minimum drive, the surroundings, the warm-up, the way back to the failure.

    `other_window`: the same by the other reading of the load window. `most_in_1000_revolutions`: the most misfires of
    all counted cylinders in any such stretch, None without recorded counters or engine speed.
    """

    number: int
    begins: str
    start_s: float
    end_s: float
    start_seen: bool
    minimum: MinimumDriveResult
    surroundings: tuple[Item, Item]
    with_surroundings: Verdict
    warm_up: tuple[Item, Item]
    warm_up_verdict: Verdict
    window: WindowResult | None
    events_per_cylinder: float
    misfires: Mapping[int, int]
    misfires_in_window: Mapping[int, int]
    other_window: WindowResult | None = None
    most_in_1000_revolutions: int | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {
            "trip": self.number,
            "begins": self.begins,
            "start_s": self.start_s,
            "end_s": self.end_s,
            "engine_start_seen": self.start_seen,
            "minimum_drive": self.minimum.to_dict(),
            "surroundings": [item.to_dict() for item in self.surroundings],
            "with_surroundings": self.with_surroundings,
            "warm_up": [item.to_dict() for item in self.warm_up],
            "warm_up_verdict": self.warm_up_verdict,
            "window": None if self.window is None else self.window.to_dict(),
            "events_per_cylinder": self.events_per_cylinder,
            "misfires": _keyed(self.misfires),
            "misfires_in_window": _keyed(self.misfires_in_window),
            "window_by_the_other_reading": None if self.other_window is None else self.other_window.to_dict(),
            "most_in_1000_revolutions": self.most_in_1000_revolutions,
        }


@dataclass(frozen=True, slots=True)
class HiddenRate:
    """The misfire rate that one cylinder's count still allows: `misfires` in `events`, at the stated confidence."""

    where: str
    cylinder: int
    misfires: int
    events: int
    upper_share: float
    confidence: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class PooledRate:
    """The misfire rate of the whole engine that the counts of all counted cylinders together still allow.

    `upper_share` is a share of all firings, the measure of the regulation's levels; `cylinders` how many were counted.
    """

    where: str
    cylinders: int
    misfires: int
    firings: int
    upper_share: float
    confidence: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class MinutesMore:
    """So many quiet minutes more of the same driving would rule out a steady misfire of `share` in one cylinder."""

    where: str
    share: float
    minutes: float
    confidence: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class Silence:
    """What a quiet drive says about bouts: chance to see none, minutes needed, spacing it would have shown.

    `conditions` says whether the minutes are those near the freeze frame or of the whole drive. `minutes_more` is what
    of `minutes_needed` is still missing.
    """

    minutes: float
    conditions: str
    would_have_shown_min: float
    spacing_min: float | None
    chance_of_silence: float | None
    minutes_needed: float | None
    minutes_more: float | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True)
class DriveJudgement:
    """Everything the recording says about the repair. `trips` are judged one by one; the rest is over all of them."""

    name: str
    facts: DriveFacts
    freeze_frame: FreezeFrame | None
    trips: tuple[TripJudgement, ...]
    minimum_drive: Verdict
    with_surroundings: Verdict
    came_back: Verdict
    seconds_in_window: float
    events_per_cylinder: float
    events_in_window: float
    misfires: Mapping[int, int] | None
    misfires_source: str
    hidden: tuple[HiddenRate, ...]
    silence: Silence | None
    forecasts: tuple[Forecast, ...] = field(default=())
    pooled: tuple[PooledRate, ...] = field(default=())
    more: tuple[MinutesMore, ...] = field(default=())

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        frame = self.freeze_frame
        return {
            "drive": self.name,
            "freeze_frame": None
            if frame is None
            else {"rpm": frame.rpm, "load_percent": frame.load_percent, "coolant_c": frame.coolant_c},
            "minimum_drive": self.minimum_drive,
            "with_surroundings": self.with_surroundings,
            "came_back": self.came_back,
            "seconds_in_window": self.seconds_in_window,
            "events_per_cylinder": self.events_per_cylinder,
            "events_in_window": self.events_in_window,
            "misfires": None if self.misfires is None else _keyed(self.misfires),
            "misfires_source": self.misfires_source,
            "hidden": [rate.to_dict() for rate in self.hidden],
            "pooled": [rate.to_dict() for rate in self.pooled],
            "minutes_more": [each.to_dict() for each in self.more],
            "silence": None if self.silence is None else self.silence.to_dict(),
            "forecasts": [forecast.to_dict() for forecast in self.forecasts],
            "trips": [trip.to_dict() for trip in self.trips],
            "sentences": self.sentences(),
        }

    def sentences(self) -> list[str]:
        """The judgement in plain workshop English, most important first."""
        from firstcause.roadtest.wording import drive_sentences

        return drive_sentences(self)


def _keyed(counts: Mapping[int, int]) -> dict[str, int]:
    return {str(cylinder): count for cylinder, count in counts.items()}


_BEST: tuple[Verdict, ...] = ("met", "undecided", "not evaluated", "missed")


def best(verdicts: list[Verdict]) -> Verdict:
    """The best of several trips: one that met is enough, since a single driving cycle must do it."""
    return next(verdict for verdict in _BEST if verdict in verdicts)


def judge_drive(
    log: DriveLog, freeze_frame: FreezeFrame | None = None, facts: DriveFacts | None = None
) -> DriveJudgement:
    """Judge a recorded drive as proof of a repair; pure, no clock and no file.

    Without a freeze frame nothing is said about coming back to the failure ("not evaluated").

    Raises ImpossibleCount for a confidence outside 0 to 1 or counts that cannot be, NotACode for a bad code.
    """
    facts = facts or DriveFacts()
    trips = split_trips(log)
    judged = tuple(_judge_trip(trip, freeze_frame, facts) for trip in trips)
    windows = [trip.window for trip in judged if trip.window is not None]
    came_back = best([window.verdict for window in windows]) if windows else "not evaluated"
    counts, source = _counts(log, judged, facts)
    in_window = total_counts([trip.misfires_in_window for trip in judged]) if source == "recorded counters" else None
    events = sum(trip.events_per_cylinder for trip in judged)
    window_events = sum(window.events_per_cylinder for window in windows)
    minimum = best([trip.minimum.verdict for trip in judged])
    with_limits = best([trip.with_surroundings for trip in judged])
    seconds = sum(window.seconds for window in windows)
    hidden = _hidden(counts, in_window, events, window_events, facts.confidence)
    engine_s = sum(trip.minimum.items[0].at_least or 0.0 for trip in judged)
    return DriveJudgement(
        name=log.name,
        facts=facts,
        freeze_frame=freeze_frame,
        trips=judged,
        minimum_drive=minimum,
        with_surroundings=with_limits,
        came_back=came_back,
        seconds_in_window=seconds,
        events_per_cylinder=events,
        events_in_window=window_events,
        misfires=counts,
        misfires_source=source,
        hidden=hidden,
        silence=_silence(judged, counts, seconds if windows else None, facts),
        forecasts=_forecasts(facts, judged, minimum, with_limits, came_back, counts),
        pooled=_pooled(hidden),
        more=_more(hidden, {"whole drive": engine_s, "near the freeze frame": seconds}),
    )


def _judge_trip(trip: Trip, frame: FreezeFrame | None, facts: DriveFacts) -> TripJudgement:
    minimum = minimum_drive(trip, engine_ran_throughout=facts.engine_ran_throughout)
    limits = surroundings(trip, ambient_c=facts.ambient_c, altitude_m=facts.altitude_m)
    warmed = warm_up(trip)
    whole = Timeline.all_of(trip.start_s, trip.end_s, YES)
    fired = fired_timeline(trip.log)
    window = None if frame is None else judge_window(trip, frame, load_reading=facts.load_reading, fired=fired)
    inside = None if frame is None else window_timeline(trip, frame, facts.load_reading)[0]
    other: LoadReading = "relative" if facts.load_reading == "points" else "points"
    return TripJudgement(
        number=trip.number,
        begins=trip.begins,
        start_s=trip.start_s,
        end_s=trip.end_s,
        start_seen=trip.start_seen,
        minimum=minimum,
        surroundings=limits,
        with_surroundings=combine([minimum.verdict, *(item.verdict for item in limits)]),
        warm_up=warmed,
        warm_up_verdict=combine([item.verdict for item in warmed]),
        window=window,
        events_per_cylinder=events_in(trip.log, whole, YES, fired),
        misfires=misfires_counted(trip.log, whole),
        misfires_in_window={} if inside is None else misfires_counted(trip.log, inside),
        other_window=None if frame is None else judge_window(trip, frame, load_reading=other, with_events=False),
        most_in_1000_revolutions=most_misfires_in(trip.log, EMISSION_WINDOW.value),
    )


def _counts(log: DriveLog, trips: tuple[TripJudgement, ...], facts: DriveFacts) -> tuple[dict[int, int] | None, str]:
    """What each cylinder's counter rose by, and where that is known from."""
    if log.misfires:
        return total_counts([trip.misfires for trip in trips]), "recorded counters"
    if facts.misfires is not None:
        return dict(sorted(facts.misfires.items())), "counters read by the technician"
    return None, "nobody counted misfires on this drive"


def _hidden(
    counts: dict[int, int] | None,
    in_window: dict[int, int] | None,
    events: float,
    window_events: float,
    confidence: float,
) -> tuple[HiddenRate, ...]:
    """Bounds for the whole drive and, with recorded counters, for the part near the freeze frame.

    Events are rounded down and misfires are those that may have fallen there, so the bound errs to the safe side.
    Counters read by hand hold for the window too when they are 0: none anywhere is none there.
    """
    out = []
    for where, tally, total in (("whole drive", counts, events), ("near the freeze frame", in_window, window_events)):
        if tally is None and counts is not None and where != "whole drive":
            tally = {cylinder: 0 for cylinder, count in counts.items() if count == 0}
        for cylinder, count in (tally or {}).items():
            whole = int(total)
            if whole >= 1:
                seen = min(count, whole)
                out.append(HiddenRate(where, cylinder, count, whole, upper_rate(seen, whole, confidence), confidence))
    return tuple(out)


def _pooled(hidden: tuple[HiddenRate, ...]) -> tuple[PooledRate, ...]:
    """The counted cylinders taken together, whole drive and window; a single one is no pool."""
    out = []
    for where in ("whole drive", "near the freeze frame"):
        rates = [rate for rate in hidden if rate.where == where]
        if len(rates) < 2 or (where != "whole drive" and len(rates) < len([r for r in hidden if r.where != where])):
            continue  # of a window whose misfiring cylinders are left out, a pool would be too kind
        firings = sum(rate.events for rate in rates)
        seen = min(sum(rate.misfires for rate in rates), firings)
        bound = upper_rate(seen, firings, rates[0].confidence)
        out.append(PooledRate(where, len(rates), seen, firings, bound, rates[0].confidence))
    return tuple(out)


def _more(hidden: tuple[HiddenRate, ...], seconds: Mapping[str, float]) -> tuple[MinutesMore, ...]:
    """Minutes more for the next rarer share of 1 in 100, 1,000, 10,000, at this drive's own firings a minute.

    Only where the drive was quiet: after a misfire no quiet minutes make the same bound.
    """
    out: list[MinutesMore] = []
    if any(rate.misfires for rate in hidden):
        return ()
    for where, span in seconds.items():
        rates = [rate for rate in hidden if rate.where == where]
        if not rates or span <= 0:
            continue
        events, confidence = rates[0].events, rates[0].confidence
        missing = [(share, events_needed(share, confidence) - events) for share in (0.01, 0.001, 0.0001)]
        nearest = next(((share, lacks) for share, lacks in missing if lacks > 0), None)
        if nearest is not None:
            out.append(MinutesMore(where, nearest[0], nearest[1] / (events / (span / 60)), confidence))
    return tuple(out)


def _silence(
    trips: tuple[TripJudgement, ...], counts: dict[int, int] | None, window_s: float | None, facts: DriveFacts
) -> Silence | None:
    """The survival form, for a fault that comes in bouts; None when misfires were counted or none was looked for."""
    if counts is None or any(counts.values()):
        return None
    engine_s = sum(trip.minimum.items[0].at_least or 0.0 for trip in trips)
    minutes = (window_s if window_s is not None else engine_s) / 60
    spacing = facts.bout_spacing_min
    return Silence(
        minutes=minutes,
        conditions="near the freeze frame" if window_s is not None else "of the whole drive",
        would_have_shown_min=shortest_spacing_min(minutes, facts.confidence),
        spacing_min=spacing,
        chance_of_silence=None if spacing is None else quiet_probability(minutes, spacing),
        minutes_needed=None if spacing is None else minutes_needed(spacing, facts.confidence),
        minutes_more=None if spacing is None else max(0.0, minutes_needed(spacing, facts.confidence) - minutes),
    )


def _forecasts(
    facts: DriveFacts, trips: tuple[TripJudgement, ...], minimum: Verdict, with_limits: Verdict, came_back: Verdict,
    counts: dict[int, int] | None,
) -> tuple[Forecast, ...]:  # fmt: skip
    if facts.code is None:
        return ()
    quiet = counts is not None and not any(counts.values())
    cycles = sum(trip.window is not None and trip.window.verdict == "met" for trip in trips) if quiet else 0
    confirmed, pending = code_forecasts(
        facts.code, erased=facts.erased, came_back=came_back if quiet else "not evaluated"
    )
    permanent = permanent_forecast(
        facts.code,
        erased=facts.erased,
        monitor_passed=facts.monitor_passed,
        minimum_drive=minimum,
        with_surroundings=with_limits,
    )
    return permanent, lamp_forecast(facts.code, erased=facts.erased, quiet_cycles_in_window=cycles), confirmed, pending
