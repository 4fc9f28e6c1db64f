"""A whole shop day on one virtual car: say what is done, get what came out. Knows no knowledge base and no fault names.

The public way in for whoever works a car blind: `ShopDay(car).do("look plug 3")`. Words and acts are the trade's own;
whoever has a list of tests and repairs of their own maps it to these acts outside this package.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from firstcause.errors import RequestError
from firstcause.virtualcar.car import DoesNotStart, EngineNotReady, VirtualCar
from firstcause.virtualcar.drive import CYCLES, NAMED_DRIVES, DriveProfile, DriveRecord, described_drive, named_drive
from firstcause.virtualcar.instruments import TESTS
from firstcause.virtualcar.parts import PART_KINDS, PartKind
from firstcause.virtualcar.works import WORKS
from firstcause.virtualcar.workshop import Finding, Series, Shown

_LOOKS = {"plug": "plug-look", "gap": "plug-gap", "well": "well-look", "boot": "boot-look", "loom": "loom-look",
          "hoses": "hoses-look", "cylinder": "borescope", "valve-gear": "valve-gear-look", "oil": "oil-level",
          "coolant": "coolant-level", "smoke": "smoke-watch"}  # fmt: skip
READ_STEP_S = 0.5
HELP = """look plug 3 · look gap|well|boot|cylinder|valve-gear 3 · look loom|hoses|oil|coolant|smoke · look lamp
listen · smell · TEST [CYLINDER] [option=number], for example compression-dry 3, leak-down 3 orifice_in=0.060
swap coil|boot|plug|injector 3 5 · replace PART 3 · reseat PART 3 · work WORK [CYLINDER]
unplug injector 3 · plug in injector 3 · key on · key off · start · stop · erase
drive NAME [20 min] · drive 5 min at 90 km/h, 40 s idle [rough road] · idle 5 min · wait 8 h · own 500 km [NAME]
refill [20 l] · drain tank · top up oil|coolant · read codes|counters|readiness|data|in-use"""


@dataclass(frozen=True)
class Answer:
    """What an act brought: a word, values with units in their names, and words for people.

    `minutes`: time that went by on the car's own clock (driving, standing); None for handwork, which takes the time
    that the one who does it takes. `record`: the log of a drive. `series`: a recording of an instrument.
    """

    act: str
    words: str
    outcome: str | None = None
    values: Mapping[str, Shown] = field(default_factory=dict)
    minutes: float | None = None
    record: DriveRecord | None = None
    series: Series | None = None


class UnknownAct(RequestError):
    """The shop does not know how to do that."""

    def __init__(self, act: str, why: str = "it is not an act of this shop") -> None:
        self.act, self.why = act, why
        super().__init__(f"{act!r} was not done: {why}. Known acts:\n{HELP}")


class ShopDay:
    """One car in the shop. All chance is the car's own: the same car and the same acts give the same answers.

    Acts that need the engine off stop it, acts that need it running start it, as a technician would: with the shop's
    booster where its own battery is too weak. "start" says so.
    """

    def __init__(self, car: VirtualCar, *, step_s: float = READ_STEP_S) -> None:
        self.car, self.step_s = car, step_s
        self.answers: list[Answer] = []
        self._acts: dict[str, Callable[[str, list[str]], Answer]] = {
            "look": self._look, "swap": self._swap, "replace": self._replace, "reseat": self._reseat,
            "work": self._work, "unplug": self._unplug, "plug": self._plug_in, "key": self._key, "start": self._start,
            "stop": self._stop, "erase": self._erase, "drive": self._drive, "idle": self._idle, "wait": self._wait,
            "own": self._own, "refill": self._refill, "drain": self._drain, "top": self._top_up, "read": self._read,
        }  # fmt: skip

    def do(self, act: str) -> Answer:
        """Do one act and remember its answer; raises UnknownAct, or RequestError where the car does not allow it."""
        words = act.strip().lower().split()
        if not words:
            raise UnknownAct(act, "nothing was said")
        if words[0] == "test" and len(words) > 1:
            words = words[1:]
        if words[0] in self._acts and words[0] not in TESTS:
            answer = self._acts[words[0]](act, words[1:])
        elif words[0] in TESTS:
            answer = self._test(act, words[0], words[1:])
        else:
            raise UnknownAct(act)
        self.answers.append(answer)
        return answer

    # ---- looking and measuring ----------------------------------------------------------------------------------

    def test(self, name: str, cylinder: int | None = None, **options: float) -> Finding:
        """One test by its name; starts or stops the engine as it needs. Raises RequestError as VirtualCar.inspect."""
        if name in TESTS and TESTS[name].running is True:
            self.car.start(boosted=True)
        elif name in TESTS and TESTS[name].running is False:
            self.car.stop()
        return self.car.inspect(name, cylinder, **options)

    def _test(self, act: str, name: str, words: list[str]) -> Answer:
        options = {}
        cylinder = None
        for word in words:
            key, equals, value = word.partition("=")
            try:
                if equals:
                    options[key] = float(value)
                else:
                    cylinder = int(word)
            except ValueError:
                raise UnknownAct(act, f"{word!r} is neither a cylinder nor option=number") from None
        try:
            found = self.test(name, cylinder, **options)
        except EngineNotReady:
            return Answer(act, "Not done: the engine does not keep running", "does-not-run")
        except TypeError:
            raise UnknownAct(act, f"the test {name} has no such option") from None
        return Answer(act, found.words, found.outcome, found.values, series=found.series)

    def _look(self, act: str, words: list[str]) -> Answer:
        if words[:1] == ["lamp"]:
            seen = self.car.lamp
            return Answer(act, f"The lamp is {seen}", seen)
        if not words or words[0] not in _LOOKS:
            raise UnknownAct(act, f"one can look at {', '.join(_LOOKS)} and lamp")
        return self._test(act, _LOOKS[words[0]], words[1:])

    # ---- parts and works ----------------------------------------------------------------------------------------

    def _part(self, act: str, words: list[str], numbers: int) -> tuple[PartKind, list[int]]:
        if len(words) != numbers + 1 or words[0] not in PART_KINDS or not all(word.isdigit() for word in words[1:]):
            raise UnknownAct(act, f"say a part ({', '.join(PART_KINDS)}) and {numbers} cylinder(s)")
        kind = next(kind for kind in PART_KINDS if kind == words[0])
        return kind, [int(word) for word in words[1:]]

    def _swap(self, act: str, words: list[str]) -> Answer:
        kind, (first, second) = self._part(act, words, 2)
        self.car.stop()
        self.car.swap(kind, first, second)
        return Answer(act, f"{kind} {first} and {kind} {second} swapped", "swapped")

    def _replace(self, act: str, words: list[str]) -> Answer:
        kind, (cylinder,) = self._part(act, words, 1)
        self.car.stop()
        old, new = self.car.replace(kind, cylinder)
        return Answer(act, f"{kind} of cylinder {cylinder}: {old.serial} out, {new.serial} in", "replaced")

    def _reseat(self, act: str, words: list[str]) -> Answer:
        kind, (cylinder,) = self._part(act, words, 1)
        self.car.stop()
        self.car.reseat(kind, cylinder)
        return Answer(act, f"{kind} of cylinder {cylinder} taken off and fitted again", "reseated")

    def _work(self, act: str, words: list[str]) -> Answer:
        if not words or words[0] not in WORKS:
            raise UnknownAct(act, f"works are {', '.join(WORKS)}")
        work, layout = WORKS[words[0]], self.car.layout
        cylinder = int(words[1]) if len(words) > 1 and words[1].isdigit() else None
        if work.scope != "engine" and cylinder is None:
            raise UnknownAct(act, "name a cylinder (any cylinder of the bank for work on a bank)")
        self.car.stop()
        places: tuple[int | None, ...] = (None,) if work.scope == "engine" else (cylinder,)
        if work.scope == "bank" and cylinder is not None:
            places = layout.banks[layout.bank_of(cylinder) - 1]
        for fault in work.puts_right:
            for place in places:
                if fault == "gasket-to-neighbour" and (place is None or not layout.neighbours(place)):
                    continue
                self.car.repair(fault, place)
        return Answer(act, f"Done: {work.what}", "done")

    def _unplug(self, act: str, words: list[str]) -> Answer:
        kind, (cylinder,) = self._part(act, words, 1)
        if kind != "injector":
            raise UnknownAct(act, "only injectors are unplugged: an unplugged coil sends fuel into the catalyst")
        self.car.stop()
        self.car.unplug_injector(cylinder)
        return Answer(act, f"Injector {cylinder} is unplugged", "unplugged")

    def _plug_in(self, act: str, words: list[str]) -> Answer:
        if words[:2] != ["in", "injector"] or len(words) != 3 or not words[2].isdigit():
            raise UnknownAct(act, "say plug in injector and a cylinder")
        self.car.stop()
        self.car.unplug_injector(int(words[2]), unplugged=False)
        return Answer(act, f"Injector {words[2]} is plugged in", "plugged-in")

    # ---- key, driving, standing, filling ------------------------------------------------------------------------

    def _key(self, act: str, words: list[str]) -> Answer:
        if words == ["on"]:
            self.car.stop()
            self.car.key_on()
            glows = "the lamp glows for its check" if self.car.lamp == "off" else f"the lamp is {self.car.lamp}"
            return Answer(act, f"Key on, engine off; {glows}", "key-on")
        if words == ["off"]:
            self.car.key_off()
            return Answer(act, "Key off", "off")
        raise UnknownAct(act, "say key on or key off")

    def _start(self, act: str, words: list[str]) -> Answer:
        try:
            self.car.start()
        except DoesNotStart as weak:
            self.car.start(boosted=True)
            words_said = f"Its own battery turns it over with {weak.rpm:.0f} rpm; started with the booster"
            return Answer(act, words_said, "boosted")
        return Answer(act, "The engine is started", "started")

    def _stop(self, act: str, words: list[str]) -> Answer:
        self.car.stop()
        return Answer(act, "The engine is stopped, key on", "stopped")

    def _erase(self, act: str, words: list[str]) -> Answer:
        self.car.stop()
        self.car.key_on()
        self.car.unit.erase()
        return Answer(act, "Codes erased, key on, engine off", "erased")

    def _drive(self, act: str, words: list[str]) -> Answer:
        if not words:
            raise UnknownAct(act, f"drives are {', '.join((*NAMED_DRIVES, *CYCLES))}, or describe one")
        profile: DriveProfile
        if words[0] in NAMED_DRIVES or words[0] in CYCLES:
            profile = named_drive(words[0], self.step_s, self._amount(act, words[1:], "min"))
        else:
            profile = described_drive(" ".join(words), self.step_s)
        self.car.stop()  # a drive is a run of its own
        return self._driven(act, self.car.drive(profile, boosted=True))

    def _idle(self, act: str, words: list[str]) -> Answer:
        minutes = self._amount(act, words, "min") or 5.0
        return self._driven(act, self.car.idle(minutes, self.step_s, boosted=True))

    def _driven(self, act: str, record: DriveRecord) -> Answer:
        counts = {f"cylinder_{n}_misfires": float(record.count(n)) for n in self.car.layout.cylinders}
        shown = ", ".join(f"{n}: {record.count(n)}" for n in self.car.layout.cylinders)
        minutes = float(record.time_s[-1]) / 60
        lamps = [state for state in ("blinking", "on", "off") if state in record.lamp]
        ended = "; the engine died" if record.stalled else ""
        words = f"{record.km:.1f} km in {minutes:.0f} min; misfires counted {shown}; lamp {' and '.join(lamps)}{ended}"
        outcome = "stalled" if record.stalled else lamps[0]
        return Answer(act, words, outcome, {**counts, "distance_km": round(record.km, 2)}, minutes, record)

    def _wait(self, act: str, words: list[str]) -> Answer:
        minutes = self._amount(act, words, "min")
        hours = self._amount(act, words, "h") if minutes is None else minutes / 60
        if hours is None:
            raise UnknownAct(act, "say how long: wait 8 h, wait 20 min")
        self.car.key_off()
        self.car.soak(hours)
        words_said = f"It stood for {hours:g} h; coolant {self.car.coolant_c:.0f} degC"
        return Answer(act, words_said, "cold" if self.car.coolant_c < 40 else "warm", minutes=hours * 60)

    def _own(self, act: str, words: list[str]) -> Answer:
        km = self._amount(act, words, "km")
        if km is None:
            raise UnknownAct(act, "say how far: own 500 km town")
        name = next((word for word in words if word in NAMED_DRIVES or word in CYCLES), "mixed")
        used = self.car.own(km, name, until_lamp="until-lamp" in words)
        level = self.car.oil_level_share
        said = f"{used.km:.0f} km in {used.trips} trips; lamp {used.lamp}" + ("; it died" if used.stranded else "")
        values: dict[str, Shown] = {"distance_km": round(used.km, 1), "oil_between_marks_percent": round(100 * level)}
        return Answer(act, said, "stranded" if used.stranded else used.lamp, values, None)

    def _refill(self, act: str, words: list[str]) -> Answer:
        litres = self.car.refill(self._amount(act, words, "l"))
        return Answer(act, f"{litres:.0f} l filled", "filled", {"filled_l": round(litres, 1)})

    def _drain(self, act: str, words: list[str]) -> Answer:
        if words != ["tank"]:
            raise UnknownAct(act, "only the tank can be drained")
        litres = self.car.refill(drained=True)
        return Answer(act, f"Tank drained and filled with {litres:.0f} l of good fuel", "filled")

    def _top_up(self, act: str, words: list[str]) -> Answer:
        if len(words) != 2 or words[0] != "up" or words[1] not in ("oil", "coolant"):
            raise UnknownAct(act, "say top up oil or top up coolant")
        self.car.top_up(oil=words[1] == "oil", coolant=words[1] == "coolant")
        return Answer(act, f"{words[1].capitalize()} to the mark", "filled")

    def _amount(self, act: str, words: list[str], unit: str) -> float | None:
        """The number before a unit, "20 min" or "20min"; None when there is none."""
        match = re.search(rf"(\d+(?:\.\d+)?) ?{unit}\b", " ".join(words))
        return None if match is None else float(match[1])

    # ---- what the control unit says -----------------------------------------------------------------------------

    def _read(self, act: str, words: list[str]) -> Answer:
        reads = {"codes": self._codes, "counters": self._counters, "readiness": self._readiness, "data": self._data,
                 "in-use": self._in_use}  # fmt: skip
        if len(words) != 1 or words[0] not in reads:
            raise UnknownAct(act, f"one can read {', '.join(reads)}")
        if self.car.engine_state == "off":
            self.car.key_on()
        values = reads[words[0]]()
        said = "; ".join(
            f"{name.replace('_', ' ')} {', '.join(value) or 'none' if isinstance(value, tuple) else value}"
            for name, value in values.items()
        )
        return Answer(act, said or "nothing", None, values)

    def _codes(self) -> dict[str, Shown]:
        unit = self.car.unit
        shown: dict[str, Shown] = {kind: unit.codes(kind) for kind in ("confirmed", "pending", "permanent")}
        freeze = unit.memory.freeze
        if freeze is not None and unit.memory.freeze_code is not None:
            shown["freeze_frame_of"] = unit.memory.freeze_code
            for name, pid in (("freeze_rpm", 0x0C), ("freeze_load_percent", 0x04), ("freeze_coolant_c", 0x05)):
                value = freeze[pid][0]
                shown[name] = round(value, 1) if isinstance(value, float) else str(value)
        return shown

    def _counters(self) -> dict[str, Shown]:
        counts = self.car.counts_this_cycle
        return {f"cylinder_{n}_misfires": float(counts[n - 1]) for n in self.car.layout.cylinders}

    def _readiness(self) -> dict[str, Shown]:
        unit = self.car.unit
        readiness = unit.checks.readiness(unit.lamp != "off", len(unit.codes("confirmed")))
        return {"incomplete": tuple(str(name) for name in readiness.incomplete)}

    def _data(self) -> dict[str, Shown]:
        data = self.car.unit.data()
        names = {0x0C: "engine_rpm", 0x04: "load_percent", 0x05: "coolant_c", 0x0B: "manifold_kpa",
                 0x06: "short_trim_percent", 0x07: "long_trim_percent", 0x42: "supply_v"}  # fmt: skip
        values = {name: data[pid][0] for pid, name in names.items() if pid in data}
        return {name: round(value, 1) for name, value in values.items() if isinstance(value, int | float)}

    def _in_use(self) -> dict[str, Shown]:
        checks = self.car.unit.checks
        shown: dict[str, Shown] = {
            "general_conditions": float(checks.general),
            "ignition_cycles": float(checks.ignitions),
        }
        for group, count in checks.completions.items():
            if checks.conditions[group] or count:
                shown[group.replace("-", "_")] = f"{count} of {checks.conditions[group]}"
        return shown
