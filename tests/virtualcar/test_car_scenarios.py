"""Whole stories that must come out of the physics: the burnt valve, the plug that fouls again, and their like."""

from __future__ import annotations

import time
from pathlib import Path

import numpy as np
import pytest

from firstcause.errors import RequestError
from firstcause.vehicle.layout import common_layout
from firstcause.vehicle.vin import Vin
from firstcause.virtualcar.car import EngineNotReady, VirtualCar
from firstcause.virtualcar.drive import DriveProfile, named_drive
from firstcause.virtualcar.fault_table import RECIPES
from firstcause.virtualcar.faults import UnknownFault
from firstcause.virtualcar.instruments import TESTS

VIN = "5ZCV2A3B5AR000123"
SEEDS = range(5)


def burnt_valve(seed: int, severity: float = 1.5) -> VirtualCar:
    """In-line four, coil on plug, exhaust valve of cylinder 3 leaking 1.5 mm2 times the severity."""
    return VirtualCar.build(common_layout("I4"), VIN, 190_000.0, [("exhaust-valve-leak", 3, severity)], seed=seed)


def oily_five(seed: int, severity: float = 1.0) -> VirtualCar:
    """V6, oil past the control rings of cylinder 5, plugs just new."""
    layout = common_layout("V6", displacement_l=3.0)
    faults = [("oil-past-rings", 5, severity)]
    return VirtualCar.build(layout, VIN, 210_000.0, faults, seed=seed, plug_age_km=0.0)


def test_the_vin_of_the_demo_is_well_formed() -> None:
    """Check digit after 49 CFR 565, Tables III and IV; the maker is invented."""
    assert Vin(VIN).check_digit == "right"


# ---- A: exhaust valve ------------------------------------------------------------------------------------------------


def test_burnt_valve_misfires_at_idle_and_hardly_at_speed() -> None:
    """Worst at idle, better at speed (reference 2.2 F28, common practice); a few to tens of percent at hot idle."""
    idle, fast = [], []
    for seed in SEEDS:
        car = burnt_valve(seed)
        car.drive("mixed", step_s=2.0)
        share = car.idle(20.0, step_s=2.0).share(3)
        assert share is not None
        idle.append(share)
        at_speed = car.drive("motorway", step_s=2.0).share(3, low_rpm=2000)
        assert at_speed is not None
        fast.append(at_speed)
    assert all(0.02 < share < 0.5 for share in idle), idle
    assert all(share < 0.002 for share in fast), fast


def test_burnt_valve_lights_the_lamp_with_the_freeze_frame_at_idle() -> None:
    """In traffic jams the lamp comes within some trips, P0303 alone, frame at low speed and load."""
    for seed in SEEDS:
        car = burnt_valve(seed)
        used = car.own(300.0, "jam", until_lamp=True)
        assert used.lamp == "on", (seed, used)
        assert "P0303" in car.unit.codes("confirmed")
        freeze = car.unit.memory.freeze
        assert freeze is not None
        (rpm,) = freeze[0x0C]
        assert isinstance(rpm, float)
        assert rpm < 2100


def test_swapping_the_coil_changes_nothing_about_the_burnt_valve() -> None:
    """Common practice, no source: a swap that leaves the misfire in its cylinder speaks against the coil."""
    for seed in SEEDS:
        car = burnt_valve(seed)
        car.drive("town", step_s=2.0)
        car.swap("coil", 3, 1)
        log = car.idle(20.0, step_s=2.0)
        assert log.count(3) > 50
        assert log.count(1) <= 2


def test_a_warm_engine_may_hide_the_burnt_valve_for_a_minute() -> None:
    """After running at speed the valve seats better (judgement, reference 4.2), then it comes back at idle."""
    time_s = np.array([0.0, 30.0, 60.0, *np.arange(70.0, 500.0, 10.0), 510.0, 515.0])
    fast = DriveProfile.from_arrays(time_s, [0.0, 0.0, 90.0, *[100.0] * 43, 60.0, 0.0])
    first, later = [], []
    for seed in range(10):
        car = burnt_valve(seed, 1.5)
        car.coolant_c = 85.0
        car.drive(fast, stop_after=False)
        first.append(car.idle(1.0, step_s=2.0).share(3))
        car.idle(6.0, step_s=2.0)
        later.append(car.idle(6.0, step_s=2.0).share(3))
    hidden = [share for share in first if share is not None and share < 0.03]
    assert len(hidden) >= 4, first
    assert np.mean(later) > 2 * np.mean(first), (first, later)  # type: ignore[arg-type]


def test_burnt_valve_on_the_gauges() -> None:
    """About 74 % of the others' compression and 26/80 with a hiss at the tailpipe (reference 7.1, section 4).

    How the valve seats at that moment spreads the reading; the middle over seeds must be there.
    """
    ratios, readings = [], []
    for seed in range(15):
        car = burnt_valve(seed, 1.0)
        dry = {n: car.inspect("compression-dry", n).values["compression_psi"] for n in (1, 2, 3, 4)}
        ratios.append(float(dry[3]) / float(np.mean([float(dry[n]) for n in (1, 2, 4)])))  # type: ignore[arg-type]
        tester = car.inspect("leak-down", 3)
        readings.append(float(tester.values["reading_psi"]))  # type: ignore[arg-type]
        assert tester.values["hiss_at"] == ("tailpipe",)
        assert all(float(car.inspect("leak-down", n).values["reading_psi"]) >= 75 for n in (1, 2, 4))  # type: ignore[arg-type]
    assert 0.68 < float(np.median(ratios)) < 0.78, ratios
    assert 18 < float(np.median(readings)) < 28, readings


def test_burnt_valve_in_the_starter_current() -> None:
    """No. 3 about 11 % low and the next in the firing order (4) about 7-10 % high: reference 7.1 and 4.5 (computed)."""
    lows, nexts = [], []
    for seed in range(15):
        found = burnt_valve(seed, 1.0).inspect("relative-compression")
        lows.append(found.values["cylinder_3_percent"])
        nexts.append(found.values["cylinder_4_percent"])
    assert 80 < float(np.median(lows)) < 92  # type: ignore[arg-type]
    assert 105 < float(np.median(nexts)) < 118  # type: ignore[arg-type]


def test_after_the_valve_job_the_engine_is_quiet_and_the_rules_run_out() -> None:
    """Repair, erase, drive: no count; the permanent code goes after the published proof and not before."""
    car = burnt_valve(1)
    car.own(300.0, "jam", until_lamp=True)
    car.repair("exhaust-valve-leak", 3)
    car.key_on()
    car.unit.erase()
    assert car.unit.codes("permanent") == ("P0303",)
    log = car.drive("mixed")
    assert sum(log.count(n) for n in (1, 2, 3, 4)) <= 2
    assert car.unit.tally.minimum_drive
    assert car.unit.codes("permanent") == ("P0303",)  # until this cycle ends, with the next start
    car.start()
    assert car.unit.codes("permanent") == ()
    assert car.lamp == "off"
    loss = car.inspect  # the car is running: a gauge cannot be screwed in
    with pytest.raises(RequestError, match="engine off"):
        loss("leak-down", 3)


# ---- B: oil past the rings -------------------------------------------------------------------------------------------


def test_oil_fouls_the_plug_and_the_misfire_goes_with_the_plug() -> None:
    """Lamp, misfire on 5, moves to 2 with the plug; a new plug is quiet at once; compression and leak-down normal."""
    for seed in range(3):
        car = oily_five(seed)
        used = car.own(3000.0, "town", until_lamp=True)
        assert used.lamp != "off"
        assert 100 < used.km < 3000
        assert "P0305" in car.unit.codes("confirmed")
        assert car.inspect("plug-look", 5).outcome == "oil-wet"
        car.swap("plug", 5, 2)
        moved = car.drive("cold-start")
        assert (moved.share(2) or 0) > 0.5
        assert (moved.share(5) or 0) < 0.05
        car.replace("plug", 2)
        quiet = car.drive("mixed", step_s=2.0)
        assert sum(quiet.count(n) for n in range(1, 7)) <= 3
        dry = {n: float(car.inspect("compression-dry", n).values["compression_psi"]) for n in range(1, 7)}  # type: ignore[arg-type]
        assert dry[5] > 0.9 * max(dry.values())
        assert float(car.inspect("leak-down", 5).values["reading_psi"]) >= 75  # type: ignore[arg-type]


def test_the_plug_fouls_again_at_about_the_same_distance() -> None:
    """Recurrence with small scatter (reference 4.9): hundreds to thousands of km, until the rings are done."""
    distances = []
    for seed in range(2):
        car = oily_five(seed, 0.8)
        for _ in range(2):
            used = car.own(6000.0, "town", until_lamp=True)
            assert used.lamp != "off"
            distances.append(used.km)
            car.replace("plug", 5)
            car.key_on()
            car.unit.erase()
    assert all(150 < km < 6000 for km in distances), distances
    assert max(distances) < 2 * min(distances), distances


def test_a_little_oil_never_fouls() -> None:
    """A threshold dose below which nothing happens: 0.03-0.07 mg a cycle never in 60 000 miles (reference 4.9)."""
    car = VirtualCar.build(common_layout("I4"), VIN, 90_000.0, seed=5, plug_age_km=0.0)
    car.own(500.0, "town")
    assert all(car.fitments.plug(n).oil_decades < 0.5 for n in car.layout.cylinders)


def test_the_motorway_keeps_an_oily_plug_alive_longer() -> None:
    """Strong dependence on duty (reference 4.9): town against mixed driving at the same dose."""
    town = oily_five(1)
    town_km = town.own(3000.0, "town", until_lamp=True).km
    mixed = oily_five(1)
    mixed_used = mixed.own(town_km * 2, "mixed", until_lamp=True)
    assert mixed_used.lamp == "off"


# ---- other faults ----------------------------------------------------------------------------------------------------


def test_a_sound_car_stays_quiet() -> None:
    """Four drives of different kinds, three cars: no lamp, no code, next to no counts."""
    for seed in range(3):
        car = VirtualCar.build(common_layout("V8", displacement_l=4.0), VIN, 60_000.0, seed=seed)
        for name in ("cold-start", "town", "motorway", "hill"):
            log = car.drive(name, step_s=1.0)
            assert log.true_misfires.sum() <= 5
        assert car.lamp == "off"
        assert car.unit.codes("pending") == ()


@pytest.mark.parametrize(
    ("fault", "severity", "worst"),
    [
        ("runner-air-leak", 1.0, "idle"),
        ("boot-flashover", 1.0, "load"),
        ("coil-weak", 1.0, "load"),
        ("plug-gap-wide", 1.0, "load"),
        ("plug-insulator-cracked", 1.0, "load"),
        ("injector-restricted", 1.0, "idle"),
        ("ring-leak", 2.0, "idle"),
        ("intake-valve-leak", 2.0, "idle"),
        ("piston-land-broken", 1.0, "idle"),
    ],
)
def test_region_of_each_fault(fault: str, severity: float, worst: str) -> None:
    """Air leaks and mechanics at idle, spark faults under load: regions of reference 2.2 (common practice)."""
    car = VirtualCar.build(common_layout("I4"), VIN, 150_000.0, [(fault, 2, severity)], seed=4)
    car.drive("mixed", step_s=2.0)
    idle = car.idle(10.0, step_s=1.0).share(2) or 0.0
    load = car.drive("hill", step_s=1.0).share(2, low_rpm=1800) or 0.0
    assert (idle > load) is (worst == "idle"), (idle, load)
    assert max(idle, load) > 0.002


def test_a_dead_coil_reads_lean_blinks_and_wets_its_plug() -> None:
    """A dead cylinder reads lean whether or not its fuel comes (finding 5); 25 % of a four is catalyst-damaging."""
    car = VirtualCar.build(common_layout("I4"), VIN, 150_000.0, [("coil-dead", 2, 1.0)], seed=4)
    log = car.drive("town")
    assert (log.share(2) or 0) > 0.97
    assert "blinking" in log.lamp
    assert car.inspect("plug-look", 2).outcome == "fuel-wet"
    assert car.inspect("coil-resistance", 2).outcome == "open"
    assert float(log.long_trim_percent[-1, 0]) > 8
    assert car.inspect("injector-resistance", 2).outcome == "measured"


def test_a_waste_spark_coil_takes_its_companion_along() -> None:
    """One coil for two cylinders: both die (reference F10)."""
    layout = common_layout("I4", ignition="waste-spark")
    car = VirtualCar.build(layout, VIN, 150_000.0, [("coil-dead", 1, 1.0)], seed=4)
    log = car.drive("cold-start")
    assert [(log.share(n) or 0) > 0.9 for n in (1, 2, 3, 4)] == [True, False, False, True]
    assert "P0300" in car.unit.codes("pending")
    with pytest.raises(RequestError, match="same coil"):
        car.swap("coil", 1, 4)


@pytest.mark.parametrize(
    ("ignition", "injection", "metering", "induction"),
    [
        ("distributor", "single-point", "manifold-pressure", "natural"),
        ("waste-spark", "port", "air-flow-meter", "turbo"),
        ("coil-on-plug", "direct", "manifold-pressure", "turbo"),
    ],
)
def test_any_arrangement_drives_quietly_and_dies_with_its_coil(
    ignition: str, injection: str, metering: str, induction: str
) -> None:
    """Whatever the layout can describe: sound it is quiet, with a dead coil every cylinder of that coil is dead.

    An engine with one coil for all then does not run at all, and its control unit has nothing to compare.
    """
    details = {"ignition": ignition, "injection": injection, "metering": metering, "induction": induction}
    layout = common_layout("V6", **details)
    assert VirtualCar.build(layout, VIN, 1e5, seed=1).drive("hill", step_s=2.0).true_misfires.sum() <= 3
    log = VirtualCar.build(layout, VIN, 1e5, [("coil-dead", 2, 1.0)], seed=1).drive("cold-start", step_s=2.0)
    fired = log.ignition_events.sum(axis=0) - log.true_misfires.sum(axis=0)
    dead = {number for number in layout.cylinders if fired[number - 1] == 0}
    assert dead == {2, *layout.shares_coil_with(2)}
    assert log.stalled is (ignition == "distributor")
    if not log.stalled:
        assert dead == {number for number in layout.cylinders if (log.share(number) or 0) > 0.9}


def test_coolant_seep_misfires_only_in_the_first_minute_after_a_night() -> None:
    """Reference 7.4: cold only; the plug dries."""
    car = VirtualCar.build(common_layout("I5", displacement_l=2.5), VIN, 260_000.0, [("coolant-seep", 4, 1.0)], seed=2)
    car.drive("mixed", step_s=2.0)
    car.soak(10.0)
    log = car.drive("cold-start")
    first = int(log.misfires[log.time_s < 90, 3].sum())
    assert first > 10
    assert int(log.misfires[log.time_s > 150, 3].sum()) <= 1
    assert car.inspect("coolant-level").values["of_mark_percent"] < 100.0  # type: ignore[operator]


def test_an_intermittent_contact_hides_on_many_drives_and_goes_with_a_reseat() -> None:
    """Bouts about every 30 min: most 12-minute motorway drives show none (reference 4.6: exp(-t/tau))."""
    quiet = 0
    for seed in range(20):
        car = VirtualCar.build(common_layout("I3"), VIN, 74_000.0, [("connector-intermittent", 2, 1.0)], seed=seed)
        car.coolant_c = 88.0
        car.soak(0.01)  # just switched off: coils and connectors are hot
        quiet += car.drive("motorway", step_s=2.0).count(2) == 0
    assert 9 <= quiet <= 18  # binomial(20, exp(-12/30) = 0.67), 2.5 standard deviations


def test_an_air_leak_shows_in_the_trims_at_idle_and_not_at_speed() -> None:
    """Trim falls about as 1/air flow (reference 4.8)."""
    car = VirtualCar.build(common_layout("I4"), VIN, 90_000.0, [("manifold-air-leak", None, 0.6)], seed=1)
    car.drive("mixed")
    car.idle(5.0)
    car.stop()
    trims = car.inspect("trims")
    assert trims.outcome == "lean-at-idle"
    idle, part = trims.values["bank_1_idle_percent"], trims.values["bank_1_part_load_percent"]
    assert isinstance(idle, float)
    assert isinstance(part, float)
    assert idle > 2.5 * part > 0
    assert car.inspect("smoke").values["smoke_at"] == ("manifold-hose",)


def test_two_faults_at_once_add_up() -> None:
    """A wide gap alone and an aged coil alone still fire where both together do not: one inequality (reference 4.7)."""

    def hill(*faults: tuple[str, int | None, float]) -> float:
        car = VirtualCar.build(common_layout("I4"), VIN, 90_000.0, list(faults), seed=1)
        return car.drive("hill", step_s=1.0).share(2, low_rpm=1500) or 0.0

    gap, coil = ("plug-gap-wide", 2, 0.6), ("coil-weak", 2, 0.7)
    assert hill(gap) < 0.01
    assert hill(coil) < 0.01
    assert hill(gap, coil) > 0.05


@pytest.mark.parametrize("fault", sorted(RECIPES))
def test_every_fault_can_be_set_and_every_place_fault_cured(fault: str) -> None:
    """The table is whole: each fault changes the physical state, and a repair or a new part takes it away."""
    holder = RECIPES[fault].holder
    cylinder = None if holder == "engine" else 2
    sound = VirtualCar.build(common_layout("V6"), VIN, 1.0, seed=1)
    car = VirtualCar.build(common_layout("V6"), VIN, 1.0, [(fault, cylinder, 1.0)], seed=1)
    assert (car.condition.cylinders, car.condition.shared, car.fitments.fitted) != (
        sound.condition.cylinders, sound.condition.shared, sound.fitments.fitted,
    )  # fmt: skip
    kind = RECIPES[fault].part_kind
    if kind is None:
        car.repair(fault, cylinder)
        assert car.condition.shared == sound.condition.shared
        for number, state in car.condition.cylinders.items():
            state.ring_leak_mm2 = sound.condition.cylinders[
                number
            ].ring_leak_mm2  # new rings are new, not as worn as before
        assert car.condition.cylinders == sound.condition.cylinders
    else:
        assert cylinder is not None
        with pytest.raises(UnknownFault, match="replace that part"):
            car.repair(fault, cylinder)
        old, new = car.replace(kind, cylinder)
        assert old.serial != new.serial


def test_a_part_can_be_dead_out_of_the_box() -> None:
    """New is not known good (reference 3.5, rule 7)."""
    car = VirtualCar.build(common_layout("I4"), VIN, 90_000.0, seed=1)
    car.replace("coil", 2, dead=True)
    assert (car.drive("cold-start").share(2) or 0) > 0.9


def test_impossible_acts_are_refused() -> None:
    """Each says what to do; the car is unchanged."""
    car = VirtualCar.build(common_layout("I4"), VIN, 90_000.0, seed=1)
    car.start()
    with pytest.raises(EngineNotReady):
        car.swap("coil", 1, 2)
    car.stop()
    with pytest.raises(UnknownFault):
        VirtualCar.build(common_layout("I4"), VIN, 1.0, [("worn-out", 1, 1.0)])
    with pytest.raises(UnknownFault):
        VirtualCar.build(common_layout("I4"), VIN, 1.0, [("coil-dead", None, 1.0)])
    with pytest.raises(RequestError):
        VirtualCar.build(common_layout("I4"), VIN, 1.0, [("coil-dead", 5, 1.0)])
    with pytest.raises(RequestError):
        car.inspect("horoscope", 1)
    with pytest.raises(RequestError):
        car.inspect("leak-down")


def test_every_instrument_answers_on_every_layout() -> None:
    """No test of the workshop falls over, running or standing, from two cylinders to twelve."""
    for shape in ("I2", "F4", "V12"):
        car = VirtualCar.build(common_layout(shape), VIN, 90_000.0, seed=1)
        for name, test in TESTS.items():
            if test.running:
                car.start()
            else:
                car.stop()
            finding = car.inspect(name, car.layout.count if test.needs_cylinder else None)
            assert finding.words
        car.key_off()


# ---- drive and log ---------------------------------------------------------------------------------------------------


def test_same_seed_same_day_same_numbers(tmp_path: Path) -> None:
    """Deterministic to the byte."""

    def day(name: str) -> bytes:
        car = burnt_valve(7)
        car.drive("town", step_s=2.0)
        car.swap("plug", 3, 4)
        return car.drive("mixed", step_s=2.0).write_csv(tmp_path / name).read_bytes()

    assert day("a.csv") == day("b.csv")


def test_the_log_is_a_log_with_units(tmp_path: Path) -> None:
    """Headings name their unit; counters only rise; one row a step."""
    log = burnt_valve(2).drive("cold-start")
    lines = log.write_csv(tmp_path / "drive.csv").read_text(encoding="utf-8").splitlines()
    heads = lines[0].split(",")
    assert heads[:4] == ["Time (s)", "Engine speed (rpm)", "Vehicle speed (km/h)", "Calculated load (%)"]
    assert len(lines) == len(log.time_s) + 1
    column = heads.index("Misfires cylinder 3")
    counter = [int(line.split(",")[column]) for line in lines[1:]]
    assert counter == sorted(counter)
    assert counter[-1] == log.count(3)


def test_a_certification_style_cycle_can_be_driven() -> None:
    """Any speed trace in arrays: distance comes out as its integral, engine speed stays sane."""
    time_s = np.arange(0.0, 600.0)
    speed_kmh = 45 + 45 * np.sin(time_s / 40 - np.pi / 2)
    log = burnt_valve(0).drive(DriveProfile.from_arrays(time_s, speed_kmh))
    assert log.km == pytest.approx(float(np.trapezoid(speed_kmh, time_s)) / 3600, rel=0.01)
    assert log.rpm.min() > 600
    assert log.rpm.max() < 5600
    assert log.events(1) == pytest.approx(float((log.rpm / 120)[log.load_percent > 5].sum()), rel=0.02)


def test_bad_profiles_are_refused() -> None:
    """Time must rise, speed must not be negative, names must exist."""
    with pytest.raises(RequestError):
        DriveProfile.from_arrays([0.0, 0.0], [0.0, 1.0])
    with pytest.raises(RequestError):
        DriveProfile.from_arrays([0.0, 1.0], [0.0, -1.0])
    with pytest.raises(RequestError):
        named_drive("moon")


def test_an_hour_of_six_cylinders_is_quick() -> None:
    """At least 300 times real time on one core, control unit running; processor time, so that a busy machine may."""
    car = VirtualCar.build(common_layout("V6"), VIN, 90_000.0, [("coil-weak", 5, 1.0)], seed=1)
    began = time.process_time()
    log = car.drive("mixed", minutes=20)
    took_s = time.process_time() - began
    assert took_s < log.time_s[-1] / 300
