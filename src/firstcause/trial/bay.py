"""One car in the bay: every act is done on the car, paid, and recorded in a case; the same way for every policy."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from functools import cached_property

import numpy as np

from firstcause.casebook.case import Case, replay
from firstcause.casebook.events import (
    Body,
    Car,
    Closed,
    Counted,
    EngineDescription,
    Erased,
    Event,
    Found,
    FreezeFrame,
    Moved,
    Opened,
    Region,
    Renewed,
    Reopened,
    Repaired,
    SetAside,
    Snapshot,
    Told,
)
from firstcause.casebook.history import read_for_weighing
from firstcause.casebook.measured import judge_found
from firstcause.casebook.shop import Shop, terms_of
from firstcause.casebook.weighing import WeighedCase, weigh_case
from firstcause.errors import RequestError
from firstcause.knowledge.base import Knowledge, fits
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.exact import rough_engine
from firstcause.reasoning.history import History
from firstcause.reasoning.steps import Step, Terms, open_now, repair_step, test_step
from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.regions import minutes_by_region
from firstcause.trial.bridge import bridge, measure, mend
from firstcause.trial.draw import Drawn, shop_day
from firstcause.trial.settings import Settings
from firstcause.vehicle.place import Place, cylinder
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.drive import DriveRecord
from firstcause.virtualcar.parts import look_of

BEGIN = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)
IDLE_MINUTES = 5.0
SPOILT = 0.5
USUAL_LOOKS = ("normal", "worn")
SPOILT_LOOKS = ("dry-carbon", "fuel-wet", "oil-wet", "ash-crust", "coolant-crust")


class Exhausted(Exception):
    """The trial's limit of steps or repairs of one car is reached: it goes to somebody else."""


@dataclass
class Bill:
    """What was spent and done so far."""

    minutes: float = 0.0
    parts: float = 0.0
    penalties: float = 0.0
    steps: int = 0
    repairs: int = 0
    in_vain: int = 0
    unread: int = 0
    log: list[str] = field(default_factory=list)


@dataclass(frozen=True, eq=False)
class Believed:
    """The case as the reasoning has it now, without the ranking of next steps."""

    model: Model
    terms: Terms
    standing: frozenset[str]

    @cached_property
    def belief(self) -> dict[str, float]:
        """Probability of each cause; worked out when first asked for, roughly, for it is asked after every act."""
        return dict(rough_engine(self.model.network).posterior().probability)


class Bay:
    """A car being worked on. The policies see nothing but what is recorded in `case`."""

    def __init__(self, drawn: Drawn, knowledge: Knowledge, settings: Settings, *, reckons: bool = True) -> None:
        self.knowledge, self.settings, self.reckons = knowledge, settings, reckons
        self.tried: set[str] = set()
        self.car = drawn.fresh()
        self.day = shop_day(self.car, settings)
        self.layout = self.car.layout
        self.bill = Bill()
        self.events: list[Event] = []
        self._known: tuple[int, Believed] | None = None
        self.shop = Shop(settings.prices["labour_per_hour"])
        self.cannot = tuple(test for test in knowledge.tests if test not in bridge().tests)
        self._open(drawn)

    # ---- the case

    @property
    def case(self) -> Case:
        return replay(self.events)

    def record(self, body: Body) -> str:
        """Enter what happened; raises a CaseError when it cannot stand there."""
        at = BEGIN + timedelta(minutes=self.bill.minutes, seconds=20 * len(self.events))
        self.events.append(Event(id=f"e{len(self.events) + 1}", at=at, by="trial", body=body))
        return self.events[-1].id

    def weighed(self) -> WeighedCase:
        """The whole weighing with its ranked steps, as the casebook gives it to anybody."""
        return weigh_case(self.case, self.knowledge, shop=self.shop, cannot=self.cannot)

    def believed(self) -> Believed:
        """What is believed and what stands open, kept until something happens."""
        if self._known is None or self._known[0] != len(self.events):
            case = self.case
            history: History = read_for_weighing(case, self.knowledge).history
            terms = terms_of(case, self.knowledge, history, self.shop, self.cannot)
            model = compile_model(self.knowledge, case.facts, history)
            self._known = (len(self.events), Believed(model, terms, open_now(model)))
        return self._known[1]

    def _open(self, drawn: Drawn) -> None:
        file = drawn.file
        engine = EngineDescription.model_validate({"shape": file.shape, **file.engine})
        car = Car(vin=file.vin, make="Trial", model=file.shape, distance_km=round(self.car.odometer_km), engine=engine)
        self.record(Opened(car=car))
        self.record(Told(lamp="flashing" if self.car.lamp == "blinking" else self.car.lamp))
        self.arrive()

    def arrive(self) -> None:
        """Codes and freeze frame saved, then five minutes of idle with the counters: the same for everybody."""
        self.spend(self.settings.prices["arrival_minutes"])
        self._snapshot()
        self.watch((("idle", IDLE_MINUTES),), IDLE_MINUTES)

    def _snapshot(self) -> str:
        told = self.day.do("read codes").values
        codes = {kind: tuple(c for c in told[kind] if c) for kind in ("confirmed", "pending", "permanent")}  # type: ignore[union-attr]
        frame = None
        if "freeze_frame_of" in told:
            frame = FreezeFrame(
                code=str(told["freeze_frame_of"]), rpm=_number(told.get("freeze_rpm")),
                load_percent=_number(told.get("freeze_load_percent")), coolant_c=_number(told.get("freeze_coolant_c")),
            )  # fmt: skip
        return self.record(
            Snapshot(stored=codes["confirmed"], pending=codes["pending"], permanent=codes["permanent"],
                     freeze_frame=frame, odometer_km=self.car.odometer_km)
        )  # fmt: skip

    def spend(self, minutes: float, parts: float = 0.0) -> None:
        self.bill.minutes += minutes
        self.bill.parts += parts

    def _step(self, words: str) -> None:
        self.bill.steps += 1
        self.bill.log.append(words)
        if self.bill.steps > self.settings.limits["steps"]:
            raise Exhausted

    # ---- acts

    def test(self, step: Step) -> str | None:
        """Do a test; its outcome in the test's own word, None when it could not be read."""
        self._step(step.key)
        self.spend(step.minutes)
        found = measure(self.day, step.what, step.place)
        if found is None:
            self._unread(step)
            return None
        outcome = found.outcome
        if outcome is None:
            try:
                outcome = judge_found(found, self.knowledge.tests[step.what], self.layout).outcome
            except RequestError:
                self._unread(step)
                return None
        self.record(found)
        self.bill.log[-1] += f": {outcome}"
        return outcome

    def _unread(self, step: Step) -> None:
        self.bill.unread += 1
        self.record(SetAside(step=step.key, why="not-sensible", note="it could not be read"))

    def test_at(self, test: str, place: Place) -> str | None:
        """Do a test by its name; None also where this engine or this shop does not have it."""
        entry = self.knowledge.tests[test]
        if test in self.cannot or not fits(entry.fitted, self.layout):
            return None
        now = self.believed()
        return self.test(test_step(now.model, now.terms, entry, place, now.standing))

    def swap(self, step: Step) -> None:
        """Parts change places, then the counters are read."""
        self._step(step.key)
        self.spend(step.minutes)
        for part, first, second in step.moves:
            self.day.do(f"swap {part} {first} {second}")
            self.record(Moved(part=part, first=first, second=second))
        self.watch(step.watched, sum(minutes for _, minutes in step.watched))

    def put_back(self, part: str, first: int, second: int) -> None:
        """A swap undone while all is open still: no time of its own."""
        self.day.do(f"swap {part} {first} {second}")
        self.record(Moved(part=part, first=first, second=second))

    def look_again(self, step: Step) -> None:
        """A reading as a step of its own."""
        self._step(step.key)
        self.spend(step.minutes)
        self.watch(step.watched, step.minutes)

    def watch(self, watched: Sequence[tuple[Region, float]], minutes: float) -> bool:
        """A reading of the counters in these conditions, cold first if they say so; whether it misfired."""
        regions = {region for region, _ in watched}
        if "cold-start" in regions:
            self.day.do("wait 8 h")
        if regions <= {"idle"}:
            self.car.stop()
            answer = self.day.do(f"idle {max(1.0, minutes):.1f} min")
        else:
            answer = self.day.do(f"drive mixed {max(5.0, minutes):.1f} min")
        assert answer.record is not None
        return self._count(answer.record)

    def _count(self, run: DriveRecord) -> bool:
        seen = minutes_by_region(DriveLog(run.time_s, run.rpm, run.speed_kmh, run.load_percent, run.coolant_c))
        minutes = {region: round(much, 2) for region, much in seen.items()} or {"idle": 0.1}
        firings = max(1, round(float(np.mean([run.events(n) for n in self.layout.cylinders]))))
        misfires = {n: min(firings, run.count(n)) for n in self.layout.cylinders}
        self.record(Counted(minutes=minutes, firings=firings, misfires=misfires))
        complaint = self.knowledge.model.complaint
        if self.bill.log:
            self.bill.log[-1] += f" [misfires {max(misfires.values())} of {firings}]"
        return run.stalled or any(complaint.is_seen(bad, firings) for bad in misfires.values())

    def repair(self, step: Step) -> bool:
        """Do a repair with the plugs that are spoilt, erase, prove it by a drive; whether the drive was quiet."""
        self._step(step.key)
        self.tried.add(step.key)
        self.bill.repairs += 1
        if self.bill.repairs > self.settings.limits["repairs"]:
            raise Exhausted
        entry = self.knowledge.repairs[step.what]
        spoilt = self._spoilt(step)
        self.spend(step.minutes, self.settings.prices["parts"][entry.parts_class])
        useful = self._is_useful(step)
        before = wrong_with(self.car)
        saved = self.case.snapshot_before_erase or self._snapshot()
        self._mended(step)
        for number in spoilt:
            plug = self.knowledge.repairs["fit-plug"]
            self.spend(plug.minutes, self.settings.prices["parts"][plug.parts_class])
            mend(self.day, "fit-plug", cylinder(number))
            self.record(Renewed(part="plug", cylinder=number))
        if not useful and len(wrong_with(self.car)) >= len(before):
            self.bill.in_vain += 1
        self.day.do("erase")
        self.record(Erased(saved=saved))
        return self.prove()

    def prove(self) -> bool:
        """The proving drive; whether it was quiet."""
        minutes = self.settings.prices["proof_minutes"]
        self.spend(minutes)
        return not self.watch((("cruise", minutes),), minutes)

    def _mended(self, step: Step) -> None:
        mend(self.day, step.what, step.place)
        entry = self.knowledge.repairs[step.what]
        if entry.renews is not None:
            self.record(Renewed(part=entry.renews, cylinder=step.place.numbers[0]))
        else:
            self.record(Repaired(repair=step.what, place=str(step.place)))

    def _is_useful(self, step: Step) -> bool:
        """Whether a plug that goes out has been spoilt: then it was no good part."""
        if self.knowledge.repairs[step.what].renews != "plug":
            return False
        return look_of(self.car.fitments.plug(step.place.numbers[0])).look not in USUAL_LOOKS

    def _spoilt(self, step: Step) -> list[int]:
        """Cylinders whose plug was seen spoilt, or is believed to be: it is renewed in the same opening."""
        if self.knowledge.repairs[step.what].renews == "plug" or step.what == "fit-plug-set":
            return []
        here = set(step.place.numbers) if step.place.kind in ("cylinder", "joint") else set(self.layout.cylinders)
        found = {n for n in here if self._last_look(n) in SPOILT_LOOKS}
        if self.reckons:
            now = self.believed()
            for cause in now.model.live:
                entry = now.model.entry(cause)
                if entry.kind == "victim" and entry.part == "plug" and now.belief[cause] > SPOILT:
                    found |= set(now.model.place_now(cause).numbers)
        return sorted(found & here)

    def _last_look(self, number: int) -> str | None:
        """How the plug of a cylinder looked, since it was last moved or renewed."""
        look = None
        for event in self.events:
            body = event.body
            if isinstance(body, Found) and body.test == "plug-look" and body.place == str(cylinder(number)):
                look = body.outcome
            elif isinstance(body, Renewed | Moved) and body.part == "plug":
                touched = {body.cylinder} if isinstance(body, Renewed) else {body.first, body.second}
                look = None if number in touched else look
        return look

    def repair_at(self, repair: str, place: Place) -> bool:
        """Do a repair by its name; whether the drive after it was quiet."""
        now = self.believed()
        return self.repair(repair_step(now.model, now.terms, self.knowledge.repairs[repair], place, now.standing))

    def close(self, closed: Closed) -> None:
        self.record(closed)

    def reopen(self) -> None:
        """The owner is back with the lamp on."""
        self.tried.clear()
        why = "the lamp came on again" if self.car.lamp != "off" else "it stopped and would not start again"
        self.record(Reopened(why=why, came_back=True))
        self.arrive()

    def fits_here(self, repair: str) -> bool:
        return fits(self.knowledge.repairs[repair].fitted, self.layout)


def wrong_with(car: VirtualCar) -> list[tuple[str, int | None]]:
    """What is wrong with the car now, as (fault, cylinder); watered fuel that has been drained counts no more."""
    condition = car.condition
    return [
        (one.fault, condition.position_of(one))
        for one in condition.still_wrong()
        if one.fault != "fuel-bad" or condition.shared.bad_fuel_share > 0.03
    ]


def _number(value: object) -> float | None:
    return float(value) if isinstance(value, int | float) else None
