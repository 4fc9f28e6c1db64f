"""Plays one story, from evidence to hand-over, on the virtual car over a real protocol stack."""

from __future__ import annotations

import hashlib
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import can

from firstcause.casebook.case import Case
from firstcause.casebook.events import (
    Body,
    Closed,
    ClosingState,
    Erased,
    Event,
    Moved,
    Opened,
    Region,
    SetAside,
)
from firstcause.casebook.evidence import counted_event, drive_facts, drove_event, freeze_frame_of, snapshot_event
from firstcause.casebook.ledger import ledger_of
from firstcause.casebook.store import CaseStore
from firstcause.casebook.weighing import WeighedCase, guard_closing, safety_of, weigh_case
from firstcause.cli.tryout.shop import VirtualShop
from firstcause.cli.tryout.stories import Story
from firstcause.errors import CaseError
from firstcause.knowledge.base import Knowledge
from firstcause.link import Recorder, Session, erase_codes, take_snapshot
from firstcause.reasoning.choice import Option
from firstcause.reasoning.saying import in_words
from firstcause.reasoning.steps import Move, Step, Terms, open_now, repair_steps
from firstcause.roadtest.drivelog import DriveLog
from firstcause.roadtest.judgement import judge_drive
from firstcause.roadtest.reading import read_drive_file
from firstcause.roadtest.regions import REGIONS, minutes_by_region
from firstcause.signals.snapshot import SavedSnapshot
from firstcause.signals.snapshot import Snapshot as WireSnapshot
from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.bus import VirtualBusCar
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.drive import DriveRecord, named_drive

TECHNICIAN = "A. Pereira, Harbour Lane Garage"
MOST_STEPS = 24
NOT_WORTH_A_LOOK = 0.01
IDLE_MINUTES = 5.0
PROVING_MINUTES = 45.0
BEGIN = datetime(2026, 3, 2, 9, 0, tzinfo=UTC)

Say = Callable[[str], None]


@dataclass(frozen=True)
class Played:
    """What a story left behind."""

    case_id: str
    state: ClosingState
    wire_log: Path
    drive_log: Path
    steps: int


class ShopClock:
    """The clock on the shop wall: an invented day that moves on as work is done."""

    def __init__(self, now: datetime = BEGIN) -> None:
        self.now = now

    def __call__(self) -> datetime:
        self.now += timedelta(seconds=20)
        return self.now

    def passes(self, minutes: float) -> None:
        self.now += timedelta(minutes=minutes)


class Player:
    """One story being played."""

    def __init__(self, story: Story, store: CaseStore, clock: ShopClock, knowledge: Knowledge, folder: Path, say: Say):
        self.story, self.store, self.clock, self.knowledge = story, store, clock, knowledge
        self.folder, self.say = folder, say
        layout = common_layout(
            story.car.engine.shape or "I4",
            displacement_l=story.car.engine.displacement_l,
            compression_ratio=story.car.engine.compression_ratio,
        )
        assert story.car.vin is not None
        self.car = VirtualCar.build(
            layout, story.car.vin, story.car.distance_km, story.faults, story.seed, plug_age_km=story.plug_age_km
        )
        self.shop = VirtualShop(self.car, knowledge)
        self.wire_log = folder / f"{story.name}-bus.log"
        self.case_id = ""
        self.declined: set[str] = set()

    def play(self) -> Played:
        """The whole case."""
        self._before_the_visit()
        self._arrive()
        with self._wire() as session:
            snapshot, saved = self._save_evidence(session)
            self._read_counters(session, "The counters of this run, by cylinder")
            self._try_the_tempting_part(session)
            steps = self._work(session)
            self._put_parts_back()
            self._erase(session, snapshot, saved)
            log = self._prove()
            self._save_evidence(session, quietly=True)
        state = self._close()
        return Played(self.case_id, state, self.wire_log, log, steps)

    # ---- stations

    def _before_the_visit(self) -> None:
        drive, km = self.story.drive_before
        used = self.car.own(km, drive, until_lamp=True)
        self.say(f"Before the visit the owner drove {used.km:.0f} km until the lamp came on.")

    def _arrive(self) -> None:
        car = self.story.car.model_copy(update={"distance_km": round(self.car.odometer_km)})
        self.case_id = self.store.open_case(
            Opened(car=car, shop="Harbour Lane Garage", person="owner"), TECHNICIAN, {"owner": self.story.owner}
        )
        told = self.story.told.model_copy(update={"lamp": "flashing" if self.car.lamp == "blinking" else self.car.lamp})
        self._record(told)
        self._record(self.story.agreed)
        safety = safety_of(self._case(), self.knowledge)
        self.say(f'The owner: "{told.words}"')
        self.say(f"May it be driven? {safety.rules[0].owner if safety.rules else 'Nothing told speaks against it.'}")

    @contextmanager
    def _wire(self) -> Iterator[Session]:
        channel = f"tryout-{self.story.name}"
        bus = can.Bus(interface="virtual", channel=channel)
        try:
            with (
                VirtualBusCar(self.car, channel),
                Recorder(self.wire_log) as recorder,
                Session(bus, recorder=recorder) as session,
            ):
                yield session
        finally:
            bus.shutdown()

    def _save_evidence(self, session: Session, *, quietly: bool = False) -> tuple[WireSnapshot, Event]:
        self.car.start()
        self.car.idle(1.0)
        snapshot = take_snapshot(session, idle_samples=5, pause=lambda _: None)
        event = self._record(snapshot_event(snapshot))
        codes = {status: ", ".join(code.text for code in snapshot.codes(status)) or "none"
                 for status in ("confirmed", "pending", "permanent")}  # fmt: skip
        if quietly:
            self.say(
                f"After the drive the car still keeps: permanent {codes['permanent']}; confirmed {codes['confirmed']}."
            )
        else:
            self.say(
                f"Evidence saved before anything can erase it ({event.id}): confirmed {codes['confirmed']}, pending "
                f"{codes['pending']}, permanent {codes['permanent']}; first seen at {_frame(snapshot)}."
            )
        return snapshot, event

    def _read_counters(self, session: Session, what: str, profile: str = "idle", minutes: float = IDLE_MINUTES) -> None:
        """A run of its own, then the car's own counters of that run, read by wire."""
        self.car.stop()
        self.car.start()
        run = self.car.drive(profile, minutes=minutes, stop_after=False)
        self.clock.passes(minutes)
        counts = take_snapshot(session, idle_samples=0).misfires
        self.car.stop()
        event = self._record(counted_event(counts, _regions(run), float(run.rpm.mean()), what))
        shown = ", ".join(f"{count.cylinder}: {count.last_cycle}" for count in counts)
        self.say(f"{what} ({event.id}, {minutes:.0f} min): {shown}.")

    def _try_the_tempting_part(self, session: Session) -> None:
        part, first, second = self.story.tempting
        weighed = self._weighed()
        self.say(_suspects(weighed))
        self.say(f"The tool would begin with: {_named(weighed.weighing.advice.best)}. {self.story.tempting_words}")
        self._swap(session, ((part, first, second),))

    def _swap(self, session: Session, moves: Iterable[Move]) -> None:
        self.car.stop()
        for part, first, second in moves:
            self._swap_one(part, first, second)
        self._read_counters(session, "Counters after the swap")

    def _swap_one(self, part: str, first: int, second: int) -> None:
        self.car.swap(part, first, second)  # type: ignore[arg-type]
        event = self._record(Moved(part=part, first=first, second=second, mark="white paint, cylinder number"))
        self.say(f"Swapped {part} {first} with {second}, both marked ({event.id}).")

    def _work(self, session: Session) -> int:
        """Follow the tool's list until a repair has been proven quiet, or until nothing is left that can be done."""
        repaired = False
        for number in range(MOST_STEPS):
            weighed = self._weighed()
            option = self._next(weighed)
            if option is None or (repaired and option.step.kind not in ("watch", "verify")):
                return number
            step = option.step
            self.say(f"{_suspects(weighed)}\nNext: {_named(option)}.")
            self.clock.passes(step.minutes)
            if step.kind == "test":
                found = self.shop.test(step)
                event = self._record(found)
                self.say(f"  {event.id}: {found.note or found.outcome}.")
            elif step.kind == "swap":
                self._swap(session, step.moves)
            elif step.kind == "repair":
                repaired = self._repair_or_relieve(session, weighed, option)
                if repaired:
                    return number + 1
            else:
                profile, minutes = ("idle", IDLE_MINUTES) if step.key == "watch idle" else ("mixed", step.minutes)
                self._read_counters(session, "Counters", profile, minutes)
        return MOST_STEPS

    def _next(self, weighed: WeighedCase) -> Option | None:
        """The best step that can be done here; a decision at once when looking on would save next to nothing."""
        options = weighed.weighing.advice.options
        doable = [option for option in options if self.shop.can(option.step) and option.step.key not in self.declined]
        best = next(iter(doable), None)
        repair = next((option for option in doable if option.step.kind == "repair"), None)
        if best is None or repair is None or best.step.kind == "verify":
            return best
        decided = min(option.expected_cost for option in options if option.step.kind in ("repair", "refer"))
        return repair if best.expected_cost > (1.0 - NOT_WORTH_A_LOOK) * decided else best

    def _repair_or_relieve(self, session: Session, weighed: WeighedCase, option: Option) -> bool:
        step = option.step
        if step.price > self.story.owner_pays_up_to:
            self._decline(step)
            return self._relieve(session, weighed)
        body = self.shop.repair(step)
        event = self._record(body)
        self.say(f"  {event.id}: {step.name} ({step.place}) done, about {step.price:.0f}.")
        self._read_counters(session, "Counters after the repair")
        return True

    def _relieve(self, session: Session, weighed: WeighedCase) -> bool:
        """Renew the victim, so that the car runs; the cause stays and is told."""
        victim = next((v for v in weighed.weighing.victims if v.probability > 0.5), None)
        if victim is None:
            return False
        entry = self.knowledge.faults[victim.fault]
        renewing = next(
            o for o in weighed.weighing.advice.options + _victim_options(weighed, entry.part)
            if o.step.kind == "repair" and self.knowledge.repairs[o.step.what].renews == entry.part
            and str(o.step.place) == victim.place
        )  # fmt: skip
        event = self._record(self.shop.repair(renewing.step))
        self.say(f"  {event.id}: the {entry.part} at {victim.place} is renewed, so that it runs; its cause stays.")
        self._read_counters(session, "Counters after the renewal")
        return True

    def _put_parts_back(self) -> None:
        while away := ledger_of(self._case(), self.knowledge).put_back:
            part = away[0]
            now, home = part.now[0], part.home[0]
            self.car.stop()
            self.car.swap(part.kind, now, home)  # type: ignore[arg-type]
            event = self._record(Moved(part=part.kind, first=now, second=home, mark="as marked"))
            self.say(f"Put back: {part.serial} to cylinder {home} ({event.id}).")

    def _erase(self, session: Session, snapshot: WireSnapshot, saved: Event) -> None:
        self.car.stop()
        self.car.key_on()
        receipt = SavedSnapshot.of(snapshot, f"{self.case_id} {saved.id}")
        report = erase_codes(session, snapshot=snapshot, receipt=receipt, word="ERASE")
        event = self._record(Erased(saved=saved.id))
        self.say(
            f"Codes erased with key on and engine off ({event.id}, {len(report.erased)} unit). The permanent record "
            "stays until the car itself has run its monitor and passed."
        )
        after = take_snapshot(session, idle_samples=0)
        self._record(snapshot_event(after))
        kept = ", ".join(code.text for code in after.codes("permanent")) or "none"
        self.say(f"Read again with the engine off: permanent {kept}. The owner is told so before they ask.")

    def _prove(self) -> Path:
        """A road test under the conditions of the freeze frame, recorded as a log, read back and judged."""
        self.car.key_off()
        self.car.soak(8.0)
        self.clock.passes(8 * 60)
        record = self.car.drive(named_drive("mixed", minutes=PROVING_MINUTES))
        log_file = record.write_csv(self.folder / f"{self.story.name}-road-test.csv")
        reading = read_drive_file(log_file)
        case = self._case()
        log = reading.drives[0]
        judgement = judge_drive(log, freeze_frame_of(case.freeze_frame), replace(drive_facts(case), ambient_c=18.0))
        data = log_file.read_bytes()
        self.store.attach(self.case_id, data, log_file.name, "text/csv", "road test", TECHNICIAN)
        event = self._record(drove_event(judgement, log, hashlib.sha256(data).hexdigest()))
        self.say(f"Road test of {log.duration_s / 60:.0f} min ({event.id}):")
        for sentence in judgement.sentences()[:5]:
            self.say(f"  {sentence}")
        return log_file

    def _close(self) -> ClosingState:
        """Try to close as cured; take the tool's word for it if it refuses."""
        weighed = self._weighed()
        self.say(_suspects(weighed))
        if any(objection.code == "open-cause" for objection in weighed.objections["cured"]):
            self._offer_the_cause(weighed)
        try:
            closed = guard_closing(weighed, self._closing("cured"))
        except CaseError as refusal:
            self.say(f"The tool refuses 'cured': {refusal}")
            relieved = not any(objection.hard for objection in weighed.objections["relieved"])
            closed = guard_closing(weighed, self._closing("relieved" if relieved else "not-found"))
        event = self._record(closed)
        self.say(f"Closed as {closed.state} ({event.id}). {closed.words}")
        return closed.state

    def _offer_the_cause(self, weighed: WeighedCase) -> None:
        """What still stands is offered to the owner once more, with its price; beyond the limit they decline."""
        for option in weighed.weighing.advice.options:
            step = option.step
            if step.kind == "repair" and step.price > self.story.owner_pays_up_to and step.key not in self.declined:
                self._decline(step)
                return

    def _decline(self, step: Step) -> None:
        self._record(SetAside(step=step.key, why="owner-declined", note=f"{step.name}: about {step.price:.0f}"))
        self.declined.add(step.key)
        self.say(f"  The owner declines {step.name.lower()} (about {step.price:.0f}).")

    def _closing(self, state: ClosingState) -> Closed:
        return Closed(state=state, words=self.story.lesson if state == self.story.ends else "")

    # ---- helpers

    def _case(self) -> Case:
        return self.store.case(self.case_id)

    def _weighed(self) -> WeighedCase:
        return weigh_case(self._case(), self.knowledge, cannot=self.shop.cannot())

    def _record(self, body: Body) -> Event:
        return self.store.append(self.case_id, body, TECHNICIAN)


def _victim_options(weighed: WeighedCase, part: str | None) -> tuple[Option, ...]:
    """Renewals of a victim are no cure, so they stand low or not at all in the list; look them up all the same."""
    model = weighed.weighing.model
    steps = repair_steps(model, Terms.of(weighed.knowledge), open_now(model))
    return tuple(
        Option(step, float("inf"), ()) for step in steps if weighed.knowledge.repairs[step.what].renews == part
    )


def _regions(run: DriveRecord) -> dict[Region, float]:
    """Minutes by region of a run on the virtual car."""
    watched = minutes_by_region(DriveLog(run.time_s, run.rpm, run.speed_kmh, run.load_percent, run.coolant_c))
    return {region: round(watched[region], 1) for region in REGIONS if region in watched}


def _frame(snapshot: WireSnapshot) -> str:
    shown = []
    for name, text in (
        ("engine_rpm", "{:.0f} rpm"),
        ("load_pct", "load {:.0f} %"),
        ("coolant_c", "coolant {:.0f} degC"),
    ):
        value = snapshot.freeze_value(name)
        if isinstance(value, int | float):
            shown.append(text.format(value))
    return ", ".join(shown) or "conditions that the car did not keep"


def _named(option: Option) -> str:
    step = option.step
    return f"{step.name} ({step.place}), {step.minutes:.0f} min, expected in all {option.expected_cost:.0f}"


def _suspects(weighed: WeighedCase) -> str:
    top = [f"{s.name.lower()} ({s.where}) {in_words(s.probability)}" for s in weighed.weighing.roots[:3]]
    victims = [
        f"{v.name.lower()} ({v.where}) {in_words(v.probability)}"
        for v in weighed.weighing.victims
        if v.probability > 0.2
    ]
    result = "Suspects: " + ("; ".join(top) or "none above 1 in 100") + "."
    return result + (f" A result of one of them: {'; '.join(victims)}." if victims else "")
