"""How often the stated 95 % bound on the remaining misfire rate holds: virtual repairs whose truth is known."""

from __future__ import annotations

import argparse
import tempfile
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

import firstcause.virtualcar.car as car_module
from firstcause.roadtest.bound import lower_rate
from firstcause.roadtest.judgement import DriveFacts, DriveJudgement, judge_drive
from firstcause.roadtest.reading import read_drive_file
from firstcause.roadtest.rules import WARM_FROM
from firstcause.roadtest.window import FreezeFrame
from firstcause.vehicle.layout import EngineLayout, common_layout
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.engine import Burnt, RunningEngine, WorkingPoint

VIN = "5ZCV2A3B5AR000123"
ENGINES = (("I3", 1.2), ("I4", 2.0), ("I4", 1.6), ("V6", 3.0), ("I6", 3.0), ("V8", 4.0))
# Faults that act at every firing with a chance of their own, and the range of severity a half-done repair leaves.
STEADY = {
    "plug-gap-wide": (0.1, 0.8), "coil-weak": (0.3, 1.0), "boot-flashover": (0.3, 1.0),
    "injector-restricted": (0.4, 1.3),
    "exhaust-valve-leak": (0.2, 1.2), "ring-leak": (0.3, 1.2), "runner-air-leak": (0.3, 1.3),
    "plug-oil-fouled": (0.3, 1.0), "intake-valve-leak": (0.2, 1.0), "well-wet": (0.3, 1.0),
    "charge-flap-stuck": (0.3, 1.0),
}  # fmt: skip
BOUTS = {"connector-intermittent": "coil_bout_min", "injector-connector-intermittent": "injector_bout_min"}
DRIVES = ("mixed", "town", "motorway", "hill", "jam", "udds", "hwfet")
WHOLE_ENGINE = frozenset({"charge-flap-stuck"})


class WatchedEngine(RunningEngine):
    """The running engine, which also tells the true chance of every firing: what no counter knows."""

    steps: list[tuple[WorkingPoint, Burnt]] = []  # noqa: RUF012 (one drive at a time)

    def step(self, point: WorkingPoint, trim_percent: NDArray[np.float64]) -> Burnt:
        burnt = super().step(point, trim_percent)
        WatchedEngine.steps.append((point, burnt))
        return burnt


@dataclass(frozen=True)
class Repair:
    """One repair and its drive: what was left in the car, the frame it is judged by, the judgement, the truth.

    `truth`: by place ("whole drive", "near the freeze frame"), the true mean misfire rate of each cylinder over the
    firings that fell there, and the number of firings.
    """

    left: str
    cylinder: int
    judged: DriveJudgement
    truth: dict[str, tuple[NDArray[np.float64], int]]
    spacing_min: float | None


@dataclass
class Tally:
    """Statements made and how many of them held; by how much the others failed."""

    said: int = 0
    held: int = 0
    short: list[float] = field(default_factory=list)

    def add(self, bound: float, truth: float) -> None:
        self.said += 1
        self.held += bound >= truth
        if bound < truth:
            self.short.append(truth / max(bound, 1e-12))


def repaired(seed: int, folder: Path) -> Repair:
    """One car, one repair that may have left something, one drive read and judged as the user's command does."""
    chance = np.random.default_rng(seed)
    shape, litres = ENGINES[chance.integers(len(ENGINES))]
    layout = common_layout(shape, displacement_l=litres)
    cylinder = int(chance.integers(1, layout.count + 1))
    kind = chance.choice(["done", "half", "half", "half", "wrong", "bouts"])
    fault = str(chance.choice(list(STEADY if kind != "bouts" else BOUTS)))
    place = None if fault in WHOLE_ENGINE else cylinder
    if kind == "bouts":
        severity = float(chance.uniform(0.3, 3.0))
    else:
        low, high = STEADY[fault]
        severity = float(chance.uniform(low, high) if kind == "half" else high)
    faults = [] if kind == "done" else [(fault, place, severity)]
    car = VirtualCar.build(layout, VIN, float(chance.uniform(20_000, 220_000)), faults, seed=seed)
    spacing = None
    if kind == "bouts":
        spacing = float(getattr(car.condition.cylinders[cylinder], BOUTS[fault]))
    if chance.random() < 0.7:  # most are driven warm
        car.coolant_c = 85.0
    WatchedEngine.steps = []
    record = car.drive(str(chance.choice(DRIVES)), minutes=float(chance.uniform(5, 25)))
    log = read_drive_file(record.write_csv(folder / "drive.csv")).drives[0]
    frame = _frame(chance, layout)
    judged = judge_drive(log, frame, DriveFacts(cylinders=layout.count))
    left = "nothing" if kind == "done" else f"{fault} {severity:.2f}"
    return Repair(left, cylinder, judged, _truth(frame), spacing)


def _frame(chance: np.random.Generator, layout: EngineLayout) -> FreezeFrame:
    rpm, load = [(740, 21), (1500, 35), (2100, 45), (2600, 70)][chance.integers(4)]
    return FreezeFrame(rpm + float(chance.normal(0, 60)), load + float(chance.normal(0, 4)), 88.0)


def _truth(frame: FreezeFrame) -> dict[str, tuple[NDArray[np.float64], int]]:
    load_band = frame.load_band("points")
    assert load_band is not None
    found = {}
    for where in ("whole drive", "near the freeze frame"):
        expected, events = 0.0, 0.0
        for point, burnt in WatchedEngine.steps:
            inside = (
                abs(point.rpm - frame.rpm) <= frame.rpm_band()[1] - frame.rpm
                and load_band[0] <= 100 * min(point.load, 1) <= load_band[1]
                and point.coolant_c >= WARM_FROM.value
            )
            if where == "whole drive" or inside:
                expected, events = expected + burnt.chance * burnt.events, events + burnt.events
        if np.sum(events):
            found[where] = (np.asarray(expected / np.maximum(events, 1)), int(np.max(events)))
    return found


def repairs(first: int, count: int) -> Iterator[Repair]:
    """So many repairs, each of a seed of its own."""
    car_module.RunningEngine = WatchedEngine  # type: ignore[misc]
    with tempfile.TemporaryDirectory() as folder:
        for seed in range(first, first + count):
            yield repaired(seed, Path(folder))


def main() -> None:
    """Print how many statements were made and how many held, by kind of statement."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--repairs", type=int, default=1000)
    asked.add_argument("--first-seed", type=int, default=1)
    asked.add_argument("--show", action="store_true", help="each statement that did not hold")
    options = asked.parse_args()
    tallies: dict[str, Tally] = {}
    kinds: Counter[str] = Counter()
    rates: list[float] = []
    bouts = Tally()
    for repair in repairs(options.first_seed, options.repairs):
        kinds["bouts" if repair.spacing_min is not None else "nothing" if repair.left == "nothing" else "steady"] += 1
        if repair.spacing_min is not None:
            quiet = repair.judged.silence
            bouts.said += 1
            bouts.held += quiet is None or quiet.would_have_shown_min <= repair.spacing_min
            continue
        if "whole drive" in repair.truth:
            rates.append(float(repair.truth["whole drive"][0].max()))
        for rate in repair.judged.hidden:
            if rate.where not in repair.truth:
                continue
            truth = float(repair.truth[rate.where][0][rate.cylinder - 1])
            whose = "the cylinder worked on" if rate.cylinder == repair.cylinder else "the other cylinders"
            tallies.setdefault(f"{rate.where}, {whose}", Tally()).add(rate.upper_share, truth)
            if options.show and rate.upper_share < truth:
                firings = repair.truth[rate.where][1]
                print(f"  {repair.left} in cylinder {repair.cylinder}; {rate.where}, cylinder {rate.cylinder}: counted "
                      f"{rate.misfires} of {rate.events}, bound {rate.upper_share:.3g}; true {truth:.3g} "
                      f"({truth * firings:.0f} expected of {firings})", flush=True)  # fmt: skip
        for pool in repair.judged.pooled:
            if pool.where in repair.truth:
                truth = float(repair.truth[pool.where][0].mean())
                tallies.setdefault(f"{pool.where}, all cylinders pooled", Tally()).add(pool.upper_share, truth)
    print(f"{options.repairs} repairs, seeds from {options.first_seed}: {dict(kinds)}")
    steps = (0.0, 1e-5, 1e-4, 1e-3, 1e-2, 1e-1, 1.1)
    spread, _ = np.histogram(rates, steps)
    print("true rate of the worst cylinder, whole drive:", ", ".join(
        f"{n} below {high:g}" for n, high in zip(spread, steps[1:], strict=True)))  # fmt: skip
    for name, tally in sorted(tallies.items()):
        least = lower_rate(tally.held, tally.said)
        worst = f", the others short by up to {max(tally.short):.2f} times" if tally.short else ""
        print(f"{name}: {tally.held} of {tally.said} held, {100 * tally.held / tally.said:.1f} % "
              f"(surely {100 * least:.1f} % or more){worst}")  # fmt: skip
    if bouts.said:
        print(f"bouts left, and the drive said how often they would have shown: {bouts.held} of {bouts.said} not wrong")


if __name__ == "__main__":
    main()
