"""Did the drive meet the published conditions: minimum drive, general denominator, warm-up."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from math import ceil, floor
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from firstcause.roadtest.drivelog import DriveLog, gap_limit_s
from firstcause.roadtest.rules import (
    GENERAL_ALTITUDE,
    GENERAL_AMBIENT,
    MINIMUM_DRIVE,
    PEDAL_RELEASED_ABOVE_REST,
    WARM_UP_REACHED,
    WARM_UP_RISE,
    Limit,
    MinimumDrive,
)
from firstcause.roadtest.timeline import MAYBE, YES, Timeline
from firstcause.roadtest.trips import Trip
from firstcause.tongue import Said, _

Floats = NDArray[np.float64]
Verdict = Literal["met", "missed", "undecided", "not evaluated"]
VERDICT_WORDS: Said[str] = Said({
    "met": "met", "missed": "missed", "undecided": "undecided", "not evaluated": "not evaluated",
})  # fmt: skip
_MARKS: Said[str] = Said({
    "read in the official text": "read in the official text", "from memory": "from memory", "judgement": "judgement",
})  # fmt: skip


def mark_words(mark: str) -> str:
    """How a number was read, in words; what is no such mark stays as it is."""
    return _MARKS.get(mark, mark)


_SAME = 1e-6  # km/h, K or s below which two numbers are one (25 mph stored as m/s comes back 1e-15 short)
_COARSE_S = 2.0


@dataclass(frozen=True, slots=True)
class Item:
    """One condition: the number reached, the number needed, the verdict, and what the verdict leans on.

    `at_least` and `at_most` enclose the truth as far as the sampling lets it be known (`at_most` None: no bound).
    When a needed signal was not recorded the verdict is "not evaluated", and `if_assumed` says what it would be
    if `assuming` held.
    """

    id: str
    title: str
    unit: str
    needed: float
    reached: float | None
    at_least: float | None
    at_most: float | None
    verdict: Verdict
    why: str
    cite: str
    mark: str
    assuming: tuple[str, ...] = ()
    if_assumed: Verdict | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {
            name: list(value) if isinstance(value := getattr(self, name), tuple) else value for name in self.__slots__
        }


def combine(verdicts: Sequence[Verdict]) -> Verdict:
    """All conditions together: one missed misses; then not evaluated; then undecided; else met."""
    order: tuple[Verdict, ...] = ("missed", "not evaluated", "undecided")
    return next((verdict for verdict in order if verdict in verdicts), "met")


def judge_bounds(at_least: float, at_most: float | None, needed: float) -> Verdict:
    """Met when even the lower bound reaches; missed when the upper bound cannot; undecided between.

    An upper bound that only just equals the need is never attained (the reading that ends it lies outside),
    so it misses unless the lower bound reaches too.
    """
    if at_least >= needed - _SAME:
        return "met"
    return "missed" if at_most is not None and at_most <= needed + _SAME else "undecided"


@dataclass(frozen=True, slots=True)
class FastTime:
    """Seconds at or above a speed, by four definitions: sure, crossing interpolated, each reading held, at most."""

    at_least_s: float
    linear_s: float
    held_s: float
    at_most_s: float


def fast_time(log: DriveLog, speed_kmh: float) -> FastTime | None:
    """Seconds at or above `speed_kmh`; None when no speed was recorded. Gaps count in `at_most_s` only.

    `held_s` holds each reading until the next (the count of samples in a 1 Hz trace); `linear_s` draws a
    straight line between two readings. The rule itself does not say which: the verdict uses the bounds.
    """
    found = log.readings("speed_kmh")
    if found is None:
        return None
    time_s, speed = found
    above = speed >= speed_kmh - _SAME
    line = _line(log, time_s, above)
    steps = np.diff(time_s)
    steps = np.where(steps > gap_limit_s(time_s), 0.0, steps)
    low, high = np.minimum(speed[:-1], speed[1:]), np.maximum(speed[:-1], speed[1:])
    rise = np.where(high > low, high - low, 1.0)
    share = np.clip((high - speed_kmh) / rise, 0.0, 1.0)
    share = np.where(above[:-1] & above[1:], 1.0, np.where(above[:-1] | above[1:], share, 0.0))
    return FastTime(
        line.total_s(YES), float((steps * share).sum()), float(steps[above[:-1]].sum()), line.total_s(MAYBE)
    )


def _line(log: DriveLog, time_s: Floats, inside: NDArray[np.bool_]) -> Timeline:
    return Timeline.from_levels(time_s, (~inside).astype(np.int_), float(log.time_s[0]), float(log.time_s[-1]))


@dataclass(frozen=True, slots=True)
class MinimumDriveResult:
    """The three items on one trip and their verdict together."""

    rule: str
    trip: int
    items: tuple[Item, ...]
    verdict: Verdict
    if_assumed: Verdict | None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {
            "rule": self.rule,
            "trip": self.trip,
            "items": [item.to_dict() for item in self.items],
            "verdict": self.verdict,
            "if_assumed": self.if_assumed,
        }


def minimum_drive(
    trip: Trip, *, engine_ran_throughout: bool = False, rule: MinimumDrive = MINIMUM_DRIVE
) -> MinimumDriveResult:
    """Judge one trip by a minimum-drive rule.

    `engine_ran_throughout` is the technician's word for a recording without engine speed: it then counts as
    a fact. Without it, and without engine speed, run time and idle are not evaluated.
    """
    items = (
        _run_item(trip, rule.run, engine_ran_throughout),
        _fast_item(trip, rule),
        _idle_item(trip, rule, engine_ran_throughout),
    )
    whole = combine([item.verdict for item in items])
    assumed = combine([item.if_assumed or item.verdict for item in items]) if whole == "not evaluated" else None
    return MinimumDriveResult(rule.name, trip.number, items, whole, assumed)


def _no_engine() -> str:
    return _("the engine was started at the first row and ran in every row (no engine speed was recorded)")


def _run_item(trip: Trip, limit: Limit, stated: bool) -> Item:
    engine = trip.engine() or trip.rows_present()
    known = trip.log.rpm is not None or stated
    least, most = engine.total_s(YES), engine.total_s(MAYBE)
    timer = trip.log.readings("run_time_s")
    if timer is not None:
        least, most, known = max(least, float(timer[1].max())), max(most, float(timer[1].max())), True
    start_unseen = trip.log.rpm is not None and timer is None and not trip.start_seen and not stated
    verdict = judge_bounds(least, None if start_unseen else most, limit.value)
    why = _("The engine ran {span}; {needed:.0f} s needed", span=_span(least, most), needed=limit.value)
    if start_unseen:
        why += _("; it already ran at the first row, so the time since its start may be longer")
    elif verdict == "undecided":
        why += _("; gaps or lost readings leave it open")
    if stops := trip.short_stops():
        times = _("once") if stops == 1 else _("{n} times", n=stops)
        why += _("; it stood still {times} for less than the pause that ends a trip, which is not counted", times=times)
    bounds = (least, None if start_unseen else most)
    return _item(
        "run", _("time since engine start"), "s", limit, least, bounds, verdict, why, () if known else (_no_engine(),)
    )


def _fast_item(trip: Trip, rule: MinimumDrive) -> Item:
    limit, title = rule.fast_time, _("time at {speed:.1f} km/h or more", speed=rule.fast_speed.value)
    found = fast_time(trip.log, rule.fast_speed.value)
    if found is None:
        return _blank("fast", title, limit, _("No vehicle speed was recorded"))
    verdict = judge_bounds(found.at_least_s, found.at_most_s, limit.value)
    why = _(
        "The car spent {span} at speed; {needed:.0f} s needed",
        span=_span(found.at_least_s, found.at_most_s), needed=limit.value,
    )  # fmt: skip
    if verdict == "undecided":
        why += _("; the readings are too far apart, or missing, to decide")
    return _item("fast", title, "s", limit, found.linear_s, (found.at_least_s, found.at_most_s), verdict, why, ())


def idle_timeline(trip: Trip, speed_kmh: float) -> tuple[Timeline, tuple[str, ...]] | None:
    """When the car stood at idle, and what had to be assumed for it; None without vehicle speed."""
    speed = trip.log.readings("speed_kmh")
    if speed is None:
        return None
    line = _line(trip.log, speed[0], speed[1] <= speed_kmh + _SAME)
    assumed: list[str] = []
    if (engine := trip.engine()) is not None:
        line = line & engine
    else:
        assumed.append(_no_engine())
    pedal = trip.log.readings("pedal_percent")
    if pedal is not None:
        rest = float(pedal[1].min())
        line = line & _line(trip.log, pedal[0], pedal[1] <= rest + PEDAL_RELEASED_ABOVE_REST.value)
    return line, tuple(assumed)


def _idle_item(trip: Trip, rule: MinimumDrive, stated: bool) -> Item:
    limit = rule.idle_time
    title = _("longest idle at {speed:.1f} km/h or less, accelerator released", speed=rule.idle_speed.value)
    found = idle_timeline(trip, rule.idle_speed.value)
    if found is None:
        return _blank("idle", title, limit, _("No vehicle speed was recorded"))
    line, assumed = found
    (_from, least), (_until, most) = line.longest(YES), line.longest(MAYBE)
    verdict = judge_bounds(least, most, limit.value)
    why = _("The longest idle lasted {span}; {needed:.0f} s needed", span=_span(least, most), needed=limit.value)
    if verdict == "undecided":
        why += _("; the readings are too far apart, or missing, to decide")
    if trip.log.pedal_percent is None:
        why += _("; the accelerator was not recorded and is taken as released while the car stands")
    speed_times = trip.log.readings("speed_kmh")
    if speed_times is not None and speed_times[0].size > 2 and float(np.median(np.diff(speed_times[0]))) > _COARSE_S:
        why += _("; between two readings the car is taken to have stayed as they show it")
    return _item("idle", title, "s", limit, least, (least, most), verdict, why, () if stated else assumed)


def _item(
    id_: str, title: str, unit: str, limit: Limit, reached: float, bounds: tuple[float, float | None],
    verdict: Verdict, why: str, assuming: tuple[str, ...],
) -> Item:  # fmt: skip
    """An item; with something to assume the verdict becomes "not evaluated" and moves to `if_assumed`."""
    return Item(
        id=id_, title=title, unit=unit, needed=limit.value, reached=reached, at_least=bounds[0], at_most=bounds[1],
        verdict="not evaluated" if assuming else verdict, why=why + ".", cite=limit.cite, mark=limit.mark,
        assuming=assuming, if_assumed=verdict if assuming else None,
    )  # fmt: skip


def _blank(id_: str, title: str, limit: Limit, why: str) -> Item:
    return Item(
        id_, title, limit.unit, limit.value, None, None, None, "not evaluated", why + ".", limit.cite, limit.mark
    )


def _span(least: float, most: float | None) -> str:
    """Seconds, or the range they lie in; what is proven is rounded down, what is possible up, so neither overstates."""
    proven = floor(least + _SAME)
    if most is None:
        return _("{proven} s or more", proven=proven)
    if most - least < 0.5:
        return f"{proven} s"
    return _("between {proven} and {possible} s", proven=proven, possible=ceil(most - _SAME))


def surroundings(trip: Trip, *, ambient_c: float | None = None, altitude_m: float | None = None) -> tuple[Item, Item]:
    """The two limits that the general denominator adds: outside temperature and altitude.

    Whether they belong to the permanent-code drive is an open reading of the rule; both verdicts are shown.
    `ambient_c` and `altitude_m` are the technician's word where the log has no such column.
    """
    out = []
    for id_, key, stated, limit, cold in (
        ("ambient", "ambient_c", ambient_c, GENERAL_AMBIENT, True),
        ("altitude", "altitude_m", altitude_m, GENERAL_ALTITUDE, False),
    ):
        title = _("lowest outside temperature") if cold else _("highest altitude")
        found = trip.log.readings(key)
        values = found[1] if found is not None else None if stated is None else np.array([stated])
        if values is None:
            missing = (
                _("The outside temperature was neither recorded nor stated")
                if cold
                else _("The altitude was neither recorded nor stated")
            )
            out.append(_blank(id_, title, limit, missing))
            continue
        worst = float(values.min() if cold else values.max())
        met = worst >= limit.value - _SAME if cold else worst < limit.value
        numbers = {"worst": worst, "limit": limit.value, "unit": limit.unit}
        why = (
            _("The lowest outside temperature was {worst:.0f} {unit}; the limit is {limit:.1f} {unit}.", **numbers)
            if cold
            else _("The highest altitude was {worst:.0f} {unit}; the limit is {limit:.1f} {unit}.", **numbers)
        )
        out.append(
            Item(
                id_,
                title,
                limit.unit,
                limit.value,
                worst,
                worst,
                worst,
                "met" if met else "missed",
                why,
                limit.cite,
                limit.mark,
            )
        )
    return out[0], out[1]


def warm_up(trip: Trip) -> tuple[Item, Item]:
    """The warm-up cycle of one trip: the rise of the coolant since engine start, and the temperature reached.

    When the start was not seen, the true rise may be larger than the recorded one: then it can be met or
    undecided, never missed.
    """
    rise_title, top_title = _("rise of coolant since engine start"), _("coolant reached")
    found = trip.log.readings("coolant_c")
    if found is None:
        why = _("No coolant temperature was recorded")
        return _blank("rise", rise_title, WARM_UP_RISE, why), _blank("reached", top_title, WARM_UP_REACHED, why)
    first, top = float(found[1][0]), float(found[1].max())
    rise = top - first
    verdict = judge_bounds(rise, rise if trip.start_seen else None, WARM_UP_RISE.value)
    why = _(
        "Coolant rose {rise:.0f} K from {first:.0f} degC; {needed:.1f} K needed",
        rise=rise, first=first, needed=WARM_UP_RISE.value,
    )  # fmt: skip
    if not trip.start_seen:
        why += _("; the engine start was not seen, so the whole rise may be larger")
    rise_item = _item(
        "rise", rise_title, "K", WARM_UP_RISE, rise, (rise, rise if trip.start_seen else None), verdict, why, ()
    )
    reached: Verdict = "met" if top >= WARM_UP_REACHED.value - _SAME else "missed"
    why = _("Coolant reached {top:.0f} degC; {needed:.1f} degC needed", top=top, needed=WARM_UP_REACHED.value)
    return rise_item, _item("reached", top_title, "degC", WARM_UP_REACHED, top, (top, top), reached, why, ())
