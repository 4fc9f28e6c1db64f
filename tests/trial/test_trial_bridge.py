"""The bridge against both of its banks: the knowledge on one side, the virtual car on the other."""

from __future__ import annotations

import pytest

from firstcause.casebook.measured import judge_found
from firstcause.knowledge.base import fits, load
from firstcause.trial.bay import wrong_with
from firstcause.trial.bridge import bridge, cylinders_at, measure, mend, puts_right
from firstcause.trial.settings import settings
from firstcause.vehicle.layout import common_layout
from firstcause.vehicle.place import ENGINE, Place, bank, cylinder
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.fault_table import RECIPES
from firstcause.virtualcar.instruments import TESTS
from firstcause.virtualcar.parts import PART_KINDS
from firstcause.virtualcar.shopday import ShopDay
from firstcause.virtualcar.works import WORKS

KNOWLEDGE = load("misfire")
VIN = "5ZCV2A3B5AR000123"


def _day(*faults: tuple[str, int | None]) -> ShopDay:
    car = VirtualCar.build(common_layout("V6", injection="direct"), VIN, 120_000.0, (), 3)
    for fault, at in faults:
        car.condition.inflict(fault, at)
    return ShopDay(car, step_s=5.0)


def _place(on: str) -> Place:
    return {"engine": ENGINE, "bank": bank(1)}.get(on, cylinder(2))


def test_every_test_of_the_knowledge_has_an_instrument_or_a_reason_why_not() -> None:
    assert set(bridge().tests) | set(bridge().no_instrument) == set(KNOWLEDGE.tests)
    assert not set(bridge().tests) & set(bridge().no_instrument)
    assert {how["instrument"] for how in bridge().tests.values()} <= set(TESTS)


def test_every_word_the_bridge_may_say_is_an_outcome_of_that_test() -> None:
    for name, how in bridge().tests.items():
        said = {*how.get("words", {}).values(), *how.get("words_first", {}).values()}
        said |= {word for _, word in (*how.get("signs", ()), *how.get("steps", ()))}
        said |= {how[key] for key in ("otherwise", "zero") if key in how}
        assert said <= {outcome.id for outcome in KNOWLEDGE.tests[name].outcomes}, name


@pytest.mark.parametrize("faults", [(), (("coil-dead", 2),), (("injector-dead", 2), ("manifold-air-leak", None))])
def test_every_mapped_test_gives_an_outcome_the_casebook_can_read(faults: tuple[tuple[str, int | None], ...]) -> None:
    """Sound, sparkless, and without fuel: zeros and open circuits are read too."""
    day = _day(*faults)
    day.car.start()
    for name in bridge().tests:
        test = KNOWLEDGE.tests[name]
        if not fits(test.fitted, day.car.layout):
            continue
        found = measure(day, name, _place(test.on))
        assert found is not None, name
        if found.outcome is None:
            judged = judge_found(found, test, day.car.layout)
            assert judged.weights, judged.sentence
        else:
            assert found.outcome in {outcome.id for outcome in test.outcomes}, name


def test_every_repair_of_the_knowledge_is_mapped_to_works_and_parts_that_exist() -> None:
    assert set(bridge().repairs) == set(KNOWLEDGE.repairs)
    for how in bridge().repairs.values():
        assert {work.split()[0] for work in how.get("works", ())} <= set(WORKS)
        assert {act.split()[1] for act in how.get("acts", ()) if act.startswith("replace")} <= set(PART_KINDS)
        assert set(how.get("cleans", ())) <= set(RECIPES)


def test_names_exist_on_both_sides_and_the_unknown_faults_have_neither_name_nor_repair() -> None:
    unknown, left_out = set(settings().draw["unknown"]), set(settings().draw["left_out"])
    assert set(bridge().names) <= set(RECIPES)
    assert {name for names in bridge().names.values() for name in names} <= set(KNOWLEDGE.faults)
    mended = {fault for repair in KNOWLEDGE.repairs for fault in puts_right(repair)}
    assert not unknown & (set(bridge().names) | mended)
    assert set(RECIPES) - unknown - left_out <= set(bridge().names) & mended


@pytest.mark.parametrize(
    "fault", sorted(set(RECIPES) - set(settings().draw["unknown"]) - {"catalyst-worn", "evap-leak"})
)
def test_what_a_repair_is_said_to_put_right_it_puts_right(fault: str) -> None:
    """Each repair that is mapped to a fault, done on a car that has that fault; and one that is not, does not."""
    at = None if RECIPES[fault].holder == "engine" else 2
    for repair in KNOWLEDGE.repairs.values():
        day = _day((fault, at))
        place = _place(repair.on)
        if at is not None and at not in cylinders_at(place, day.car.layout):
            place = bank(day.car.layout.bank_of(at))
        mend(day, repair.id, place)
        assert bool(wrong_with(day.car)) == (fault not in puts_right(repair.id)), repair.id
