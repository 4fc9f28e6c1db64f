"""What we say of a car's records from its recorded drives alone, beside what its control unit then shows."""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from firstcause.casebook.case import Case, replay
from firstcause.casebook.events import Car, EngineDescription, Erased, Event, FreezeFrame, Opened, Snapshot
from firstcause.casebook.evidence import drive_facts, freeze_frame_of
from firstcause.casebook.records_ahead import FreshDrive, standing_of
from firstcause.roadtest.judgement import judge_drive
from firstcause.roadtest.permanent import code_kind
from firstcause.roadtest.reading import read_drive_file
from firstcause.roadtest.records import RuleReading
from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.control_unit import ControlUnit

VIN = "5ZCV2A3B5AR000123"
ENGINES = (("I3", 1.2), ("I4", 2.0), ("V6", 3.0))
FAULTS = (("coil-weak", 1.2), ("injector-restricted", 1.6), ("plug-gap-wide", 1.2), ("coil-dead", 1.0))
PARTS = {"coil-weak": "coil", "coil-dead": "coil", "injector-restricted": "injector", "plug-gap-wide": "plug"}
DRIVES = ("town", "mixed", "motorway", "hill", "jam", "cold-start")
CHECKS = frozenset({"misfire", "fuel-system", "catalyst", "evap", "oxygen-sensor", "oxygen-sensor-heater"})
CODES = ("pending", "stored", "permanent")
Shown = dict[str, frozenset[str]]


def shown(unit: ControlUnit, known: frozenset[str]) -> Shown:
    """What a tool would read from the unit now, of the codes that the case knows."""
    memory = unit.memory
    lit = {code.code for code in memory.codes.values() if code.commands_lamp}
    return {
        "lamp": frozenset({"on"} if lit & known else ()),
        "pending": known & frozenset(memory.of("pending")),
        "stored": known & frozenset(memory.of("confirmed")),
        "permanent": known & frozenset(memory.of("permanent")),
        "self-checks open": CHECKS - unit.checks.ready,
    }


def said(case: Case, drives: list[FreshDrive]) -> tuple[Shown, Shown]:
    """What the case and the drives since say of the same, at best and at worst."""
    standing = standing_of(case, freeze_frame_of(case.freeze_frame), RuleReading(), drives)
    return tuple(  # type: ignore[return-value]
        {
            "lamp": frozenset({"on"} if records.lamp else ()),
            "pending": frozenset(records.pending),
            "stored": frozenset(records.confirmed),
            "permanent": frozenset(records.on_permanent),
            "self-checks open": CHECKS - records.complete,
        }
        for records in (standing.at_best, standing.at_worst)
    )


def case_of(car: VirtualCar, shape: str, *, erased: bool) -> Case:
    """The case as a technician has it: codes and freeze frame read from the car, erased or not."""
    unit = car.unit
    frame = {pid: values[0] for pid, values in (unit.memory.freeze or {}).items()}
    read = Snapshot(
        source="wire", stored=unit.memory.of("confirmed"), pending=unit.memory.of("pending"),
        permanent=unit.memory.of("permanent"), readiness_incomplete=tuple(sorted(CHECKS - unit.checks.ready)),
        freeze_frame=FreezeFrame(
            code=unit.memory.freeze_code, rpm=frame[0x0C], load_percent=frame[0x04], coolant_c=frame[0x05]
        ) if unit.memory.freeze else None,
    )  # fmt: skip
    opened = Opened(
        car=Car(make="Velmora", model="Tessin", distance_km=90_000, engine=EngineDescription(shape=shape))
    )  # fmt: skip
    bodies = [opened, read, *([Erased(saved="e2")] if erased else [])]
    now = datetime(2026, 3, 2, tzinfo=UTC)
    return replay([Event(id=f"e{at}", at=now, body=body) for at, body in enumerate(bodies, start=1)])


def history(seed: int, folder: Path, drives: int, tally: Counter[tuple[str, str]], *, show: bool) -> int:
    """One car: driven until the lamp is on, repaired (or not), erased (or not), and then drive after drive."""
    chance = np.random.default_rng(seed)
    shape, litres = ENGINES[chance.integers(len(ENGINES))]
    layout = common_layout(shape, displacement_l=litres)
    cylinder = int(chance.integers(1, layout.count + 1))
    fault, severity = FAULTS[chance.integers(len(FAULTS))]
    car = VirtualCar.build(layout, VIN, 90_000.0, [(fault, cylinder, severity)], seed=seed)
    car.own(600, str(chance.choice(["mixed", "town"])), until_lamp=True)
    car.key_off()
    if car.lamp == "off":
        return 0
    repaired, erased = chance.random() < 0.75, chance.random() < 0.5
    if repaired:
        car.replace(PARTS[fault], cylinder)  # type: ignore[arg-type]
    if erased:
        car.key_on()
        case = case_of(car, shape, erased=True)
        car.unit.erase()
    else:
        car.start()  # the driving cycle in which the lamp came on ends here
        case = case_of(car, shape, erased=False)
        car.stop()
    car.key_off()
    fresh: list[FreshDrive] = []
    read = case.bodies(Snapshot)[0]
    known = frozenset((*read.stored, *read.pending, *read.permanent))
    if not repaired:  # counters tell of misfires that go on; of other faults that go on a recording tells nothing
        known = frozenset(code for code in known if code_kind(code) == "misfire")
    for number in range(drives):
        car.soak(float(chance.choice([0.5, 2.0, 10.0])))
        record = car.drive(str(chance.choice(DRIVES)), minutes=float(chance.uniform(4, 16)))
        this_cycle = car.unit.checks.readiness_this_cycle(car.unit._done())
        ran = {each.name: bool(each.complete) for each in this_cycle.monitors}
        log = read_drive_file(record.write_csv(folder / "drive.csv")).drives[0]
        judged = judge_drive(log, freeze_frame_of(case.freeze_frame), drive_facts(case))
        fresh.append(FreshDrive(judged.to_dict(), ran=ran))
        car.start()  # the next start ends the driving cycle, and what it changed can be read
        now, (best, worst) = shown(car.unit, known), said(case, fresh)
        foreign = bool(set(car.unit.memory.codes) - known)
        tally["other codes", "came"] += foreign
        car.stop()
        best, worst = ({**told, **{w: told[w] & known for w in CODES}} for told in (best, worst))
        for what in now:
            if what == "self-checks open" and foreign:
                continue  # a check that found another fault has run and is still open
            if best[what] == worst[what]:
                verdict = "settled and so" if now[what] == best[what] else "settled and not so"
            else:
                verdict = "open and within" if best[what] <= now[what] <= worst[what] else "open and outside"
            tally[what, verdict] += 1
            if show and verdict in ("settled and not so", "open and outside"):
                print(f"  seed {seed} drive {number + 1} ({fault}, repaired {repaired}, erased {erased}): "
                      f"{what} {sorted(now[what])}, said {sorted(best[what])} to {sorted(worst[what])}",
                      flush=True)  # fmt: skip
    return drives


def main() -> None:
    """Print how often what was said is what the unit shows, record by record."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--cars", type=int, default=110)
    asked.add_argument("--drives", type=int, default=10)
    asked.add_argument("--first-seed", type=int, default=1)
    asked.add_argument("--show", action="store_true", help="each disagreement")
    options = asked.parse_args()
    tally: Counter[tuple[str, str]] = Counter()
    driven = 0
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(options.first_seed, options.first_seed + options.cars):
            driven += history(seed, Path(folder), options.drives, tally, show=options.show)
    print(f"{driven} drives of {options.cars} cars, seeds from {options.first_seed}; after "
          f"{tally['other codes', 'came']} of them the unit held a code of another fault")  # fmt: skip
    for what in ("lamp", "pending", "stored", "permanent", "self-checks open"):
        told = {verdict: count for (name, verdict), count in tally.items() if name == what}
        settled = told.get("settled and so", 0) + told.get("settled and not so", 0)
        agree, asked_for = told.get("settled and so", 0) + told.get("open and within", 0), sum(told.values())
        print(f"{what:17} agrees after {agree} of {asked_for} ({100 * agree / max(asked_for, 1):.1f} %); one answer "
              f"given after {settled}, {told.get('settled and so', 0)} of them right; {told}")  # fmt: skip


if __name__ == "__main__":
    main()
