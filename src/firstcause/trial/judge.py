"""The judge: lets a policy work a car until it is truly cured or somebody else has it, and says what that cost."""

from __future__ import annotations

import time
from dataclasses import asdict, dataclass, field
from typing import Any
from zlib import crc32

import numpy as np

from firstcause.errors import FirstcauseError
from firstcause.knowledge.base import Knowledge, fits
from firstcause.reasoning.steps import repair_step
from firstcause.trial.bay import Bay, Exhausted, wrong_with
from firstcause.trial.bridge import bridge, puts_right
from firstcause.trial.draw import Drawn
from firstcause.trial.policies import ALL_KNOWING, NO_RECKONING, POLICIES, Named, Visit
from firstcause.trial.settings import Settings
from firstcause.vehicle.place import ENGINE, Place, bank, cylinder
from firstcause.virtualcar.fault_table import RECIPES

_SLOW = ("oil", "deposit", "coolant", "carbon")
"""What of a fault's changes spoils a car slowly, by the beginnings of their names."""


@dataclass
class Score:
    """One car worked by one policy. Money in the shop's currency; `cost` is all of it until the true cure."""

    car: int
    policy: str
    cost: float
    minutes: float
    parts: float
    penalties: float
    steps: int
    repairs: int
    good_parts: int
    false_cured: int
    comebacks: int
    named_right: bool
    state: str
    unknown: bool
    faults: list[str]
    shape: str
    drawn: int
    seconds: float = field(compare=False, default=0.0)
    log: list[str] = field(default_factory=list)
    stated: list[tuple[float, bool]] = field(default_factory=list)
    broken: str = ""

    def to_dict(self, *, with_time: bool = True) -> dict[str, Any]:
        """Plain values for JSON; `seconds` is the only one that differs from run to run."""
        found = asdict(self)
        if not with_time:
            del found["seconds"]
        return found


def judge(drawn: Drawn, policy: str, knowledge: Knowledge, settings: Settings, seed: int) -> Score:
    """One car and one policy; the same whatever ran before. An error of the project is a result, and says so."""
    began = time.perf_counter()
    bay = Bay(drawn, knowledge, settings, reckons=policy not in NO_RECKONING)
    truth = wrong_with(bay.car)
    course = _Course(bay, truth)
    if policy == ALL_KNOWING:
        course.know()
    else:
        chance = np.random.default_rng([seed, drawn.number, crc32(policy.encode())])
        course.play(policy, chance)
    bill, rate = bay.bill, settings.prices["labour_per_hour"]
    return Score(
        drawn.number, policy, round(bill.minutes * rate / 60 + bill.parts + bill.penalties, 2), round(bill.minutes, 2),
        bill.parts, round(bill.penalties, 2), bill.steps, bill.repairs, bill.in_vain, course.false_cured,
        course.comebacks, course.named_right, course.state, drawn.unknown,
        [f"{fault}@{'engine' if at is None else at}" for fault, at in truth], drawn.file.shape, drawn.drawn,
        round(time.perf_counter() - began, 2), bill.log, course.stated, course.broken,
    )  # fmt: skip


class _Course:
    """The course of one car: visits, comebacks, and who has it in the end."""

    def __init__(self, bay: Bay, truth: list[tuple[str, int | None]]) -> None:
        self.bay, self.truth, self.settings = bay, truth, bay.settings
        self.comebacks = self.false_cured = 0
        self.named_right, self.state, self.broken = False, "referred", ""
        self.stated: list[tuple[float, bool]] = []

    def know(self) -> None:
        """The one who knows all: mends what is wrong, the cheapest way, and proves it."""
        self.bay.bill.penalties += self.rest()
        self.named_right, self.state = True, "cured"

    def play(self, policy: str, chance: np.random.Generator) -> None:
        """Visits until the car stays away or is handed on."""
        for _ in range(self.settings.limits["visits"]):
            visit = self._visit(policy, chance)
            self.state = visit.state
            self.named_right = any(self.is_right(named) for named in visit.named)
            self.stated += [(p, self.is_right((fault, Place.parse(place)))) for fault, place, p in visit.stated]
            if visit.state == "referred":
                break
            came = self.comes_back()
            if not came:
                return
            if visit.state != "cured":
                break
            self.false_cured += 1
            self.comebacks += 1
            self.bay.bill.penalties += self.settings.prices["comeback"]
            self.bay.bill.log.append("COMEBACK")
            self.bay.reopen()
        self.bay.bill.penalties += self.settings.prices["refer"] + self.rest()
        self.bay.bill.log.append(f"HANDED ON ({self.state})")

    def _visit(self, policy: str, chance: np.random.Generator) -> Visit:
        try:
            return POLICIES[policy](self.bay, chance)
        except Exhausted:
            return Visit("referred")
        except FirstcauseError as error:
            self.broken = f"{type(error).__name__}: {error}"[:300]
            return Visit("referred")

    def is_right(self, named: Named) -> bool:
        fault, place = named
        return any(bridge().is_right(physical, at, fault, place, self.bay.layout) for physical, at in self.truth)

    def comes_back(self) -> bool:
        """Whether the lamp is on again within the owner's year; nothing is driven where nothing is wrong."""
        left = wrong_with(self.bay.car)
        if not left:
            return False
        year, car = self.settings.year, self.bay.car
        self.bay.day.do("erase")
        used = car.own(year["first_km"], year["drive"], until_lamp=True)
        slow = any(name.startswith(_SLOW) for fault, _ in left for name in RECIPES[fault].changes)
        if used.lamp == "off" and not used.stranded and slow:
            used = car.own(year["whole_km"] - year["first_km"], year["drive"], until_lamp=True)
        return used.lamp != "off" or used.stranded

    def rest(self) -> float:
        """What it costs, knowing all, to mend what is wrong now: each fault its cheapest repair, each repair once."""
        bay, now = self.bay, self.bay.believed()
        rate, prices = self.settings.prices["labour_per_hour"], self.settings.prices
        proof = prices["proof_minutes"] * rate / 60
        total, done = 0.0, set()
        for fault, at in wrong_with(bay.car):
            offers = []
            for repair in bay.knowledge.repairs.values():
                if fault in puts_right(repair.id) and fits(repair.fitted, bay.layout):
                    place = _place(repair.on, at, bay)
                    step = repair_step(now.model, now.terms, repair, place, frozenset())
                    offers.append((step.minutes * rate / 60 + prices["parts"][repair.parts_class] + proof, step.key))
            price, key = min(offers, default=(prices["elsewhere"] + proof, f"elsewhere {fault}"))
            if key not in done:
                done.add(key)
                total += price
        return total


def _place(on: str, at: int | None, bay: Bay) -> Place:
    if on == "engine":
        return ENGINE
    number = at if at is not None else bay.layout.cylinders[0]
    return bank(bay.layout.bank_of(number)) if on == "bank" else cylinder(number)
