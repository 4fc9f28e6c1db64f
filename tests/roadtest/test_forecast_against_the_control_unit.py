"""What we say the car will do, against the virtual car's control unit: two implementations that share no line."""

from __future__ import annotations

import random
from dataclasses import dataclass

from firstcause.roadtest.records import Cycle, Ran, Records, Sighting, Where, after_cycle
from firstcause.virtualcar.code_memory import CodeMemory, Conditions, Family
from firstcause.virtualcar.in_use import CycleTally, SelfChecks

SEQUENCES = 1500
PLACES = (Where(720, 20, True), Where(1050, 35, True), Where(2100, 45, True), Where(800, 25, False))
FAULTS: tuple[tuple[str, Family], ...] = (
    ("P0303", "misfire"), ("P0300", "misfire"), ("P0171", "fuel"), ("P0420", "catalyst"), ("P0351", "general"),
)  # fmt: skip
MONITORS: dict[Family, str] = {
    "misfire": "misfire", "fuel": "fuel-system", "catalyst": "catalyst", "general": "comprehensive",
}  # fmt: skip
READY = frozenset({"misfire", "fuel-system", "catalyst"})


@dataclass
class Unit:
    """The unit's rules without its engine: code memory, cycle tally, self-checks, fed drive by drive."""

    memory: CodeMemory
    checks: SelfChecks

    def drive(self, cycle: Cycle) -> None:
        tally = CycleTally()
        fast = min(cycle.fast_s, cycle.run_s - cycle.longest_idle_s)
        slow = cycle.run_s - cycle.longest_idle_s - fast
        weather = (cycle.coldest_ambient_c, cycle.highest_m)
        for seconds, kmh, coolant in (
            (0.0, 0.0, cycle.start_c), (cycle.longest_idle_s, 0.0, cycle.start_c), (fast, 90.0, cycle.hottest_c),
            (slow, 20.0, cycle.hottest_c),
        ):  # fmt: skip
            tally.add(seconds, kmh, kmh > 0, coolant, *weather)
        self.checks.start_cycle()
        done = set()
        for each in cycle.happened:
            if isinstance(each, Where):
                self.memory.note_conditions(Conditions(each.rpm, each.load_percent, each.warm))
            elif isinstance(each, Ran):
                family = next(name for name, monitor in MONITORS.items() if monitor == each.monitor)
                self.memory.passed(family)
                done.add(each.monitor)
            else:
                place = each.where and Conditions(each.where.rpm, each.where.load_percent, each.where.warm)
                self.memory.detect(
                    each.code, dict(FAULTS)[each.code], place, {}, catalyst=each.catalyst, at_start=each.first_1000
                )
        unsettled = frozenset(MONITORS[family] for family in self.memory.unsettled_families)  # type: ignore[index]
        self.checks.update(tally, frozenset(done), unsettled=unsettled)
        self.memory.power_down()
        if cycle.erased_after:
            self.memory.erase()
            self.checks.erase()
            tally = CycleTally()
        self.memory.close_cycle(warm_up=tally.warm_up, minimum_drive=tally.minimum_drive)


def random_cycle(rng: random.Random, habit: float, erase: float) -> Cycle:
    """A drive of a car whose faults come with probability `habit`; an erase after it with probability `erase`."""
    happened: list[Where | Sighting | Ran] = []
    for _ in range(rng.randrange(4)):
        happened.append(rng.choice(PLACES))
    for code, family in FAULTS:
        if rng.random() < habit:
            where = rng.choice(PLACES) if family in ("misfire", "fuel") else None
            misfire = family == "misfire"
            at_start = misfire and rng.random() < 0.2
            catalyst = misfire and not at_start and rng.random() < 0.2
            happened.append(Sighting(code, where, catalyst, at_start))
    rng.shuffle(happened)
    ran = [monitor for monitor in MONITORS.values() if rng.random() < 0.8]
    happened.extend(Ran(monitor) for monitor in ran)
    run_s = rng.choice((300.0, 590.0, 600.0, 1200.0))
    idle_s = min(run_s, rng.choice((10.0, 29.0, 30.0, 45.0)))
    fast_s = min(run_s - idle_s, rng.choice((120.0, 299.0, 300.0, 500.0)))
    return Cycle(
        tuple(happened), run_s, fast_s, idle_s, start_c=rng.choice((15.0, 49.0, 60.0)),
        hottest_c=rng.choice((65.0, 72.0, 90.0)), erased_after=rng.random() < erase,
    )  # fmt: skip


def said(records: Records) -> tuple[object, ...]:
    return (
        records.lamp, sorted(records.pending), sorted(records.confirmed), sorted(records.on_permanent),
        sorted(records.complete & READY),
    )  # fmt: skip


def kept(unit: Unit) -> tuple[object, ...]:
    memory = unit.memory
    return (
        memory.lamp_commanded, sorted(memory.of("pending")), sorted(memory.of("confirmed")),
        sorted(memory.of("permanent")), sorted(unit.checks.ready & READY),
    )  # fmt: skip


def test_lamp_codes_and_readiness_are_what_the_unit_then_shows() -> None:
    """
    1,500 seeded histories of 6 to 220 drives: after each drive the lamp, the pending, confirmed and permanent codes
    and the complete monitors agree. 13 CCR 1968.2(d)(2), (e)(3.4), (e)(6.4); most numbers from memory, so this checks
    that two people read the notes alike, not the regulation itself.
    """
    happenings = {"lamp on": 0, "lamp off": 0, "permanent gone": 0, "erased": 0, "confirmed gone": 0}
    for seed in range(SEQUENCES):
        rng = random.Random(seed)
        unit = Unit(CodeMemory(), SelfChecks(banks=1, ready=set()))
        records = Records()
        long = seed % 25 == 0
        sick = rng.randrange(2, 8)
        for drive in range(220 if long else rng.randrange(6, 30)):
            habit = (0.35 if drive < sick else 0.01 if long else 0.08) * (1 if seed % 3 else 0.5)
            cycle = random_cycle(rng, habit, 0.003 if long else 0.06)  # 40 warm-ups without one, too
            before = records
            records = after_cycle(records, cycle)
            unit.drive(cycle)
            assert said(records) == kept(unit), (seed, drive, cycle, before)
            happenings["lamp on"] += records.lamp and not before.lamp
            happenings["lamp off"] += before.lamp and not records.lamp and not cycle.erased_after
            happenings["permanent gone"] += len(records.permanent) < len(before.permanent)
            happenings["erased"] += cycle.erased_after
            gone = len(records.confirmed) < len(before.confirmed)
            happenings["confirmed gone"] += gone and not cycle.erased_after
    assert min(happenings.values()) >= 10, happenings
