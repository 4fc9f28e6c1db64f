"""What every good technician knows of mixtures and of cars that do not start must come out, without a rule for it.

All facts here are common practice, no source. The packs are the shipped ones.
"""

from __future__ import annotations

from collections.abc import Mapping
from functools import cache

from firstcause.knowledge.base import Knowledge, load
from firstcause.reasoning.compiled import Model, compile_model
from firstcause.reasoning.exact import Engine, rough_engine
from firstcause.reasoning.history import CarFacts, Counted, Found, Happening, Repaired
from firstcause.reasoning.verdict import chance_removed, objections
from firstcause.vehicle.layout import common_layout
from firstcause.vehicle.place import ENGINE, Place

SIX = CarFacts(common_layout("V6"), 160_000.0)
FOUR = CarFacts(common_layout("I4"), 160_000.0)
FAILS_COLD = Counted("e1", {"cold": 4.0}, {1: 4}, {1: 4})
STARTS = Counted("e9", {"warm": 6.0, "cold": 2.0}, {1: 8}, {1: 0})


@cache
def pack(name: str) -> Knowledge:
    return load(name)


def model(name: str, car: CarFacts, *history: Happening) -> Model:
    return compile_model(pack(name), car, history)


def belief(name: str, car: CarFacts, *history: Happening) -> Mapping[str, float]:
    return rough_engine(model(name, car, *history).network).posterior().probability


def found(test: str, outcome: str, place: str = "engine") -> Found:
    return Found(f"{test} {place}", test, Place.parse(place), {outcome: 1.0})


def trims(first: int, second: int, region: str = "idle") -> Counted:
    """Readings beyond the line on each bank of the V6, of 30."""
    return Counted("e1", {region: 5.0}, {1: 30, 2: 30}, {1: first, 2: second})


def of(chances: Mapping[str, float], *faults: str) -> float:
    return sum(chance for cause, chance in chances.items() if cause.partition("@")[0] in faults and "#" not in cause)


def best(chances: Mapping[str, float]) -> str:
    roots = {cause: chance for cause, chance in chances.items() if "#" not in cause}
    return max(roots, key=lambda cause: roots[cause])


def test_lean_at_idle_that_vanishes_at_2500_is_false_air() -> None:
    falling = [found("trims-by-region", "lean-at-idle-falling", f"bank {n}") for n in (1, 2)]
    chances = belief("fuel-trim", SIX, trims(26, 27), *falling)

    assert of(chances, "vacuum-hose-leak", "booster-leak", "ventilation-torn") > 0.75
    assert of(chances, "fuel-pump-weak", "fuel-filter-restricted") < 0.05


def test_lean_that_grows_with_load_is_supply_or_metering() -> None:
    rising = [found("trims-by-region", "lean-rising-with-load", f"bank {n}") for n in (1, 2)]
    chances = belief("fuel-trim", SIX, trims(26, 27, "load"), *rising)

    assert of(chances, "fuel-pump-weak", "fuel-filter-restricted", "air-meter-dirty") > 0.9
    assert of(chances, "vacuum-hose-leak", "ventilation-torn", "intake-gasket-leak") < 0.1


def test_one_bank_alone_is_of_that_bank_and_both_are_of_what_they_share() -> None:
    lean = found("trims-by-region", "lean-at-idle-falling", "bank 1")
    one = belief("fuel-trim", SIX, trims(26, 0), lean, found("trims-by-region", "normal", "bank 2"))
    both = belief("fuel-trim", SIX, trims(26, 26), lean, found("trims-by-region", "lean-at-idle-falling", "bank 2"))

    assert best(one) == "intake-gasket-leak@bank 1"
    assert pack("fuel-trim").faults[best(both).partition("@")[0]].scope == "shared"


def test_slow_cranking_with_a_sound_battery_and_a_large_drop_to_earth_is_the_strap() -> None:
    chances = belief(
        "no-start", FOUR, FAILS_COLD, found("key-turn", "cranks-slowly"), found("earth-drop", "large"),
        found("terminals-look", "clean"), found("battery-load-test", "holds"),
    )  # fmt: skip

    assert best(chances) == "earth-strap-bad@engine"
    assert chances["earth-strap-bad@engine"] > 0.6


def test_an_empty_battery_is_a_victim_and_charging_it_is_relief() -> None:
    """It starts again after charging, and the alternator still does not charge: cured is refused, relieved is not."""
    told = (
        FAILS_COLD, found("key-turn", "clicks-fast"), found("battery-rest-voltage", "flat"),
        Repaired("e5", "charge-battery", ENGINE), STARTS, found("charging-voltage", "low"),
    )  # fmt: skip
    done = model("no-start", FOUR, *told)
    engine = Engine(done.network, 1e-5)
    chances, removed = engine.posterior().probability, chance_removed(done, engine)

    hard = {state: [o for o in objections(done, chances, removed, state) if o.hard] for state in ("cured", "relieved")}
    assert pack("no-start").faults["battery-flat"].kind == "victim"
    assert any("Alternator does not charge" in objection.words for objection in hard["cured"])
    assert hard["relieved"] == []


def test_petrol_in_the_oil_comes_from_somewhere() -> None:
    """The oil is the victim; the injector that drips, the short trips or the pump's seal are its causes."""
    smells = found("oil-smell", "smells-of-fuel")
    chances = belief("fuel-trim", FOUR, Counted("e1", {"idle": 5.0}, {1: 30}, {1: 27}), smells,
                     found("trims-by-region", "negative", "bank 1"))  # fmt: skip

    assert of(chances, "fuel-in-oil") > 0.6
    assert of(chances, "injector-leaking", "cold-short-trips") > 0.6 * of(chances, "fuel-in-oil")


def test_cranking_as_usual_clears_what_turns_the_engine() -> None:
    before = belief("no-start", FOUR, FAILS_COLD)
    after = belief("no-start", FOUR, FAILS_COLD, found("key-turn", "cranks-as-usual"))
    turning = ("battery-worn", "battery-flat", "starter-worn", "solenoid-bad", "earth-strap-bad", "start-switch-bad")

    assert of(after, *turning) < 0.35 * of(before, *turning)
    assert of(after, "fuel-pump-dead", "crank-sensor-bad") > 1.5 * of(before, "fuel-pump-dead", "crank-sensor-bad")


def test_something_else_always_keeps_mass() -> None:
    spins = (found("key-turn", "cranks-fast"), found("cranking-rhythm", "no-beat"))
    chances = belief("no-start", FOUR, FAILS_COLD, *spins)

    assert best(chances) == "timing-jumped@engine"
    assert 1e-4 < chances["something-else-on-the-car@engine"] < 0.2
