"""The virtual workshop: does a step of the tool's list on the virtual car and says what came out, as an event."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from firstcause.casebook.events import Body, Found, Renewed, Repaired
from firstcause.errors import RequestError
from firstcause.knowledge.base import Knowledge
from firstcause.reasoning.steps import Step
from firstcause.vehicle.place import Place, bank
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.instruments import TESTS
from firstcause.virtualcar.parts import NEW_GAP_MM
from firstcause.virtualcar.workshop import Finding as Seen

_LOOKS = {"cracked": "broken", "ash": "ash-crust"}
_HISS = {"tailpipe": "tailpipe", "intake": "intake", "oil-filler": "oil-filler", "header-tank": "header-tank"}
# Which physical fault of the virtual car a repair of the knowledge base would put right.
_PUTS_RIGHT: Mapping[str, tuple[str, ...]] = {
    "exhaust-valve-burnt": ("exhaust-valve-leak",),
    "intake-valve-leaks": ("intake-valve-leak",),
    "compression-rings-worn": ("ring-leak",),
    "oil-rings-stuck": ("oil-past-rings",),
    "stem-seal-leaks": ("stem-seal-leak",),
    "head-gasket-to-coolant": ("coolant-seep",),
    "intake-runner-leak": ("runner-air-leak",),
    "contact-loose-coil": ("connector-intermittent",),
    "contact-loose-injector": ("injector-connector-intermittent",),
    "vacuum-leak": ("manifold-air-leak",),
    "crankcase-ventilation-torn": ("crankcase-valve-torn",),
    "fuel-pressure-low": ("fuel-pressure-low",),
}


class VirtualShop:
    """A workshop with the instruments that the virtual car knows; steps it lacks the tool for are refused."""

    def __init__(self, car: VirtualCar, knowledge: Knowledge) -> None:
        self.car, self.knowledge = car, knowledge
        self._tests: dict[str, Callable[[Place], Found]] = {
            "plug-look": self._plug_look,
            "plug-gap": self._plug_gap,
            "coil-resistance": lambda place: self._by_cylinder("coil-resistance", "primary_ohm", "ohm", place),
            "injector-resistance": lambda place: self._by_cylinder("injector-resistance", "winding_ohm", "ohm", place),
            "compression-dry": lambda place: self._by_cylinder("compression-dry", "compression_psi", "psi", place),
            "leak-down": self._leak_down,
            "leak-path": self._leak_path,
            "injector-sound": lambda place: self._word("injector-sound", "injector-click", place, {}),
            "boot-look": lambda place: self._word("boot-look", "boot-look", place, {}),
            "wiggle": lambda place: self._word(
                "wiggle", "wiggle", place, {"miss-toggles": "toggles", "nothing": "no-change"}
            ),
            "pressure-under-load": lambda place: self._word(
                "pressure-under-load", "fuel-pressure", place, {"normal": "holds"}
            ),
            "oil-level": lambda place: self._word("oil-level", "oil-level", place, {}),
            "coolant-level": lambda place: self._word("coolant-level", "coolant-level", place, {"low": "low-or-hard"}),
            "crankcase-vacuum": lambda place: self._word(
                "crankcase-vacuum", "crankcase-vacuum", place, {"normal": "slight-vacuum"}
            ),
            "intake-smoke": self._intake_smoke,
            "runner-smoke": self._runner_smoke,
            "tailpipe": self._tailpipe,
            "whistle": self._whistle,
            "valve-gear-look": self._valve_gear_look,
        }

    def can(self, step: Step) -> bool:
        """Whether the virtual workshop has what the step needs."""
        if step.kind == "test":
            return step.what in self._tests
        if step.kind == "repair":
            repair = self.knowledge.repairs[step.what]
            return repair.renews is not None or any(cure.fault in _PUTS_RIGHT for cure in repair.cures)
        return step.kind in ("swap", "watch", "verify")

    def cannot(self) -> list[str]:
        """Ids of the tests that the virtual workshop has no tool for."""
        return [test for test in self.knowledge.tests if test not in self._tests]

    def test(self, step: Step) -> Found:
        """Do a test."""
        return self._tests[step.what](step.place)

    def repair(self, step: Step) -> Body:
        """Do a repair on the virtual car; what it removes there follows from the knowledge base's own list of cures."""
        self.car.stop()
        repair = self.knowledge.repairs[step.what]
        if repair.renews is not None:
            number = step.place.numbers[0]
            self.car.replace(repair.renews, number)  # type: ignore[arg-type]
            return Renewed(part=repair.renews, cylinder=number)
        for physical in {p for cure in repair.cures for p in _PUTS_RIGHT.get(cure.fault, ())}:
            for cylinder in self._cylinders(step.place, physical):
                self.car.repair(physical, cylinder)
        return Repaired(repair=step.what, place=str(step.place))

    def _cylinders(self, place: Place, physical: str) -> list[int | None]:
        from firstcause.virtualcar.faults import recipe_of

        if recipe_of(physical).holder == "engine":
            return [None]
        layout = self.car.layout
        if place.kind == "engine":
            return list(layout.cylinders)
        if place.kind == "bank":
            return [number for number in layout.cylinders if bank(layout.bank_of(number)) == place]
        return list(place.numbers)

    # ---- looking and measuring

    def _see(self, test: str, number: int | None = None, **options: float) -> Seen:
        needs = TESTS[test].running
        if needs is True:
            self.car.start()
        elif needs is False:
            self.car.stop()
        return self.car.inspect(test, number, **options)

    def _word(self, test: str, virtual: str, place: Place, words: Mapping[str, str]) -> Found:
        seen = self._see(virtual, place.numbers[0] if place.kind == "cylinder" else None)
        return Found(test=test, place=str(place), outcome=words.get(seen.outcome, seen.outcome), note=seen.words)

    def _plug_look(self, place: Place) -> Found:
        seen = self._see("plug-look", place.numbers[0])
        return Found(
            test="plug-look", place=str(place), outcome=_LOOKS.get(seen.outcome, seen.outcome),
            circumstances={"gap_mm": _number(seen, "gap_mm")}, note=seen.words,
        )  # fmt: skip

    def _plug_gap(self, place: Place) -> Found:
        seen = self._see("plug-gap", place.numbers[0])
        return Found(
            test="plug-gap", place=str(place), value=_number(seen, "gap_mm"), unit="mm",
            others={"specified": NEW_GAP_MM}, note=seen.words,
        )  # fmt: skip

    def _by_cylinder(self, test: str, value: str, unit: str, place: Place) -> Found:
        here = place.numbers[0]
        seen = {number: self._see(test, number) for number in self.car.layout.cylinders}
        others = {str(number): _number(found, value) for number, found in seen.items() if number != here}
        note = "; ".join(found.words for found in seen.values())
        return Found(test=test, place=str(place), value=_number(seen[here], value), unit=unit, others=others, note=note)

    def _leak_down(self, place: Place) -> Found:
        seen = self._see("leak-down", place.numbers[0])
        return Found(
            test="leak-down", place=str(place), value=_number(seen, "reading_psi"), unit="psi",
            others={"supply": _number(seen, "supply_psi"), "orifice-mm": _number(seen, "orifice_in") * 25.4},
            note=seen.words,
        )  # fmt: skip

    def _leak_path(self, place: Place) -> Found:
        seen = self._see("leak-down", place.numbers[0])
        heard = seen.values["hiss_at"]
        assert isinstance(heard, tuple)
        outcome = next((_HISS[where] for where in heard if where in _HISS), "neighbour" if heard else "nowhere-clear")
        shown: dict[str, str | float] = {
            name: _number(seen, name) for name in ("reading_psi", "supply_psi", "orifice_in")
        }
        return Found(test="leak-path", place=str(place), outcome=outcome, circumstances=shown, note=seen.words)

    def _valve_gear_look(self, place: Place) -> Found:
        """The virtual car has no fault of cam, follower, spring or clearance: whoever looks finds them sound."""
        self.car.stop()
        words = f"Cam, followers, springs and clearances of {place} are sound"
        return Found(test="valve-gear-look", place=str(place), outcome="sound", note=words)

    def _smoke_at(self) -> tuple[tuple[str, ...], str]:
        seen = self._see("smoke")
        at = seen.values["smoke_at"]
        assert isinstance(at, tuple)
        return at, seen.words

    def _intake_smoke(self, place: Place) -> Found:
        at, words = self._smoke_at()
        outcome = (
            "smoke-at-ventilation" if "crankcase-valve" in at else "smoke-out" if "manifold-hose" in at else "tight"
        )
        return Found(test="intake-smoke", place=str(place), outcome=outcome, note=words)

    def _runner_smoke(self, place: Place) -> Found:
        at, words = self._smoke_at()
        outcome = "smoke-out" if f"runner-{place.numbers[0]}" in at else "tight"
        return Found(test="runner-smoke", place=str(place), outcome=outcome, note=words)

    def _heard(self) -> tuple[tuple[str, ...], str]:
        seen = self._see("listen")
        heard = seen.values["heard"]
        assert isinstance(heard, tuple)
        return heard, seen.words

    def _tailpipe(self, place: Place) -> Found:
        heard, words = self._heard()
        return Found(
            test="tailpipe", place=str(place), outcome="puff" if "puff-at-tailpipe" in heard else "steady", note=words
        )

    def _whistle(self, place: Place) -> Found:
        heard, words = self._heard()
        outcome = "whistle" if any(sound.startswith("whistle") for sound in heard) else "quiet"
        return Found(test="whistle", place=str(place), outcome=outcome, note=words)


def _number(seen: Seen, name: str) -> float:
    value = seen.values[name]
    if not isinstance(value, int | float):
        raise RequestError(
            f"The virtual instrument for {seen.test!r} gave no number for {name!r}. Nothing was recorded."
        )
    return float(value)
