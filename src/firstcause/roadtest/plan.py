"""The drive that is to prove a repair, planned: what to do, for how long, what it would show and what it cannot."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from math import ceil, exp
from typing import Any, Literal

from firstcause.roadtest.bound import DEFAULT_CONFIDENCE, events_needed, minutes_needed, quiet_probability
from firstcause.roadtest.inspection import check_words
from firstcause.roadtest.permanent import code_kind
from firstcause.roadtest.rules import MINIMUM_DRIVE, WARM_UP_REACHED, WARM_UP_RISE, WINDOW_LOAD, WINDOW_RPM, Limit
from firstcause.roadtest.window import FreezeFrame, LoadReading
from firstcause.tongue import N_, Said, _

Measure = Literal[
    "cold-start", "warm-up", "idle", "run", "fast", "window", "decelerations", "monitor", "by-hand"
]  # fmt: skip

# Judgements of ours: what one person can be asked to drive, and how rare a misfire the drive should be able to show.
LONGEST_BACK_MIN = Limit(40.0, "min", "ours: what a shop drives in one go to come back to one condition", "judgement")
RARE_SHARE = Limit(0.001, "of a cylinder's firings", "ours: a third of it is what sound engines count", "judgement")
USUAL_SPEED_LIMIT_KMH = Limit(90.0, "km/h", "ours: an open road; the limit where you drive goes before", "judgement")
COLD_START_C = Limit(
    WARM_UP_REACHED.value - WARM_UP_RISE.value, "degC",
    "13 CCR 1968.2(c), warm-up cycle: so cold that 40 degF more end at 160 degF",
    "from memory",
)  # fmt: skip
DECELERATIONS = Limit(3, "decelerations", N_("common practice, no source"), "judgement")
HIGH_RPM, HIGH_LOAD_PERCENT = 4000.0, 85.0  # from here on a public road is hardly the place: judgement

# How each self-check usually gets its turn: common practice, no source; the maker's own conditions go before.
MONITOR_WAYS: Said[str] = Said({
    "catalyst": "Warm, then 8 minutes at one speed between 50 and 100 km/h under light load.",
    "heated-catalyst": "Cold start, then 8 minutes at one speed between 50 and 100 km/h under light load.",
    "evap": "Cold start after a night's rest, tank between a quarter and three quarters, 10 minutes, then one steady "
    "speed.",
    "secondary-air": "Cold start, then a minute at idle.",
    "oxygen-sensor": "Warm, then 5 minutes at one speed between 50 and 90 km/h.",
    "oxygen-sensor-heater": "Start, then 3 minutes of idle or light driving.",
    "egr-or-vvt": "Warm, gentle pulls from 40 to 90 km/h, each followed by a deceleration in gear.",
    "misfire": "15 minutes of mixed driving, idle among it.",
    "fuel-system": "Warm, then 5 minutes of mixed driving.",
})  # fmt: skip


@dataclass(frozen=True)
class PlanNeeds:
    """What the case asks of the drive. What is not known stays None or empty.

    `frame`: where the fault was stored; `frame_speed_kmh` the road speed then. `suspect`: the fault that the drive is
    to rule out, in words, `spacing_min` the mean time between its bouts (None: it is steady), `acts` its chance to act
    in each condition of the pack. `incomplete`: self-checks that have not run. `stop`: why the car must not be driven.
    """

    frame: FreezeFrame | None = None
    frame_speed_kmh: float | None = None
    suspect: str | None = None
    spacing_min: float | None = None
    acts: Mapping[str, float] = field(default_factory=dict)
    codes: tuple[str, ...] = ()
    permanent: tuple[str, ...] = ()
    incomplete: tuple[str, ...] = ()
    erased: bool = False
    cylinders: int | None = None
    stop: tuple[str, ...] = ()
    speed_limit_kmh: float = USUAL_SPEED_LIMIT_KMH.value
    load_reading: LoadReading = "points"
    confidence: float = DEFAULT_CONFIDENCE


@dataclass(frozen=True, slots=True)
class PlanItem:
    """One thing to do. `needed` is the rule's or the certainty's number, `minutes` what to allow for it on the road.

    `measure` says how a live page ticks it; "by-hand" is ticked by the passenger. `monitor` names the self-check.
    """

    id: str
    measure: Measure
    title: str
    how: str
    why: str
    needed: float
    unit: str
    minutes: float
    cite: str
    mark: str
    monitor: str | None = None

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True, slots=True)
class Certainty:
    """So many quiet minutes under the old conditions would show the fault, were it still there, with this chance.

    `of`: "bouts" so many minutes apart on average, or a steady "share" of one cylinder's firings.
    """

    of: Literal["bouts", "share"]
    size: float
    chance: float
    minutes: float

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True)
class DrivePlan:
    """The whole plan, in the order in which it is driven. `stop`, when not empty, comes before everything."""

    needs: PlanNeeds
    stop: tuple[str, ...]
    cautions: tuple[str, ...]
    before: tuple[str, ...]
    items: tuple[PlanItem, ...]
    after: tuple[str, ...]
    certainties: tuple[Certainty, ...]
    cannot_show: tuple[str, ...]
    total_min: float
    drives: int

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        frame = self.needs.frame
        window = None
        if frame is not None:
            load = frame.load_band(self.needs.load_reading)
            window = {
                "rpm": list(frame.rpm_band()), "load_percent": None if load is None else list(load), "warm": frame.warm,
            }  # fmt: skip
        return {
            "stop": list(self.stop),
            "cautions": list(self.cautions),
            "before": list(self.before),
            "items": [item.to_dict() for item in self.items],
            "after": list(self.after),
            "window": window,
            "certainties": [certainty.to_dict() for certainty in self.certainties],
            "cannot_show": list(self.cannot_show),
            "total_min": self.total_min,
            "drives": self.drives,
        }


# Common practice, no source; the law of the place and the maker's service information go before.
CAUTIONS = N_(
    (
        "One drives, another reads: the passenger works the recorder and ticks the list, the driver looks at the road.",
        "Posted limits, traffic and weather go before this list. What cannot be driven safely here is left out "
        "and said.",
        "Back off and stop where it is safe when the warning lamp flashes, when it smells of fuel or anything hot, or "
        "when the engine shakes: unburnt fuel overheats the catalyst.",
        "The exhaust is hot after the drive: do not park over dry grass, leaves or anything that burns; keep "
        "hands off.",
        "The adapter and its cable stay clear of pedals, steering and airbags.",
    )
)
BEFORE = N_(
    (
        "Start the recording with the key on and the engine still off, so that the start is seen.",
        "Read codes, self-checks of this drive and in-use counters once before the start; they are compared "
        "afterwards.",
        "Do not erase anything during or just before the drive unless the evidence is saved: an erase starts all over.",
    )
)
AFTER = N_(
    (
        "Read the misfire counters before the engine stops; some cars clear them at the next start.",
        "Read codes, self-checks of this drive and in-use counters again; then let `firstcause prove` judge the "
        "recording.",
    )
)


def make_plan(needs: PlanNeeds) -> DrivePlan:
    """A short drive for this case, pure. Raises ImpossibleCount for a spacing or confidence that cannot be.

    Source: the numbers of the rules in rules.py, with their marks; what is common practice says so.
    """
    window, need_min = _window_item(needs)
    cold = _cold_start(needs)
    back = [] if window is None else [window]
    early = back if needs.frame is not None and needs.frame.warm is False else []  # before the engine is warm
    *driven, in_all = _rule_items(needs, window)
    start = [] if cold is None else [cold]
    items = [*start, *early, *driven, *([] if early else back), *_monitor_items(needs), in_all]
    drives = 1 if window is None or need_min is None else max(1, ceil(need_min / LONGEST_BACK_MIN.value - 1e-9))
    return DrivePlan(
        needs=needs,
        stop=needs.stop,
        cautions=tuple(_(words) for words in CAUTIONS),
        before=tuple(_(words) for words in BEFORE),
        items=tuple(items),
        after=tuple(_(words) for words in AFTER),
        certainties=tuple(_certainties(needs)),
        cannot_show=tuple(_cannot_show(needs, cold is not None, need_min, drives)),
        total_min=max(MINIMUM_DRIVE.run.value / 60, sum(item.minutes for item in items)),
        drives=drives,
    )


def _cold_start(needs: PlanNeeds) -> PlanItem | None:
    """A cold start when the fault was stored cold, acts cold, or a self-check asks for one."""
    frame, acts = needs.frame, needs.acts
    reasons = []
    if frame is not None and frame.warm is False:
        reasons.append(_("The fault was stored with the engine cold."))
    if "P0316" in needs.codes:
        reasons.append(_("P0316 stands for the first 1,000 revolutions after a start."))
    if acts and acts.get("cold-start", 0.0) >= max(acts.values()) > 0:
        reasons.append(_("The suspected fault acts after a cold start as much as anywhere."))
    waiting = [name for name in ("evap", "secondary-air", "heated-catalyst") if name in needs.incomplete]
    if waiting:
        names = _(" and ").join(check_words(name) for name in waiting)
        reasons.append(_("The self-check {names} usually needs one.", names=names))
    if not reasons:
        return None
    return PlanItem(
        "cold-start", "cold-start", _("Start cold"),
        _(
            "Let the car stand overnight; coolant at or below {coolant:.0f} degC, near the outside air. Start, and let "
            "it idle half a minute before you move off gently.",
            coolant=COLD_START_C.value,
        ),
        " ".join(reasons),
        COLD_START_C.value, "degC", 0.5, COLD_START_C.cite, COLD_START_C.mark,
    )  # fmt: skip


def _rule_items(needs: PlanNeeds, window: PlanItem | None) -> list[PlanItem]:
    """The published minimum drive and the warm-up, with a little more of each than the rule asks for."""
    rule = MINIMUM_DRIVE
    at_speed = needs.frame_speed_kmh is not None and needs.frame_speed_kmh >= rule.fast_speed.value
    also = window is not None and window.measure == "window" and at_speed and window.minutes >= 6
    steady = min(60.0, needs.speed_limit_kmh)
    minimum = _("Part of the published minimum drive: the permanent record of misfire and circuit codes waits for it.")
    return [
        PlanItem(
            "idle", "idle", _("Stand at idle"), _("Stand where it is allowed, foot off the accelerator, for 45 s."),
            minimum, rule.idle_time.value, "s", 0.75, rule.idle_time.cite, rule.idle_time.mark,
        ),
        PlanItem(
            "warm-up", "warm-up", _("Warm it up"),
            _(
                "Drive gently until the coolant has risen by {rise:.0f} K and passed {top:.0f} degC.",
                rise=WARM_UP_RISE.value, top=WARM_UP_REACHED.value,
            ),
            _("A warm-up cycle; and what was stored warm can only be met warm."),
            WARM_UP_REACHED.value, "degC", 4.0, WARM_UP_REACHED.cite, WARM_UP_REACHED.mark,
        ),
        PlanItem(
            "fast", "fast", _("Drive at {speed:.0f} km/h or more", speed=rule.fast_speed.value),
            _(
                "One steady speed, about {speed:.0f} km/h where that is allowed, 6 minutes in all; pauses do not "
                "matter.",
                speed=steady,
            ),
            minimum, rule.fast_time.value, "s", 0.0 if also else 6.0, rule.fast_time.cite, rule.fast_time.mark,
        ),
        PlanItem(
            "decelerations", "decelerations", _("Let it roll in gear"),
            _(
                "From {speed:.0f} km/h, nobody close behind: accelerator released, in gear, no brake, until 20 km/h "
                "are lost.",
                speed=min(70.0, needs.speed_limit_kmh),
            ),
            _(
                "The injectors shut off and open again, the manifold draws hard: what leaks then shows at the next "
                "pull."
            ),
            DECELERATIONS.value, _("times"), 1.5, _(DECELERATIONS.cite), DECELERATIONS.mark,
        ),
        PlanItem(
            "run", "run", _("Ten minutes in all"), _("Keep the engine running for ten minutes from its start."),
            minimum, rule.run.value, "s", 0.0, rule.run.cite, rule.run.mark,
        ),
    ]  # fmt: skip


def _window_item(needs: PlanNeeds) -> tuple[PlanItem | None, float | None]:
    """Back to the conditions in which it failed, and the minutes there that the confidence asks for."""
    frame = needs.frame
    bouts = None if needs.spacing_min is None else minutes_needed(needs.spacing_min, needs.confidence)
    if frame is None:
        if bouts is None and needs.suspect is None:
            return None, None
        minutes = min(bouts or 5.0, LONGEST_BACK_MIN.value)
        return PlanItem(
            "old-conditions", "by-hand", _("Drive as the owner did when it failed"),
            _(
                "No freeze frame is known. Ask the owner how and where it was driven then, and drive so where it is "
                "legal."
            ),
            _certainty_words(needs, minutes), minutes, "min", minutes, _("common practice, no source"), "judgement",
        ), bouts  # fmt: skip
    rpm = max(frame.rpm, 300.0)
    events = events_needed(RARE_SHARE.value, needs.confidence) / (rpm / 2)
    need = max(events, bouts or 0.0)
    minutes = min(need, LONGEST_BACK_MIN.value)
    low, high = frame.rpm_band()
    load = frame.load_band(needs.load_reading)
    where = _("{low:.0f} to {high:.0f} rpm", low=max(low, 0), high=high)
    if load is not None:
        where += _(" and {low:.0f} to {high:.0f} % load", low=max(load[0], 0), high=min(load[1], 100))
    if frame.warm is not None:
        where += _(", engine warm") if frame.warm else _(", engine still cold")
    item = PlanItem(
        "window", "window", _("Back to where it failed"),
        _("Hold {where}.", where=where) + f" {_way_there(needs, frame)}",
        _certainty_words(needs, minutes), minutes * 60, "s", minutes, f"{WINDOW_RPM.cite}; {WINDOW_LOAD.cite}",
        WINDOW_RPM.mark,
    )  # fmt: skip
    return item, need


def _way_there(needs: PlanNeeds, frame: FreezeFrame) -> str:
    """How to get there within the law."""
    speed, limit = needs.frame_speed_kmh, needs.speed_limit_kmh
    if speed is not None and speed <= MINIMUM_DRIVE.idle_speed.value:
        if frame.load_percent is None or frame.load_percent < 35:
            return _("It failed standing: stand where it is allowed, in the open air.")
        return _("It failed standing: stand where it is allowed, in the open air, with consumers on, as it was loaded.")
    said = "" if speed is None else _("It failed at {speed:.0f} km/h.", speed=speed) + " "
    if speed is not None and speed > limit:
        said += _(
            "That is above {limit:.0f} km/h: do not drive so fast; a lower gear gives the same engine speed.",
            limit=limit,
        )
        said += " "
    if (frame.load_percent or 0.0) >= HIGH_LOAD_PERCENT or frame.rpm >= HIGH_RPM:
        return said + _("So much is hardly to be held on a road: short pulls up a long hill, or a chassis dynamometer.")
    return said + _("A gear lower or higher moves the engine speed, a gentle climb or a headwind the load.")


def _certainty_words(needs: PlanNeeds, minutes: float) -> str:
    said = []
    if needs.spacing_min is not None:
        what = needs.suspect or _("the suspected fault")
        chance = 1 - quiet_probability(minutes, needs.spacing_min)
        said.append(
            _(
                "{what} comes in bouts about {spacing:.0f} min apart: {minutes:.0f} min would show it in {of_100:.0f} "
                "of 100 cases, were it still there.",
                what=what[0].upper() + what[1:], spacing=needs.spacing_min, minutes=minutes, of_100=100 * chance,
            )
        )  # fmt: skip
    if needs.frame is not None:
        events = minutes * max(needs.frame.rpm, 300.0) / 2
        shown = 1 - exp(-RARE_SHARE.value * events)
        said.append(
            _(
                "That is about {firings:,.0f} firings of each cylinder: a steady misfire of 1 in {one_in:,.0f} would "
                "show in {of_100:.0f} of 100 cases.",
                firings=events, one_in=1 / RARE_SHARE.value, of_100=100 * shown,
            )
        )  # fmt: skip
    return " ".join(said) or _("Only where it failed can its silence mean anything.")


def _monitor_items(needs: PlanNeeds) -> list[PlanItem]:
    """One item for each self-check that has not run; the car itself ticks it."""
    return [
        PlanItem(
            f"monitor-{name}", "monitor", _("Let the self-check {name} run", name=check_words(name)), way,
            _("It has not run since the last erase. The maker's own conditions for it go before."), 1, _("complete"),
            3.0,
            _("common practice, no source"), "judgement", name,
        )
        for name in needs.incomplete
        if (way := MONITOR_WAYS.get(name)) is not None
    ]  # fmt: skip


def _certainties(needs: PlanNeeds) -> list[Certainty]:
    """How many quiet minutes for what certainty, for the bouts of the suspect and for steady shares."""
    rows = []
    if needs.spacing_min is not None:
        for chance in (0.5, 0.8, 0.9, 0.95, 0.99):
            rows.append(Certainty("bouts", needs.spacing_min, chance, minutes_needed(needs.spacing_min, chance)))
    if needs.frame is not None:
        for share in (0.01, RARE_SHARE.value, 0.0001):
            minutes = events_needed(share, needs.confidence) / (max(needs.frame.rpm, 300.0) / 2)
            rows.append(Certainty("share", share, needs.confidence, minutes))
    return rows


def _cannot_show(needs: PlanNeeds, cold: bool, need_min: float | None, drives: int) -> list[str]:
    said = [
        _(
            "Its silence counts only for the conditions that were driven: nothing is proven for rain, heat, towing, "
            "full load or another driver's ways unless they were part of it."
        )
    ]
    if needs.frame is None:
        said.append(_("Without a freeze frame nobody can say whether the drive came back to where it failed."))
    else:
        said.append(
            _("The values that the car itself compares cannot be read; the freeze frame is the nearest to them.")
        )
    if needs.spacing_min is not None and need_min is not None and drives > 1:
        chance = quiet_probability(LONGEST_BACK_MIN.value, needs.spacing_min)
        said.append(
            _(
                "One such drive is not enough for {confidence:.0f} %: {needed:.0f} min are needed, and {of_100:.0f} of "
                "100 drives of {minutes:.0f} min would be quiet although bouts still come; {drives} drives, or the "
                "owner's own driving, make up the rest.",
                confidence=100 * needs.confidence, needed=need_min, of_100=100 * chance,
                minutes=LONGEST_BACK_MIN.value, drives=drives,
            )
        )  # fmt: skip
    if needs.frame is not None and needs.frame.warm is False:
        said.append(
            _(
                "It failed cold, and an engine is cold for minutes only: at {top:.0f} degC that part of the drive is "
                "over. What is then missing needs another morning.",
                top=WARM_UP_REACHED.value,
            )
        )
    if needs.permanent:
        kinds = {code_kind(code) for code in needs.permanent}
        rule = _("one drive in which its self-check passes")
        if kinds - {"ratio monitor"}:
            rule += _(" and, for misfire, fuel and circuit codes, the minimum drive")
        held = ", ".join(needs.permanent)
        said.append(
            _(
                "The permanent record of {codes} is not gone when the drive ends: it needs {rule}, and shows as gone "
                "at the next start at the earliest.",
                codes=held, rule=rule,
            )
            if needs.erased
            else _(
                "The permanent record of {codes} goes only when the car turns its own lamp off: not after one drive.",
                codes=held,
            )
        )  # fmt: skip
    if not needs.erased and needs.codes:
        said.append(_("The lamp needs three such drives, so this one alone does not put it out."))
    if "evap" in needs.incomplete and not cold:
        said.append(_("The fuel vapour check usually wants a cold start; it is not to be expected on this drive."))
    unknown = [name for name in needs.incomplete if name not in MONITOR_WAYS]
    if unknown:
        said.append(
            _("How {names} gets its turn is not known here; see the maker's information.", names=", ".join(unknown))
        )
    return said
