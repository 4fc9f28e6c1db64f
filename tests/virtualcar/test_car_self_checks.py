"""Self-checks as state machines: when they may run, when they pause, what they decide; counters and readiness."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.drive import DriveProfile, named_drive
from firstcause.virtualcar.in_use import CycleTally, SelfChecks
from firstcause.virtualcar.monitors import (
    EVAP_AFTER_S,
    CatalystCheck,
    EvapCheck,
    HeaterCheck,
    Moment,
    SelfCheck,
    SensorCheck,
    Verdict,
    finished,
    self_checks,
    vacuum_after_kpa,
)

VIN = "5ZCV2A3B5AR000123"
CRUISE = Moment(
    dt_s=10.0, run_s=700.0, rpm=2000.0, load=0.3, speed_kmh=80.0, coolant_c=90.0, ambient_c=20.0, altitude_m=0.0,
    closed_loop=True, catalyst_c=(550.0, 550.0), catalyst_shares=(1.0, 1.0), sensor_slow_s=0.0, evap_hole_mm=0.0,
    purge_open_share=0.0, tank_share=0.5, supply_v=14.0, blocked=frozenset(),
)  # fmt: skip
COLD = replace(CRUISE, run_s=1.0, coolant_c=20.0, speed_kmh=0.0)


def watch(check: SelfCheck, *moments: Moment, steps: int = 60) -> Verdict | None:
    """The verdict after so many steps in each of these moments, one after the other."""
    rng = np.random.default_rng(1)
    for moment in moments:
        for _ in range(steps):
            verdict = check.step(moment, rng)
            if verdict is not None:
                return verdict
    return None


@pytest.mark.parametrize(
    ("change", "state"),
    [
        ({}, "passed"), ({"closed_loop": False}, "waiting"), ({"coolant_c": 60.0}, "waiting"),
        ({"catalyst_c": (300.0, 300.0)}, "waiting"), ({"speed_kmh": 20.0}, "waiting"), ({"load": 0.9}, "waiting"),
        ({"blocked": frozenset({"catalyst"})}, "waiting"), ({"catalyst_shares": (0.1, 1.0)}, "failed"),
    ],
)  # fmt: skip
def test_the_catalyst_check_runs_only_where_it_can_see(change: dict[str, object], state: str) -> None:
    """Enabling conditions are the maker's: judgement; the check must name its code when storage is gone."""
    check = CatalystCheck("catalyst-b1", "catalyst", 0)
    verdict = watch(check, replace(CRUISE, **change))  # type: ignore[arg-type]
    assert check.state == state
    assert (verdict is not None) is (state != "waiting")
    assert (verdict.code if verdict else None) == ("P0420" if state == "failed" else None)


def test_a_check_pauses_and_goes_on() -> None:
    """What was watched before a red light still counts after it."""
    check, rng = CatalystCheck("catalyst-b1", "catalyst", 0), np.random.default_rng(1)
    for _ in range(10):
        assert check.step(CRUISE, rng) is None
    assert check.step(replace(CRUISE, speed_kmh=0.0), rng) is None
    assert check.state == "waiting"
    assert watch(check, CRUISE, steps=8) == Verdict("catalyst", None)


def test_a_check_decides_once_a_cycle() -> None:
    check, rng = SensorCheck("oxygen-sensor-b2", "oxygen-sensor", 1), np.random.default_rng(1)
    assert watch(check, replace(CRUISE, sensor_slow_s=3.0)) == Verdict("oxygen-sensor", "P0153")
    assert all(check.step(CRUISE, rng) is None for _ in range(50))
    check.restart()
    assert watch(check, CRUISE) == Verdict("oxygen-sensor", None)


def test_the_heater_check_waits_for_voltage() -> None:
    check = HeaterCheck("oxygen-sensor-heater-b1", "oxygen-sensor-heater", 0)
    assert watch(check, replace(CRUISE, supply_v=9.0)) is None
    assert watch(check, CRUISE) == Verdict("oxygen-sensor-heater", None)


@pytest.mark.parametrize(
    ("start", "later", "decides"),
    [
        ({}, {}, True),
        ({"coolant_c": 4.0, "ambient_c": 4.0}, {}, False), ({"coolant_c": 36.0, "ambient_c": 30.0}, {}, False),
        ({"coolant_c": 30.0, "ambient_c": 20.0}, {}, False), ({}, {"run_s": EVAP_AFTER_S - 1}, False),
        ({}, {"altitude_m": 2500.0}, False), ({}, {"tank_share": 0.1}, False), ({}, {"tank_share": 0.9}, False),
        ({}, {"speed_kmh": 0.0}, False),
    ],
)  # fmt: skip
def test_the_vapour_check_wants_a_cold_start(start: dict[str, float], later: dict[str, float], decides: bool) -> None:
    """40-95 F, coolant within 12 F of ambient, 600 s, below 8000 ft: (d)(4.3) [M]; tank and speed: judgement."""
    check = EvapCheck()
    verdict = watch(check, replace(COLD, **start), replace(CRUISE, **later))
    assert (verdict == Verdict("evap", None)) is decides


@pytest.mark.parametrize(
    ("hole_mm", "code"), [(0.0, None), (0.3, None), (0.7, "P0456"), (1.3, "P0442"), (4.0, "P0455")]
)
def test_the_vapour_check_tells_holes_apart(hole_mm: float, code: str | None) -> None:
    """0.020 in (0.5 mm) and 0.040 in (1.0 mm) are the sizes to find: (e)(4.2) [M]; code numbers SAE J2012 [M]."""
    assert watch(EvapCheck(), COLD, replace(CRUISE, evap_hole_mm=hole_mm)) == Verdict("evap", code)


def test_the_vapour_check_sees_a_purge_valve_that_does_not_shut() -> None:
    assert watch(EvapCheck(), COLD, replace(CRUISE, purge_open_share=0.8)) == Verdict("evap", "P0441")


def test_vacuum_comes_back_through_a_hole_as_an_orifice_lets_it() -> None:
    """Small pressure drops: flow as area x sqrt(2 rho dp), incompressible orifice (any fluid mechanics text).

    30 litres, 2 kPa, hole of 1 mm with 0.7: dV/dt = 0.7 A sqrt(2 dp / rho); 1 kPa comes back after V dp/p over that.
    """
    area_m2, density = 0.7 * np.pi / 4 * 1e-6, 1.2
    dp_kpa, time_s, step_s = 2.0, 0.0, 0.01
    while dp_kpa > 1.0:
        volume_flow = area_m2 * (2 * dp_kpa * 1000 / density) ** 0.5
        dp_kpa -= volume_flow * step_s / 0.030 * 101.325
        time_s += step_s
    assert vacuum_after_kpa(2.0, 1.0, time_s) == pytest.approx(1.0, abs=0.03)


def test_a_family_is_finished_when_both_banks_are() -> None:
    checks = self_checks(2)
    first = [check for check in checks if check.name == "catalyst-b1"]
    watch(first[0], CRUISE)
    assert "catalyst-b1" in finished(checks)
    assert "catalyst" not in finished(checks)
    watch(next(check for check in checks if check.name == "catalyst-b2"), CRUISE)
    assert "catalyst" in finished(checks)


# ---- the whole car ---------------------------------------------------------------------------------------------------


def drive_all_checks(car: VirtualCar) -> None:
    """A cold start and a mixed drive of 45 minutes: every self-check can run."""
    car.key_off()
    car.soak(10.0)
    car.drive(named_drive("mixed", 1.0, 45.0), boosted=True)


@pytest.mark.parametrize(
    ("fault", "code"),
    [("catalyst-worn", "P0420"), ("oxygen-sensor-slow", "P0133"), ("evap-leak", "P0442"),
     ("valve-timing-late", "P0016"), ("supply-voltage-low", "P0562"), ("thermostat-open", "P0128")],
)  # fmt: skip
def test_a_fault_of_its_own_kind_is_pending_then_confirmed(fault: str, code: str) -> None:
    """Two trips: (d)(2.2.1), (d)(2.2.2) [M]."""
    car = VirtualCar.build(common_layout("I4"), VIN, 90_000.0, [(fault, None, 1.0)], seed=2)
    drive_all_checks(car)
    assert code in car.unit.codes("pending")
    assert code not in car.unit.codes("confirmed")
    drive_all_checks(car)
    assert code in car.unit.codes("confirmed")
    assert car.lamp == "on"


@pytest.mark.parametrize(
    ("fault", "check"), [("catalyst-worn", "catalyst"), ("oxygen-sensor-slow", "oxygen-sensor"), ("evap-leak", "evap")]
)
def test_a_failed_check_is_complete_only_when_the_lamp_stands_for_it(fault: str, check: str) -> None:
    """
    After an erase: failed once is pending and incomplete; failed again in the next drive, it is lit and complete.
    13 CCR 1968.2(g)(4.1), complete when failed "after the MIL protocol"; from memory.
    """
    car = VirtualCar.build(common_layout("I4"), VIN, 90_000.0, [(fault, None, 1.0)], seed=2)
    car.key_on()
    car.unit.erase()
    drive_all_checks(car)
    assert car.unit.codes("pending")
    assert check in car.unit.checks.readiness(False, 0).incomplete
    drive_all_checks(car)
    assert car.lamp == "on"
    assert check not in car.unit.checks.readiness(True, 1).incomplete


def test_misfire_keeps_the_catalyst_check_from_running_and_from_counting() -> None:
    """Numerator and denominator pause while a fault disables the monitor: (d)(5) [M]."""
    car = VirtualCar.build(common_layout("I4"), VIN, 90_000.0, [("coil-dead", 2, 1.0)], seed=2)
    drive_all_checks(car)
    before = (car.unit.checks.completions["catalyst-b1"], car.unit.checks.conditions["catalyst-b1"])
    general = car.unit.checks.general
    drive_all_checks(car)
    assert (car.unit.checks.completions["catalyst-b1"], car.unit.checks.conditions["catalyst-b1"]) == before
    assert car.unit.checks.general == general + 1


def test_after_an_erase_readiness_comes_back_check_by_check() -> None:
    """(g)(4.1) [M]: nothing is ready after a clear; a mixed drive from cold makes all ready."""
    car = VirtualCar.build(common_layout("I4"), VIN, 90_000.0, seed=2)
    car.key_on()
    car.unit.erase()
    assert set(car.unit.checks.readiness(False, 0).incomplete) >= {"catalyst", "evap", "oxygen-sensor", "misfire"}
    car.drive(named_drive("town", 1.0, 4.0))
    assert "evap" in car.unit.checks.readiness(False, 0).incomplete
    drive_all_checks(car)
    assert car.unit.checks.readiness(False, 0).incomplete == ()


def test_a_start_counts_after_two_seconds() -> None:
    """(d)(5.5) [M]: the ignition counter rises when the engine has held its speed for 2 s."""
    checks, tally = SelfChecks(banks=1), CycleTally()
    checks.start_cycle()
    tally.add(1.0, 0.0, False, 20.0, 20.0)
    checks.update(tally, frozenset())
    assert checks.ignitions == 0
    tally.add(1.0, 0.0, False, 20.0, 20.0)
    for _ in range(3):
        checks.update(tally, frozenset())
    assert checks.ignitions == 1


def test_counters_halve_together_at_their_end() -> None:
    """0 to 65535, numerator and denominator halve together: (d)(5) [M]."""
    checks = SelfChecks(banks=1)
    checks.completions["evap"], checks.conditions["evap"] = 40_000, 65_535
    checks.start_cycle()
    tally = CycleTally()
    tally.add(60, 0.0, False, 20.0, 20.0)
    tally.add(540, 60.0, True, 90.0, 20.0)
    checks.update(tally, frozenset())
    assert (checks.completions["evap"], checks.conditions["evap"]) == (20_000, 32_768)


def test_four_hours_of_running_begin_a_further_cycle() -> None:
    """Driving cycle of the later texts, 1968.2(c) [M]: what was pending in the first four hours is confirmed then."""
    car = VirtualCar.build(common_layout("I4"), VIN, 90_000.0, [("injector-wire-broken", 2, 1.0)], seed=2)
    hours = np.arange(0.0, 4.2 * 3600, 20.0)
    car.start()
    cycle = car.unit.memory.cycle
    car.drive(DriveProfile.from_arrays(hours, np.where(hours > 60, 60.0, 0.0)))
    assert car.unit.memory.cycle == cycle + 1
    assert "P0202" in car.unit.codes("confirmed")
