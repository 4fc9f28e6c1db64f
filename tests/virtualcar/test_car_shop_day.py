"""A shop day played blind, and cars from files and seeds: the same car, the same day, the same bytes."""

from __future__ import annotations

import re
import tomllib
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from firstcause.errors import RequestError
from firstcause.vehicle.layout import common_layout
from firstcause.vehicle.vin import Vin
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.car_file import (
    BadCarFile,
    CarFile,
    Past,
    drawn_car,
    parse_car,
    read_car_file,
    write_car_file,
)
from firstcause.virtualcar.fault_table import RECIPES
from firstcause.virtualcar.faults import Trouble
from firstcause.virtualcar.instruments import TESTS
from firstcause.virtualcar.shopday import Answer, ShopDay, UnknownAct
from firstcause.virtualcar.works import WORKS
from firstcause.virtualcar.workshop import USUAL_SLIPS, Slips

VIN = "5ZCV2A3B5AR000123"


def day_on(*faults: tuple[str, int | None, float], shape: str = "I4", seed: int = 3) -> ShopDay:
    return ShopDay(VirtualCar.build(common_layout(shape), VIN, 120_000.0, faults, seed=seed), step_s=2.0)


def test_a_dead_coil_is_found_by_swapping_and_the_misfire_goes_with_it() -> None:
    """Common practice, no source: a misfire that moves with the coil is the coil's."""
    day = day_on(("coil-dead", 2, 1.0))
    assert float(day.do("idle 3 min").values["cylinder_2_misfires"]) > 500  # type: ignore[arg-type]
    day.do("swap coil 2 3")
    moved = day.do("idle 3 min").values
    assert float(moved["cylinder_2_misfires"]) < 5  # type: ignore[arg-type]
    assert float(moved["cylinder_3_misfires"]) > 500  # type: ignore[arg-type]
    assert day.do("coil-resistance 3").outcome == "open"
    day.do("replace coil 3")
    quiet = day.do("idle 3 min").values
    assert all(float(quiet[f"cylinder_{n}_misfires"]) < 3 for n in (1, 2, 3, 4))  # type: ignore[arg-type]


def test_an_unplugged_injector_keeps_the_catalyst_cool() -> None:
    """A dead cylinder's fuel heats the catalyst, 2250 K per share of unburnt charge (reference 4.10); else nothing."""
    with_fuel, without = day_on(("coil-dead", 2, 1.0)), day_on(("coil-dead", 2, 1.0))
    without.do("unplug injector 2")
    for day in (with_fuel, without):
        day.car.drive("motorway", step_s=2.0)
    hot, cool = (float(day.car.heat.catalyst_c[0]) for day in (with_fuel, without))
    assert hot > cool + 150
    assert "P0202" in without.car.unit.codes("pending")
    without.do("plug in injector 2")
    assert without.do("injector-click 2").outcome == "clicks"


def test_drives_by_name_and_in_words_and_the_minutes_they_take() -> None:
    day = day_on()
    assert day.do("drive udds").minutes == pytest.approx(1369 / 60, abs=0.1)
    assert day.do("drive 5 min at 90 km/h, 40 s idle").minutes == pytest.approx((18 + 300 + 18 + 40) / 60, abs=0.05)
    assert day.do("wait 8 h").minutes == 480
    assert day.do("drive town 4 min").minutes == pytest.approx(4.0, abs=0.1)
    with pytest.raises(RequestError, match="not understood"):
        day.do("drive to the moon")


def test_bad_fuel_goes_with_the_tank() -> None:
    """Draining and filling good fuel cures; half a tank on top dilutes."""
    day = day_on(("fuel-bad", None, 1.0))
    assert day.do("fuel-sample").outcome == "bad"
    before = day.car.condition.shared.bad_fuel_share
    day.do("refill 20 l")
    assert 0 < day.car.condition.shared.bad_fuel_share < before
    day.do("drain tank")
    assert day.do("fuel-sample").outcome == "good"


def test_a_loose_plug_is_tight_after_it_was_out() -> None:
    day = day_on(("plug-loose", 3, 1.5))
    assert "plug-thread" in day.do("leak-down 3").values["hiss_at"]  # type: ignore[operator]
    day.do("reseat plug 3")
    assert "plug-thread" not in day.do("leak-down 3").values["hiss_at"]  # type: ignore[operator]


@pytest.mark.parametrize("fault", sorted(RECIPES))
def test_every_fault_has_a_work_a_part_or_a_filling_that_puts_it_right(fault: str) -> None:
    """Whoever works the car blind can cure whatever it has, with the trade's own works."""
    recipe = RECIPES[fault]
    cylinder = None if recipe.holder == "engine" else 2
    day = day_on((fault, cylinder, 1.0), shape="V6")
    assert [one.fault for one in day.car.condition.still_wrong()] == [fault]
    works = [name for name, work in WORKS.items() if fault in work.puts_right]
    if recipe.part_kind is not None:
        day.do(f"replace {recipe.part_kind} 2")
    elif fault == "fuel-bad":
        day.do("drain tank")
        assert day.car.condition.shared.bad_fuel_share < 0.02
        return
    else:
        assert works, fault
        day.do(f"work {works[0]}" + ("" if WORKS[works[0]].scope == "engine" else " 2"))
    assert day.car.condition.still_wrong() == ()


def test_a_work_elsewhere_does_not_put_it_right() -> None:
    day = day_on(("exhaust-valve-leak", 2, 1.0))
    day.do("work valves 3")
    assert [one.fault for one in day.car.condition.still_wrong()] == ["exhaust-valve-leak"]


@pytest.mark.parametrize(
    "act", ["", "dance", "look", "look moon", "swap coil 1", "swap piston 1 2", "replace coil", "unplug coil 2", "key",
            "read minds", "work miracles", "work valves", "wait", "top up air", "own a boat", "leak-down three",
            "leak-down 3 colour=1", "drain sump", "plug 3"],
)  # fmt: skip
def test_what_the_shop_does_not_know_is_refused_with_its_list(act: str) -> None:
    """Nothing is done, and the answer says what can be done."""
    day = day_on()
    with pytest.raises(UnknownAct, match="Known acts"):
        day.do(act)
    assert day.answers == []


def test_every_look_and_test_answers_by_its_word_alone() -> None:
    """All tests of the workshop through the same door, engine started and stopped as they need."""
    day = day_on(("exhaust-valve-leak", 2, 1.0))
    for name, test in TESTS.items():
        answer = day.do(f"{name} 2" if test.needs_cylinder else name)
        assert answer.words
        assert answer.outcome


def a_day(car: CarFile) -> list[Answer]:
    day = ShopDay(car.build(), step_s=2.0)
    acts = ("read codes", "look lamp", "look plug 2", "compression-dry 2", "leak-down 2", "relative-compression",
            "listen", "smell", "swap plug 1 2", "idle 3 min", "drive town", "read data", "read in-use")  # fmt: skip
    return [day.do(act) for act in acts]


def test_the_same_file_gives_the_same_day_to_the_last_digit(tmp_path: Path) -> None:
    """Determinism: a seed gives the same car, the same day, the same bytes; another seed another one."""
    file = tmp_path / "car.toml"
    drawn = replace(drawn_car(11, shape="V6"), history=(Past(15.0, "town"),))
    file.write_text(write_car_file(drawn), encoding="utf-8")
    one, two = a_day(read_car_file(file)), a_day(read_car_file(file))
    assert [(a.words, dict(a.values)) for a in one] == [(a.words, dict(a.values)) for a in two]
    for first, second in zip(one, two, strict=True):
        if first.record is not None and second.record is not None:
            np.testing.assert_array_equal(first.record.misfires, second.record.misfires)
    assert [a.words for a in a_day(replace(drawn, seed=12))] != [a.words for a in one]


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6))
def test_a_drawn_car_survives_its_file(seed: int) -> None:
    """Writing and reading gives the same car; its VIN has a right check digit (49 CFR 565)."""
    car = drawn_car(seed)
    assert parse_car(tomllib.loads(write_car_file(car))) == car
    assert Vin.read(car.vin).check_digit == "right"
    assert 1 <= len(car.faults) <= 3


WHOLE = {
    "seed": 3, "vin": VIN, "mileage_km": 100_000.0, "engine": {"shape": "I4", "displacement_l": 1.8},
    "workshop": {"noise": 2.0, "misread_look": 0.1}, "history": [{"km": 20.0, "drive": "town"}],
    "fault": [{"fault": "plug-gap-wide", "cylinder": 2, "severity": 0.7, "onset_km": 9e4, "grows_over_km": 2e4}],
}  # fmt: skip


def test_a_file_says_everything() -> None:
    car = parse_car(WHOLE)
    assert car.faults == (Trouble("plug-gap-wide", 2, 0.7, 90_000.0, 20_000.0),)
    assert (car.noise, car.slips, car.history) == (2.0, Slips(look=0.1), (Past(20.0, "town"),))
    built = car.build()
    assert built.odometer_km > 100_019
    assert built.layout.displacement_l == 1.8
    assert built.condition.present[0].severity == pytest.approx(0.35, abs=0.01)  # half way at 100 000 km


def test_an_engine_that_numbers_and_fires_in_its_own_way(tmp_path: Path) -> None:
    """Any layout that `vehicle` can describe: banks, firing order and shared coils of one's own, there and back."""
    own = {"shape": "V6", "banks": [[1, 2, 3], [4, 5, 6]], "firing_order": [1, 4, 2, 5, 3, 6],
           "coil_groups": [[1, 5], [4, 3], [2, 6]]}  # fmt: skip
    car = parse_car({**WHOLE, "engine": own})
    assert car.layout.banks == ((1, 2, 3), (4, 5, 6))
    assert car.layout.shares_coil_with(3) == (4,)
    assert parse_car(tomllib.loads(write_car_file(car))) == car
    assert ShopDay(car.build()).do("idle 1 min").outcome == "off"


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"seed": None}, "missing"), ({"colour": "red"}, "colour"), ({"vin": "SHORT"}, "VIN"),
        ({"engine": {"shape": "W9"}}, "W9"), ({"engine": {"shape": "I4", "compression_ratio": 0.5}}, "ratio"),
        ({"fault": [{"fault": "ghost"}]}, "no fault"),
        ({"fault": [{"fault": "coil-dead", "severity": -1}]}, "severity"),
        ({"fault": [{"fault": "coil-dead", "place": 3}]}, "place"), ({"workshop": {"misread_look": 1.5}}, "misreading"),
        ({"history": [{"km": 5, "drive": "moon"}]}, "moon"), ({"mileage_km": "far"}, "far"),
    ],
)  # fmt: skip
def test_a_bad_file_is_refused_with_the_reason(change: dict[str, object], says: str) -> None:
    table = {key: value for key, value in {**WHOLE, **change}.items() if value is not None}
    with pytest.raises(BadCarFile, match=says):
        parse_car(table)


def test_the_file_shown_in_the_guide_is_a_car() -> None:
    """docs/virtual-car.md: its example reads, builds and has its fault at the visit."""
    guide = (Path(__file__).parents[2] / "docs" / "virtual-car.md").read_text(encoding="utf-8")
    table = tomllib.loads(guide.split("```toml\n")[1].split("```")[0])
    assert [fault.fault for fault in parse_car(table).faults] == ["exhaust-valve-leak"]
    for act in re.findall(r"`((?:look|swap|replace|reseat|unplug|plug|wait|top|read|work) [^`]+)`", guide):
        if "do " not in act and "firstcause" not in act:
            assert day_on(shape="I6").do(act).words


def test_onset_growth_and_a_day_before_it() -> None:
    """Nothing before the onset, half of it half way, all of it after; a repair ends the growth."""
    trouble = Trouble("ring-leak", 2, 2.0, onset_km=1000.0, grows_over_km=500.0)
    assert [trouble.severity_at(km) for km in (999.0, 1250.0, 1500.0, 9000.0)] == [0.0, 1.0, 2.0, 2.0]
    car = VirtualCar.build(common_layout("I4"), VIN, 900.0, [trouble], seed=1)
    sound = car.condition.cylinders[2].ring_leak_mm2
    assert car.condition.still_wrong() == ()
    car.condition.grow(1250.0)
    assert car.condition.cylinders[2].ring_leak_mm2 == pytest.approx(sound + 2.6)
    car.condition.grow(2000.0)
    assert car.condition.cylinders[2].ring_leak_mm2 == pytest.approx(sound + 5.2)
    car.repair("ring-leak", 2)
    car.condition.grow(9000.0)
    assert car.condition.cylinders[2].ring_leak_mm2 < 0.5


@settings(max_examples=30, deadline=None)
@given(data=st.data())
def test_faults_in_any_combination_and_any_order(data: st.DataObject) -> None:
    """The state does not depend on the order they were put in; taking all out leaves a sound place."""
    places = [(name, None if RECIPES[name].holder == "engine" else 2) for name in sorted(RECIPES)]
    chosen = data.draw(st.lists(st.sampled_from(places), min_size=1, max_size=5, unique=True))
    shuffled = data.draw(st.permutations(chosen))
    one, two = (VirtualCar.build(common_layout("I4"), VIN, 1e5, [(*at, 0.9) for at in order], seed=1).condition
                for order in (chosen, shuffled))  # fmt: skip
    for name, state in vars(one.cylinders[2]).items():
        assert vars(two.cylinders[2])[name] == pytest.approx(state), name
    for name, value in vars(one.shared).items():
        assert vars(two.shared)[name] == pytest.approx(value), name
    for place, part in one.fitments.fitted.items():
        assert {k: pytest.approx(v) for k, v in vars(part).items()} == vars(two.fitments.fitted[place])


def test_one_of_two_faults_of_a_place_is_put_right_and_the_other_stays() -> None:
    """Worn guide and burnt valve both leak at the exhaust valve; new stem seals leave both, a valve job takes both."""
    day = day_on(("exhaust-valve-leak", 2, 1.0), ("valve-guide-worn", 2, 1.0), ("stem-seal-leak", 2, 1.0))
    assert day.car.condition.cylinders[2].exhaust_leak_mm2 == pytest.approx(1.85)
    day.do("work stem-seals 2")
    assert day.car.condition.cylinders[2].oil_stem_mg == pytest.approx(0.51)
    assert day.car.condition.cylinders[2].exhaust_leak_mm2 == pytest.approx(1.85)
    day.do("work valves 2")
    assert day.car.condition.cylinders[2].exhaust_leak_mm2 == 0.0


def test_people_misread_at_the_stated_rate() -> None:
    """Binomial: 400 looks at a wet plug, one in five taken for something else, within 4 standard deviations."""
    car = VirtualCar.build(common_layout("I4"), VIN, 1e5, [("plug-oil-fouled", 2, 1.0)], seed=1)
    car.workshop.slips = Slips(look=0.2)
    wrong = sum(car.inspect("plug-look", 2).outcome != "oil-wet" for _ in range(400))
    assert abs(wrong - 80) < 4 * (400 * 0.2 * 0.8) ** 0.5
    car.workshop.slips = USUAL_SLIPS
    assert sum(car.inspect("plug-look", 2).outcome != "oil-wet" for _ in range(400)) < 40


def test_instrument_noise_scales() -> None:
    """Twice the noise, twice the scatter of the gauge (400 readings: 7 % on a standard deviation)."""
    car = VirtualCar.build(common_layout("I4"), VIN, 1e5, seed=1)
    spread = []
    for noise in (1.0, 2.0):
        car.workshop.noise = noise
        spread.append(np.std([float(car.inspect("coil-resistance", 2).values["primary_ohm"]) for _ in range(400)]))  # type: ignore[arg-type]
    assert spread[1] / spread[0] == pytest.approx(2.0, rel=0.3)
