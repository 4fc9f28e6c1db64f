"""The car's own records by the published rules, drive by drive: pending, confirmed, lamp, permanent, self-checks."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import Literal

from firstcause.roadtest.permanent import Kind, code_kind
from firstcause.roadtest.rules import (
    CONFIRMED_ERASE_WARM_UPS,
    GENERAL_ALTITUDE,
    GENERAL_AMBIENT,
    LAMP_OFF_CYCLES,
    MINIMUM_DRIVE,
    PENDING_ERASE_CYCLES,
    WARM_UP_REACHED,
    WARM_UP_RISE,
    WINDOW_LOAD,
    WINDOW_RPM,
)

_COMPARED: tuple[Kind, ...] = ("misfire", "fuel system")  # kinds with similar conditions: (e)(3.4), (e)(6.4)


@dataclass(frozen=True, slots=True)
class RuleReading:
    """How the open places of the rule are read. The defaults are the readings the wording supports best.

    `load`: "within 20 percent" in points of load, or of the stored load. `lamp_cycles`: the three quiet cycles of a
    misfire or fuel code, "passing over" cycles without similar conditions, or "in a row" among all cycles.
    `permanent_limits`: the general denominator's temperature and altitude limits hold for the permanent record's drive.
    `first_1000`: a misfire in the first 1000 revolutions is confirmed by one in "any later" or only the "next" cycle.
    `continuous`: the misfire and fuel checks "must run" after an erase before they read complete, or are "always
    complete", as older texts have it: (g)(4.1), the year is not known for sure.
    """

    load: Literal["points", "relative"] = "points"
    lamp_cycles: Literal["passing over", "in a row"] = "passing over"
    permanent_limits: bool = False
    first_1000: Literal["any later", "next"] = "any later"
    continuous: Literal["must run", "always complete"] = "must run"


@dataclass(frozen=True, slots=True)
class Where:
    """Where the engine was: what similar conditions are measured by."""

    rpm: float
    load_percent: float
    warm: bool

    def near(self, other: Where, reading: RuleReading) -> bool:
        """Whether `other` is similar to this stored place. Source: 13 CCR 1968.2(c), see rules.WINDOW_RPM."""
        half = WINDOW_LOAD.value * (1.0 if reading.load == "points" else self.load_percent / 100)
        return (
            abs(other.rpm - self.rpm) <= WINDOW_RPM.value
            and abs(other.load_percent - self.load_percent) <= half
            and other.warm == self.warm
        )


@dataclass(frozen=True, slots=True)
class Sighting:
    """The monitor finds its fault; `where` for misfire and fuel only. A misfire may reach the catalyst's level."""

    code: str
    where: Where | None = None
    catalyst: bool = False
    first_1000: bool = False


@dataclass(frozen=True, slots=True)
class Ran:
    """A monitor has run long enough in this drive to say "not present" (or has said "present")."""

    monitor: str


@dataclass(frozen=True, slots=True)
class Cycle:
    """One driving cycle, to the next start: what happened in order, and the numbers of the whole.

    `erased_after`: codes were erased by a tool once the engine stood. The temperatures are coolant, deg C.
    """

    happened: tuple[Where | Sighting | Ran, ...] = ()
    run_s: float = 0.0
    fast_s: float = 0.0
    longest_idle_s: float = 0.0
    start_c: float = 20.0
    hottest_c: float = 20.0
    coldest_ambient_c: float = 20.0
    highest_m: float = 0.0
    erased_after: bool = False

    @property
    def warm_up(self) -> bool:
        """Source: 13 CCR 1968.2(c), warm-up cycle; see rules.WARM_UP_RISE."""
        return self.hottest_c - self.start_c >= WARM_UP_RISE.value and self.hottest_c >= WARM_UP_REACHED.value

    def minimum_drive(self, with_limits: bool) -> bool:
        """The published minimum drive, with the general denominator's limits or without."""
        rule = MINIMUM_DRIVE
        driven = (
            self.run_s >= rule.run.value
            and self.fast_s >= rule.fast_time.value
            and self.longest_idle_s >= rule.idle_time.value
        )
        mild = self.coldest_ambient_c >= GENERAL_AMBIENT.value and self.highest_m < GENERAL_ALTITUDE.value
        return driven and (mild or not with_limits)


@dataclass(frozen=True, slots=True)
class CodeRecord:
    """One stored code. Ages are in driving cycles that have ended since; None where it never was."""

    code: str
    monitor: str
    where: Where | None
    pending_age: int | None = 0
    confirmed: bool = False
    lamp: bool = False
    first_1000: bool = False
    catalyst: bool = False
    quiet: int = 0
    strange: int = 0
    warm_ups: int = 0


@dataclass(frozen=True, slots=True)
class PermanentRecord:
    """A code that no tool can erase; after an erase it waits for a pass and, without a ratio, for a minimum drive."""

    code: str
    monitor: str
    after_erase: bool = False
    passed: bool = False
    driven: bool = False


@dataclass(frozen=True, slots=True)
class Records:
    """Everything the car keeps between drives. `complete`: monitors that have run since the last erase."""

    codes: tuple[CodeRecord, ...] = ()
    permanent: tuple[PermanentRecord, ...] = ()
    complete: frozenset[str] = frozenset()

    @property
    def lamp(self) -> bool:
        return any(record.lamp for record in self.codes)

    @property
    def pending(self) -> tuple[str, ...]:
        return tuple(record.code for record in self.codes if record.pending_age is not None)

    @property
    def confirmed(self) -> tuple[str, ...]:
        return tuple(record.code for record in self.codes if record.confirmed)

    @property
    def on_permanent(self) -> tuple[str, ...]:
        return tuple(record.code for record in self.permanent)


def monitor_of(code: str) -> str:
    """The monitor that stands behind a code; a code in no group has its own, for its circuit.

    Raises NotACode for anything but a trouble code. Source: SAE J2012 ranges, from memory.
    """
    kind = code_kind(code)
    if kind == "ratio monitor":
        number = int(code[2:], 16)
        if 0x420 <= number <= 0x434:
            return "catalyst"
        if 0x440 <= number <= 0x459:
            return "evap"
        return "oxygen-sensor" if 0x130 <= number <= 0x169 else "egr-or-vvt"
    return "comprehensive" if kind == "other" else kind.replace(" ", "-")


def read_complete(records: Records, reading: RuleReading) -> frozenset[str]:
    """The self-checks that a tool would read as complete; those for circuits always do: (g)(4.1), from memory."""
    always = ("comprehensive",) if reading.continuous == "must run" else ("comprehensive", "misfire", "fuel-system")
    return records.complete | frozenset(always)


def erased(records: Records, held: int = 4) -> Records:
    """After a tool's erase: only the permanent record stays, and its evidence starts anew: (d)(2.5.2)."""
    permanent = _stored_for_good(records.permanent, records.codes, held)
    return Records((), tuple(PermanentRecord(each.code, each.monitor, True) for each in permanent))


def after_cycle(records: Records, cycle: Cycle, reading: RuleReading | None = None, held: int = 4) -> Records:
    """The records once this driving cycle has ended; `held`: how many permanent codes the car keeps.

    Source: 13 CCR 1968.2(d)(2), (e)(3.4), (e)(6.4); each rule is named where it stands.
    """
    how = reading or RuleReading()
    codes, found = _watched(records.codes, cycle, how)
    ran = frozenset(each.monitor for each in cycle.happened if isinstance(each, Ran))
    permanent = _stored_for_good(records.permanent, codes, held)
    if cycle.erased_after:
        return erased(Records(codes, permanent), held)
    met = (each.where if isinstance(each, Sighting) else each for each in cycle.happened if not isinstance(each, Ran))
    been = tuple(place for place in met if place is not None)
    settled = tuple(
        each if each.code in found else _settled(each, ran, found, been, cycle.warm_up, how) for each in codes
    )
    went_out = {new.code for old, new in zip(codes, settled, strict=True) if old.lamp and not new.lamp}
    bad = frozenset(monitor_of(code) for code in found)
    driven = cycle.minimum_drive(how.permanent_limits)
    waiting = (
        _evidence(each, ran, bad, driven)
        for each in permanent
        if each.after_erase or each.code not in went_out  # the car itself turned its lamp off: (d)(2.5.1)
    )
    kept = tuple(each for each in settled if each.pending_age is not None or each.confirmed)
    return Records(
        tuple(replace(each, pending_age=None if each.pending_age is None else each.pending_age + 1) for each in kept),
        tuple(each for each in waiting if not _proven(each)),
        records.complete | (ran - _unsettled(settled, found)),
    )


def _watched(
    codes: tuple[CodeRecord, ...], cycle: Cycle, how: RuleReading
) -> tuple[tuple[CodeRecord, ...], frozenset[str]]:
    """The codes at the end of the drive, and which were found in it."""
    table = {record.code: record for record in codes}
    been: list[Where] = []
    found: set[str] = set()
    for each in cycle.happened:
        if isinstance(each, Where):
            been.append(each)
        elif isinstance(each, Sighting):
            if each.where is not None:
                been.append(each.where)  # the fault was met there, so the engine was there
            table[each.code] = _sighted(table, each, been, how)
            found.add(each.code)
    return tuple(table.values()), frozenset(found)


def _sighted(table: dict[str, CodeRecord], seen: Sighting, been: list[Where], how: RuleReading) -> CodeRecord:
    monitor = monitor_of(seen.code)
    second = any(_seconds(record, seen, monitor, been, how) for record in table.values())
    old = table.get(seen.code)
    if old is None or old.pending_age is None:  # pending on the first detection: (d)(2.2.1)
        new = CodeRecord(seen.code, monitor, seen.where, 0, first_1000=seen.first_1000, catalyst=seen.catalyst)
        if old is not None:
            new = replace(new, confirmed=old.confirmed, lamp=old.lamp, catalyst=old.catalyst or seen.catalyst)
    else:  # found again: the quiet cycles, the 80 and the 40 begin anew
        new = replace(old, catalyst=old.catalyst or seen.catalyst, quiet=0, strange=0, warm_ups=0)
    return replace(new, confirmed=True, lamp=True) if second else new


def _seconds(record: CodeRecord, seen: Sighting, monitor: str, been: list[Where], how: RuleReading) -> bool:
    """Whether a stored pending code makes this sighting the second one that confirms.

    All misfire codes belong to one monitor and count for each other. Source: (d)(2.2.2); misfire (e)(3.4.1)(B) and
    (3.4.2)(A), (B); fuel (e)(6.4.2).
    """
    if record.pending_age is None or not (
        record.code == seen.code or (monitor == "misfire" and record.monitor == "misfire")
    ):
        return False
    if monitor == "misfire" and seen.catalyst and not record.catalyst:
        return True  # the catalyst's level with an emission-level code pending: at once, (e)(3.4.1)(B)
    if record.pending_age == 0:
        return False
    if record.where is None or record.pending_age == 1:
        return True
    if record.first_1000 and seen.first_1000 and how.first_1000 == "any later":
        return True
    return any(record.where.near(place, how) for place in been)


def _settled(
    record: CodeRecord, ran: frozenset[str], found: frozenset[str], been: tuple[Where, ...], warm_up: bool,
    how: RuleReading,
) -> CodeRecord:  # fmt: skip
    """A code that was not found in the drive that has ended."""
    spoilt = record.monitor == "misfire" and any(monitor_of(code) == "misfire" for code in found)
    back = record.where is None or any(record.where.near(place, how) for place in been)
    if back and record.monitor in ran and not spoilt:
        quiet = record.quiet + 1
        if record.lamp and quiet >= LAMP_OFF_CYCLES.value:  # (d)(2.3), (e)(3.4.5), (e)(6.4.6)
            return replace(record, pending_age=None, quiet=quiet, lamp=False)
        record = replace(record, pending_age=None, quiet=quiet)
    else:
        strange = record.strange + 1
        gone = record.where is not None and strange >= PENDING_ERASE_CYCLES.value  # (e)(3.4.1)(C), (e)(6.4.3)
        row = 0 if how.lamp_cycles == "in a row" else record.quiet
        record = replace(record, pending_age=None if gone else record.pending_age, strange=strange, quiet=row)
    if record.confirmed and not record.lamp and warm_up:
        warm_ups = record.warm_ups + 1
        record = replace(record, warm_ups=warm_ups, confirmed=warm_ups < CONFIRMED_ERASE_WARM_UPS.value)  # (d)(2.4)
    return record


def _unsettled(codes: Iterable[CodeRecord], found: frozenset[str]) -> frozenset[str]:
    """Monitors that found a fault in this drive for which the lamp is not commanded: they stay incomplete.

    A monitor is complete once it has passed, or failed as often as the lamp's rule asks: (g)(4.1), from memory.
    """
    lit = {each.monitor for each in codes if each.code in found and each.lamp}
    return frozenset(monitor_of(code) for code in found) - lit


def _stored_for_good(
    permanent: tuple[PermanentRecord, ...], codes: Iterable[CodeRecord], held: int
) -> tuple[PermanentRecord, ...]:
    """Before the ignition cycle ends, each confirmed code that commands the lamp: (d)(2.2.5)."""
    table = {each.code: each for each in permanent}
    for record in codes:
        if record.confirmed and record.lamp:
            if record.code in table:  # it commands the lamp again, so the lamp's rule holds again: (d)(2.5.1)
                table[record.code] = replace(table[record.code], after_erase=False)
            elif len(table) < held:
                table[record.code] = PermanentRecord(record.code, record.monitor)
    return tuple(table.values())


def _evidence(record: PermanentRecord, ran: frozenset[str], bad: frozenset[str], driven: bool) -> PermanentRecord:
    """After an erase: a pass with no failure in that drive or since; the minimum drive may be any: (d)(2.5.2)."""
    if not record.after_erase:
        return record
    passed = record.monitor not in bad and (record.passed or record.monitor in ran)
    return replace(record, passed=passed, driven=record.driven or driven)


def _proven(record: PermanentRecord) -> bool:
    ratio = code_kind(record.code) == "ratio monitor"
    return record.after_erase and record.passed and (ratio or record.driven)
