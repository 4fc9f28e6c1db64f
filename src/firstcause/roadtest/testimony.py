"""What the car itself says of the drive: its in-use counters and self-checks before and after, beside our reading."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Literal

from firstcause.roadtest.conditions import VERDICT_WORDS, Verdict
from firstcause.roadtest.inspection import check_words
from firstcause.roadtest.judgement import DriveJudgement
from firstcause.roadtest.rules import Limit
from firstcause.signals.identity import InUseCounters
from firstcause.signals.readiness import Readiness
from firstcause.signals.snapshot import Snapshot, UnitRecord
from firstcause.tongue import _

Agreement = Literal["agrees", "differs", "open", "said"]
GENERAL = Limit(
    1, "driving cycle", "13 CCR 1968.2(d)(4.3.2)(B), general denominator; read by $09 InfoType $08", "from memory"
)
STARTS = Limit(1, "engine start", "13 CCR 1968.2(d)(5.5), ignition cycle counter", "from memory")
FINISHED = Limit(
    1, "completion", "13 CCR 1968.2(d)(4.2), numerator: every condition of the monitor was met", "from memory"
)
PAUSED = "13 CCR 1968.2(d)(5): both counters of a monitor stand still while a fault keeps it from running"
COUNTER_TURNS_AT = 0xFFFF


@dataclass(frozen=True, slots=True)
class CarWord:
    """One thing the car says. `agreement`: with our reading of the log, or "said" where we have no reading of it."""

    id: str
    sentence: str
    before: int | bool | None
    after: int | bool | None
    ours: Verdict | None
    agreement: Agreement
    cite: str

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {name: getattr(self, name) for name in self.__slots__}


@dataclass(frozen=True)
class Testimony:
    """All that the car says of one drive. `unit` is the control unit that was asked, None when none told twice."""

    unit: str | None
    words: tuple[CarWord, ...]

    @property
    def differs(self) -> tuple[CarWord, ...]:
        """Where the car and our reading of the log do not agree."""
        return tuple(word for word in self.words if word.agreement == "differs")

    def to_dict(self) -> dict[str, Any]:
        """Plain values for JSON; keys are stable."""
        return {"unit": self.unit, "words": [word.to_dict() for word in self.words]}

    def sentences(self) -> list[str]:
        """In plain words; where the two differ comes first."""
        if not self.words:
            return [
                _("The car says nothing of this drive: counters and self-checks were not read before and after it.")
            ]
        order: tuple[Agreement, ...] = ("differs", "open", "agrees", "said")
        lead = {"differs": _("They differ.") + " ", "open": "", "agrees": "", "said": ""}
        return [
            lead[word.agreement] + word.sentence
            for word in sorted(self.words, key=lambda word: order.index(word.agreement))
        ]


@dataclass(frozen=True, slots=True)
class _Ours:
    """Our reading of a recording: starts seen, and of each trip the minimum drive, bare and with limits."""

    starts_seen: int
    bare: tuple[Verdict, ...]
    with_limits: tuple[Verdict, ...]
    whole: Verdict

    @classmethod
    def of(cls, judged: Mapping[str, Any]) -> _Ours:
        trips = judged["trips"]
        return cls(
            sum(bool(trip["engine_start_seen"]) for trip in trips),
            tuple(trip["minimum_drive"]["verdict"] for trip in trips),
            tuple(trip["with_surroundings"] for trip in trips),
            judged["with_surroundings"],
        )


def car_testimony(before: Snapshot, after: Snapshot, judged: DriveJudgement | Mapping[str, Any]) -> Testimony:
    """The car's counters and self-checks before and after the drive, beside our reading of its recording; pure.

    `judged` is the judgement, or what it was written down as (`DriveJudgement.to_dict`).
    The first control unit that told the same kind of thing both times is asked. Nothing is made of a counter that fell.
    """
    ours = _Ours.of(judged.to_dict() if isinstance(judged, DriveJudgement) else judged)
    for old in before.units:
        new = next((unit for unit in after.units if unit.unit == old.unit), None)
        if new is not None and (_both_counted(old, new) or _both_checked(old, new)):
            return Testimony(old.unit, tuple(_words(old, new, ours)))
    return Testimony(None, ())


def _both_counted(old: UnitRecord, new: UnitRecord) -> bool:
    return old.counters is not None and new.counters is not None


def _both_checked(old: UnitRecord, new: UnitRecord) -> bool:
    return new.readiness_this_cycle is not None or (old.readiness is not None and new.readiness is not None)


def _words(old: UnitRecord, new: UnitRecord, ours: _Ours) -> list[CarWord]:
    words = []
    if old.counters is not None and new.counters is not None:
        starts = _starts(old.counters, new.counters, ours)
        alone = starts.agreement != "differs"
        words += [_general(old.counters, new.counters, ours, alone), starts]
        words += _monitors(old.counters, new.counters, new.readiness_this_cycle)
    words += _this_cycle(old.readiness_this_cycle, new.readiness_this_cycle)
    words += _since_erase(old.readiness, new.readiness, new.readiness_this_cycle)
    return words


def _starts(old: InUseCounters, new: InUseCounters, ours: _Ours) -> CarWord:
    """As many starts as the recording holds, or one fewer when its first start came before the first reading."""
    rise, trips = new.ignition_cycles - old.ignition_cycles, len(ours.bare)
    seen = ours.starts_seen
    agreement: Agreement
    if rise < 0:
        sentence = _("The counter of engine starts fell: another unit, or its memory was lost.")
        agreement = "differs"
    elif seen <= rise <= trips:
        sentence = _("The car counts {starts}, as the recording does.", starts=_starts_words(rise))
        agreement = "agrees"
    else:
        held = _("1 trip") if trips == 1 else _("{n} trips", n=trips)
        sentence = _(
            "The car counts {starts}, the recording holds {trips}: the readings before and after do not belong to this "
            "drive alone.",
            starts=_starts_words(rise), trips=held,
        )  # fmt: skip
        agreement = "differs"
    return CarWord("starts", sentence, old.ignition_cycles, new.ignition_cycles, None, agreement, STARTS.cite)


def _general(old: InUseCounters, new: InUseCounters, read: _Ours, alone: bool) -> CarWord:
    """Did *its* minimum drive count, and does our reading of the log say the same?"""
    rise = new.general_conditions - old.general_conditions
    each, bare = read.with_limits, read.bare
    surely = each.count("met")
    at_most = sum(verdict != "missed" for verdict in each)
    ours, counted = read.whole, _drives_words(rise)
    agreement: Agreement = "open"
    if rise < 0 or old.general_conditions == COUNTER_TURNS_AT:
        sentence = _("The car's counter of minimum drives fell or stands at its end: nothing can be said from it.")
    elif not alone:
        sentence = _("The car counts {drives} between the two readings, of this and other drives.", drives=counted)
    elif rise > at_most:
        sentence = _(
            "The car counts {drives}, our reading of the log finds {ours}: sampling, or a condition that the recording "
            "does not hold. The car's word goes before for its own records.",
            drives=counted, ours=at_most,
        )  # fmt: skip
        agreement = "differs"
    elif rise < surely:
        sentence = _(
            "Our reading of the log finds {drives}, the car counts {n}: it may have been read before the counter had "
            "risen, or its own sensors saw another speed, height or cold. The car's word goes before for its own "
            "records; drive it again a little longer.",
            drives=_drives_words(surely), n=rise,
        )  # fmt: skip
        agreement = "differs"
    else:
        agreement = "agrees" if surely == at_most else "open"
        if rise:
            sentence = _("The car itself counts {drives}: its own condition for it was met.", drives=counted)
        else:
            sentence = _("The car itself counts no minimum drive.")
        if agreement == "open":
            sentence += " " + _(
                "Our reading of the log alone leaves it {verdict}; the car decides it.", verdict=VERDICT_WORDS[ours]
            )
        elif ours != (bare_best := "met" if "met" in bare else ours) and bare_best == "met":
            sentence += " " + _("Without the limits of cold and height the log meets it.")
    return CarWord(
        "minimum-drive", sentence, old.general_conditions, new.general_conditions, ours, agreement, GENERAL.cite
    )


def _monitors(old: InUseCounters, new: InUseCounters, cycle: Readiness | None) -> list[CarWord]:
    """Each tracked self-check whose counters moved, or that says done in this drive without having counted."""
    words = []
    earlier = {use.group: use for use in old.monitors}
    for use in new.monitors:
        before = earlier.get(use.group)
        if before is None or (use.completions == before.completions and use.conditions == before.conditions):
            continue
        ran, could = use.completions - before.completions, use.conditions - before.conditions
        if ran < 0 or could < 0:
            continue  # both halve at the end of the scale: (d)(5)
        name = monitor_of_group(use.group)
        done = None if cycle is None or (found := cycle.monitor(name)) is None else found.complete
        agreement: Agreement = "said"
        group = group_words(use.group)
        if ran:
            times = _("1 time") if ran == 1 else _("{n} times", n=ran)
            sentence = _("Self-check {name}: ran {times} between the readings.", name=group, times=times)
        else:
            sentence = _("Self-check {name}: its conditions counted, but it did not run.", name=group)
        if ran and done is False:
            agreement = "open"
            sentence += " " + _(
                "The status of this drive calls it open: it ran in an earlier drive, or its group has others."
            )
        words.append(
            CarWord(f"ran-{use.group}", sentence, before.completions, use.completions, None, agreement, FINISHED.cite)
        )
    return words


def _this_cycle(before: Readiness | None, after: Readiness | None) -> list[CarWord]:
    """Which self-checks the car calls done in this driving cycle, after the drive and not before it."""
    if after is None:
        return []
    done = {each.name: bool(each.complete) for each in after.monitors if each.supported}
    monitors = () if before is None else before.monitors
    earlier = {each.name for each in monitors if each.supported and each.complete}
    if not done:
        return []
    parts = []
    for names, words in (
        ([name for name, ran in done.items() if ran and name not in earlier], _("ran in it")),
        ([name for name, ran in done.items() if ran and name in earlier], _("had run before the recording")),
        ([name for name, ran in done.items() if not ran], _("did not run")),
    ):
        if names:
            parts.append(f"{words}: {', '.join(check_words(name) for name in names)}")
    lead = (
        _("The car's own status of this driving cycle, before and after the drive:")
        if before is not None
        else _("The car's own status of this driving cycle, read after the drive only:")
    )
    cite = "$01 PID $41; SAE J1979, from memory"
    before_done = None if before is None else len(earlier)
    return [CarWord("this-cycle", f"{lead} {'; '.join(parts)}.", before_done, sum(done.values()), None, "said", cite)]


def _since_erase(old: Readiness | None, new: Readiness | None, cycle: Readiness | None) -> list[CarWord]:
    """Self-checks that became complete, and those that ran in this drive and are still not complete."""
    words = []
    for monitor in () if new is None else new.monitors:
        if not monitor.supported:
            continue
        was = None if old is None or (found := old.monitor(monitor.name)) is None else found.complete
        ran = None if cycle is None or (found := cycle.monitor(monitor.name)) is None else found.complete
        name = check_words(monitor.name)
        cite = "13 CCR 1968.2(g)(4.1), readiness; $01 PID $01 and $41; from memory"
        if was is False and monitor.complete:
            said = _("Self-check {name}: it was open before the drive and is complete now.", name=name)
            words.append(CarWord(f"ready-{monitor.name}", said, was, True, None, "said", cite))
        elif ran and not monitor.complete:
            said = _(
                "Self-check {name}: it ran in this drive and is still not complete. It may have found a fault that "
                "waits for a second drive: read the pending codes.",
                name=name,
            )
            words.append(CarWord(f"ready-{monitor.name}", said, was, False, None, "open", cite))
        elif was and not monitor.complete:
            said = _(
                "Self-check {name}: it was complete before and is open now: codes were erased in between.", name=name
            )
            words.append(CarWord(f"ready-{monitor.name}", said, True, False, None, "differs", cite))
    return words


def monitor_of_group(group: str) -> str:
    """The self-check, as readiness names it, behind a group of counters."""
    bare = group.removesuffix("-b1").removesuffix("-b2")
    return "oxygen-sensor" if bare == "second-oxygen-sensor" else bare


def group_words(group: str) -> str:
    """A group of counters as it is said: the self-check and its bank."""
    name = check_words(monitor_of_group(group))
    if group.startswith("second-"):
        name = _("second {name}", name=name)
    bank = group[-1] if group.endswith(("-b1", "-b2")) else ""
    return _("{name}, bank {bank}", name=name, bank=bank) if bank else name


def _starts_words(count: int) -> str:
    if count == 0:
        return _("no engine start")
    return _("1 engine start") if count == 1 else _("{n} engine starts", n=count)


def _drives_words(count: int) -> str:
    if count == 0:
        return _("no minimum drive")
    return _("1 minimum drive") if count == 1 else _("{n} minimum drives", n=count)
