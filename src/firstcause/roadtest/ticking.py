"""The plan ticked off while driving: one small step for each sample, whatever was driven before."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from math import inf, isfinite
from typing import Any, Literal

from firstcause.roadtest.bound import quiet_probability, upper_rate
from firstcause.roadtest.overrun import PULLS_FROM_IDLE_SHARE, PULLS_FROM_LOAD
from firstcause.roadtest.plan import COLD_START_C, DrivePlan, PlanItem
from firstcause.roadtest.rules import (
    MINIMUM_DRIVE,
    PEDAL_RELEASED_ABOVE_REST,
    RUNNING_RPM,
    WARM_FROM,
    WARM_UP_REACHED,
    WARM_UP_RISE,
)
from firstcause.tongue import _

State = Literal["done", "open", "not recorded", "missed", "by hand"]
ROLL_FROM_KMH, ROLL_LOST_KMH, ROLL_LEAST_S = 50.0, 20.0, 4.0  # a deceleration in gear, not a braking: judgement
_RISE_KMH = 1.0  # a rise of more ends it
_LEAST_GAP_S = 2.0
_SIGNALS = ("rpm", "speed_kmh", "load_percent", "coolant_c", "pedal_percent")
_SAME = 1e-6


@dataclass(frozen=True, slots=True)
class LiveSample:
    """What was read at one moment; a signal that was not read just now is None. `at_s` never falls.

    `misfires`: the car's counters of this drive by cylinder. `monitors`: self-checks that report done in this drive.
    """

    at_s: float
    rpm: float | None = None
    speed_kmh: float | None = None
    load_percent: float | None = None
    coolant_c: float | None = None
    pedal_percent: float | None = None
    run_time_s: float | None = None
    misfires: Mapping[int, int] | None = None
    monitors: frozenset[str] | None = None


@dataclass(frozen=True, slots=True)
class _Pace:
    """How often a signal comes: three usual steps, at least 2 s, still join two readings (as drivelog.gap_limit_s)."""

    first_s: float
    last_s: float
    count: int

    @property
    def gap_s(self) -> float:
        usual = (self.last_s - self.first_s) / (self.count - 1) if self.count > 1 else 0.0
        return max(_LEAST_GAP_S, 3.0 * usual) + 1e-9


@dataclass(frozen=True, slots=True)
class _Part:
    """One signal of a condition: since when, and until when, its readings lay inside without a break."""

    signal: str
    low: float
    high: float
    since_s: float | None = None
    until_s: float = -inf

    def read(self, value: float, at_s: float, joined: bool) -> _Part:
        if not self.low <= value <= self.high:
            return replace(self, since_s=None)
        since = at_s if self.since_s is None or not joined else self.since_s
        return replace(self, since_s=since, until_s=at_s)


@dataclass(frozen=True, slots=True)
class _Track:
    """A condition of several signals: the seconds in which all surely held, the longest run, and firings then.

    Time counts only between two readings inside, of every signal: never more than the judgement of the whole recording
    will find, and the same when all signals come together.
    """

    parts: tuple[_Part, ...]
    counted_to_s: float = -inf
    seconds: float = 0.0
    longest_s: float = 0.0
    firings: float = 0.0

    def read(self, values: Mapping[str, float], at_s: float, joined: Mapping[str, bool], mean_rpm: float) -> _Track:
        parts = tuple(
            part.read(values[part.signal], at_s, joined[part.signal]) if part.signal in values else part
            for part in self.parts
        )
        since, until = -inf, inf
        for part in parts:
            if part.since_s is None:
                return replace(self, parts=parts)
            since, until = max(since, part.since_s), min(until, part.until_s)
        fresh = until - max(since, self.counted_to_s)
        if fresh <= 0:
            return replace(self, parts=parts)
        return replace(
            self, parts=parts, counted_to_s=until, seconds=self.seconds + fresh,
            longest_s=max(self.longest_s, until - since), firings=self.firings + mean_rpm / 120 * fresh,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class _Roll:
    """A deceleration under way: from which speed and when, and whether it was counted already."""

    from_kmh: float
    from_s: float
    last_kmh: float
    counted: bool = False


@dataclass(frozen=True, slots=True)
class Progress:
    """Where the drive stands; everything a next sample needs, of a size that does not grow."""

    tracks: Mapping[str, _Track]
    paces: Mapping[str, _Pace] = field(default_factory=dict)
    rpm: float | None = None
    speed_kmh: float | None = None
    pulled: bool = True
    idle_load: float | None = None
    rest_pedal: float = inf
    first_coolant_c: float | None = None
    hottest_c: float | None = None
    run_time_s: float = 0.0
    roll: _Roll | None = None
    rolls: int = 0
    monitors: frozenset[str] = frozenset()
    counters: Mapping[int, int] | None = None
    misfires: Mapping[int, int] = field(default_factory=dict)
    samples: int = 0
    at_s: float = -inf


@dataclass(frozen=True, slots=True)
class Tick:
    """One item of the plan as it stands: the number reached and the number needed, in `unit`."""

    id: str
    state: State
    reached: float | None
    needed: float
    unit: str

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {name: getattr(self, name) for name in self.__slots__}


def begin(plan: DrivePlan) -> Progress:
    """The state before the first sample."""
    rule = MINIMUM_DRIVE
    running = _Part("rpm", RUNNING_RPM.value, inf)
    tracks = {
        "run": _Track((running,)),
        "fast": _Track((_Part("speed_kmh", rule.fast_speed.value - _SAME, inf),)),
        "idle": _Track((_Part("speed_kmh", 0.0, rule.idle_speed.value + _SAME), running)),
    }
    frame = plan.needs.frame
    if frame is not None:
        parts = [_Part("rpm", *frame.rpm_band())]
        band = frame.load_band(plan.needs.load_reading)
        if band is not None:
            parts.append(_Part("load_percent", *band))
        if frame.warm is not None:
            warm = (WARM_FROM.value, inf) if frame.warm else (-inf, WARM_FROM.value - _SAME)
            parts.append(_Part("coolant_c", *warm))
        tracks["window"] = _Track(tuple(parts))
    return Progress(tracks)


def advance(progress: Progress, sample: LiveSample) -> Progress:
    """The state after one more sample; a sample older than the last one is passed over. Cost does not grow."""
    at_s = sample.at_s
    if not isfinite(at_s) or at_s < progress.at_s:
        return progress
    values: dict[str, float] = {
        name: value
        for name in _SIGNALS
        if (value := getattr(sample, name)) is not None and isfinite(value)
    }  # fmt: skip
    paces, joined = dict(progress.paces), {}
    for name in values:
        pace = paces.get(name)
        joined[name] = pace is not None and at_s - pace.last_s <= pace.gap_s
        paces[name] = _Pace(at_s, at_s, 1) if pace is None else replace(pace, last_s=at_s, count=pace.count + 1)
    rpm = values.get("rpm", progress.rpm)
    mean = 0.0 if rpm is None else rpm if progress.rpm is None else (rpm + progress.rpm) / 2
    rest = min(progress.rest_pedal, values.get("pedal_percent", inf))
    speed = values.get("speed_kmh", progress.speed_kmh)
    standing = speed is not None and speed <= MINIMUM_DRIVE.idle_speed.value
    idle_load = progress.idle_load
    if standing and "load_percent" in values and (rpm or 0.0) >= RUNNING_RPM.value:
        idle_load = values["load_percent"] if idle_load is None else (15 * idle_load + values["load_percent"]) / 16
    pulls = standing or _pulls(progress, values, idle_load, rest)
    if not (pulls and progress.pulled):
        mean = 0.0  # the car may have driven the engine: nothing of it is counted as fired, see `overrun`
    tracks = dict(progress.tracks)
    if "pedal_percent" in values:
        tracks["idle"] = _with_pedal(tracks["idle"], rest + PEDAL_RELEASED_ABOVE_REST.value)
    tracks = {name: track.read(values, at_s, joined, mean) for name, track in tracks.items()}
    coolant = values.get("coolant_c")
    hottest = progress.hottest_c if coolant is None else max(coolant, progress.hottest_c or coolant)
    roll, rolls = _rolled(progress, values, at_s, joined.get("speed_kmh", False), rest)
    return replace(
        progress,
        tracks=tracks,
        paces=paces,
        rpm=rpm,
        speed_kmh=speed,
        pulled=pulls,
        idle_load=idle_load,
        rest_pedal=rest,
        first_coolant_c=coolant if progress.first_coolant_c is None else progress.first_coolant_c,
        hottest_c=hottest,
        run_time_s=max(progress.run_time_s, sample.run_time_s or 0.0),
        roll=roll,
        rolls=rolls,
        monitors=progress.monitors | (sample.monitors or frozenset()),
        counters=progress.counters if sample.misfires is None else dict(sample.misfires),
        misfires=_misfires(progress, sample.misfires),
        samples=progress.samples + 1,
        at_s=at_s,
    )


def _pulls(progress: Progress, values: Mapping[str, float], idle_load: float | None, rest: float) -> bool:
    """Whether the engine moves the car and not the other way round; told by load, else by the accelerator."""
    if "load_percent" in values:
        least = PULLS_FROM_LOAD.value if idle_load is None else PULLS_FROM_IDLE_SHARE.value * idle_load
        return values["load_percent"] >= least
    if "pedal_percent" in values and "load_percent" not in progress.paces:
        return values["pedal_percent"] > rest + PEDAL_RELEASED_ABOVE_REST.value
    return progress.pulled


def _with_pedal(track: _Track, high: float) -> _Track:
    """The idle track with the accelerator in it, from its first reading on; its rest is the lowest reading so far."""
    others = tuple(part for part in track.parts if part.signal != "pedal_percent")
    old = next((part for part in track.parts if part.signal == "pedal_percent"), None)
    pedal = _Part("pedal_percent", -inf, high) if old is None else replace(old, high=high)
    return replace(track, parts=(*others, pedal))


def _rolled(
    progress: Progress, values: Mapping[str, float], at_s: float, joined: bool, rest: float
) -> tuple[_Roll | None, int]:
    """A deceleration counts once: 20 km/h lost from 50 km/h or more, over 4 s or more, accelerator released."""
    if values.get("pedal_percent", -inf) > rest + PEDAL_RELEASED_ABOVE_REST.value:
        return None, progress.rolls
    speed = values.get("speed_kmh")
    if speed is None:
        return progress.roll, progress.rolls
    roll = progress.roll
    if roll is None or not joined or speed > roll.last_kmh + _RISE_KMH or (speed >= roll.from_kmh and not roll.counted):
        return _Roll(speed, at_s, speed), progress.rolls
    lost = not roll.counted and roll.from_kmh >= ROLL_FROM_KMH and roll.from_kmh - speed >= ROLL_LOST_KMH
    gently = at_s - roll.from_s >= ROLL_LEAST_S  # sooner is braking, and no deceleration of this kind
    return replace(roll, last_kmh=speed, counted=roll.counted or lost), progress.rolls + (lost and gently)


def _misfires(progress: Progress, now: Mapping[int, int] | None) -> Mapping[int, int]:
    """What the counters have risen by since the first look; one that fell was reset and counts anew."""
    if now is None or progress.counters is None:
        return progress.misfires if now is None else dict.fromkeys(now, 0)
    risen = dict(progress.misfires)
    for cylinder, count in now.items():
        before = progress.counters.get(cylinder, count)
        risen[cylinder] = risen.get(cylinder, 0) + (count if count < before else count - before)
    return risen


def ticks(plan: DrivePlan, progress: Progress) -> tuple[Tick, ...]:
    """Which items are done, with the numbers reached, in the order of the plan."""
    return tuple(_tick(item, progress) for item in plan.items)


def ticks_of(plan: DrivePlan, samples: Iterable[LiveSample]) -> tuple[Tick, ...]:
    """The same from all samples so far."""
    progress = begin(plan)
    for sample in samples:
        progress = advance(progress, sample)
    return ticks(plan, progress)


def _tick(item: PlanItem, progress: Progress) -> Tick:
    def tick(state: State, reached: float | None) -> Tick:
        return Tick(item.id, state, reached, item.needed, item.unit)

    def enough(reached: float) -> Tick:
        return tick("done" if reached >= item.needed - _SAME else "open", reached)

    seen = progress.paces
    if item.measure == "by-hand":
        return tick("by hand", None)
    if item.measure == "monitor":
        return tick("done" if item.monitor in progress.monitors else "open", float(item.monitor in progress.monitors))
    if item.measure == "decelerations":
        return enough(float(progress.rolls)) if "speed_kmh" in seen else tick("not recorded", None)
    if item.measure == "cold-start":
        first = progress.first_coolant_c
        if first is None:
            return tick("not recorded", None)
        return tick("done" if first <= COLD_START_C.value else "missed", first)
    if item.measure == "warm-up":
        first, top = progress.first_coolant_c, progress.hottest_c
        if first is None or top is None:
            return tick("not recorded", None)
        risen = top >= WARM_UP_REACHED.value and top - first >= WARM_UP_RISE.value
        hopeless = first > COLD_START_C.value and top >= WARM_UP_REACHED.value  # it may have risen before the recording
        return tick("done" if risen else "missed" if hopeless else "open", top)
    track = progress.tracks.get(item.measure)
    if track is None or any(part.signal not in seen for part in track.parts):
        late = progress.run_time_s if item.measure == "run" else 0.0
        return enough(late) if late else tick("not recorded", None)
    if item.measure == "run":
        return enough(max(track.seconds, progress.run_time_s))
    return enough(track.longest_s if item.measure == "idle" else track.seconds)


@dataclass(frozen=True, slots=True)
class Aim:
    """Where the engine is now beside the target: `inside`, and in words what would bring it there; None: not known."""

    inside: bool | None
    words: tuple[str, ...]


def aim(plan: DrivePlan, sample: LiveSample) -> Aim:
    """What the passenger tells the driver: more or less engine speed and load, or hold it there."""
    frame = plan.needs.frame
    if frame is None or sample.rpm is None:
        return Aim(None, ())
    words = []
    rows = [(_("engine speed"), "rpm", sample.rpm, frame.rpm_band())]
    band = frame.load_band(plan.needs.load_reading)
    if band is not None:
        if sample.load_percent is None:
            return Aim(None, ())
        rows.append((_("load"), _("points"), sample.load_percent, band))
    for name, unit, value, (low, high) in rows:
        if value < low:
            words.append(_("{n:.0f} {unit} more {signal}", n=low - value, unit=unit, signal=name))
        elif value > high:
            words.append(_("{n:.0f} {unit} less {signal}", n=value - high, unit=unit, signal=name))
    if frame.warm is not None and sample.coolant_c is not None and (sample.coolant_c >= WARM_FROM.value) != frame.warm:
        words.append(_("not warm yet") if frame.warm else _("no longer cold"))
    return Aim(not words, tuple(words))


@dataclass(frozen=True, slots=True)
class SoFar:
    """What the drive has shown so far near the freeze frame: minutes, firings, misfires, and what could still hide.

    `upper_share`: largest share of a cylinder's firings that may still misfire; `quiet_chance`: chance that so many
    minutes are quiet although bouts still come. None where there is nothing to say it from.
    """

    minutes: float
    firings: int
    misfires: int | None
    upper_share: float | None
    quiet_chance: float | None


def so_far(plan: DrivePlan, progress: Progress) -> SoFar:
    """The bound at this moment; misfires anywhere in the drive count against it."""
    track = progress.tracks.get("window") or progress.tracks["run"]
    minutes, firings = track.seconds / 60, int(track.firings)
    worst = None if progress.counters is None else max(progress.misfires.values(), default=0)
    share = None
    if worst is not None and firings >= 1:
        share = upper_rate(min(worst, firings), firings, plan.needs.confidence)
    spacing = plan.needs.spacing_min
    chance = quiet_probability(minutes, spacing) if spacing is not None and not worst else None
    return SoFar(minutes, firings, worst, share, chance)
