"""Starter current while cranking, against the motor model computed in the reference."""

from __future__ import annotations

import numpy as np
import pytest

from firstcause.vehicle.layout import common_layout
from firstcause.virtualcar.car import SURELY_TURNS_C, SURELY_TURNS_V, DoesNotStart, VirtualCar
from firstcause.virtualcar.cranking import CrankingRecord, crank
from firstcause.virtualcar.gas import CylinderGeometry
from firstcause.virtualcar.shopday import ShopDay

VIN = "5ZCV2A3B5AR000123"
HALF_LAST_DIGIT_AND_MODEL = 0.04  # two digits are printed; friction and speed of the example are rounded there


def record(shape: str, litres: float, weak: int, leak_mm2: float, battery_v: float = 12.6) -> CrankingRecord:
    layout = common_layout(shape, displacement_l=litres)
    geometry = dict.fromkeys(layout.cylinders, CylinderGeometry.of(layout))
    return crank(layout, geometry, {n: leak_mm2 if n == weak else 0.2 for n in layout.cylinders}, battery_v)


@pytest.mark.parametrize(
    ("shape", "litres", "weak", "leak_mm2", "order", "of_highest"),
    [
        ("I4", 2.0, 3, 0.2, (1, 3, 4, 2), (1, 1, 1, 1)),
        ("I4", 2.0, 3, 1.4, (1, 3, 4, 2), (0.90, 0.80, 1.00, 0.91)),
        ("I4", 2.0, 3, 4.0, (1, 3, 4, 2), (0.86, 0.61, 1.00, 0.87)),
        ("I6", 3.0, 4, 1.4, (2, 4, 1, 5, 3, 6), (0.77, 0.66, 1.00, 0.81, 0.78, 0.77)),
        ("I6", 3.0, 4, 4.0, (2, 4, 1, 5, 3, 6), (0.68, 0.43, 1.00, 0.73, 0.68, 0.68)),
    ],
)
def test_humps_in_firing_order(
    shape: str, litres: float, weak: int, leak_mm2: float, order: tuple[int, ...], of_highest: tuple[float, ...]
) -> None:
    """Amplitude over the highest, table of reference 4.5 (computed there): the hump after a weak one is exaggerated."""
    humps = record(shape, litres, weak, leak_mm2).hump_a
    highest = max(humps.values())
    np.testing.assert_allclose([humps[n] / highest for n in order], of_highest, atol=HALF_LAST_DIGIT_AND_MODEL)


def test_mean_current_and_speed_are_those_of_a_starter() -> None:
    """260-290 A and about 325 rpm for that example (reference 4.5, computed)."""
    sound = record("I4", 2.0, 1, 0.2)
    assert 255 < sound.current_a.mean() < 295
    assert sound.mean_rpm == pytest.approx(325, abs=20)


def test_a_weak_battery_cranks_slower() -> None:
    """Common practice, no source."""
    assert record("I4", 2.0, 1, 0.2, 9.0).mean_rpm < 0.8 * record("I4", 2.0, 1, 0.2).mean_rpm


def test_one_hump_a_firing() -> None:
    """As many humps in two revolutions as cylinders; time goes forward."""
    sound = record("I6", 3.0, 1, 0.2)
    cycle = sound.current_a[:360]
    rises = (cycle > cycle.mean()) & (np.roll(cycle, 1) <= cycle.mean())
    assert int(rises.sum()) == 6
    assert (np.diff(sound.time_s) > 0).all()


# ---- whether it starts at all ----------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", ["I3", "I4", "V6", "V8", "V12"])
def test_a_good_battery_starts_a_cold_engine_and_a_flat_one_starts_none(shape: str) -> None:
    """12.6 V at rest is full, 11.9 V empty, under 8 V past saving (battery makers' tables, from memory)."""
    layout = common_layout(shape, displacement_l={"I3": 1.2, "I4": 2.0}.get(shape, 3.0))
    geometry, leaks = dict.fromkeys(layout.cylinders, CylinderGeometry.of(layout)), dict.fromkeys(layout.cylinders, 0.2)

    assert crank(layout, geometry, leaks, 12.6, -20.0).turns_over
    assert crank(layout, geometry, leaks, SURELY_TURNS_V, SURELY_TURNS_C).turns_over
    assert not crank(layout, geometry, leaks, 5.0, 20.0).turns_over


def test_cold_oil_asks_more_of_the_starter() -> None:
    """Common practice, no source: the battery that just starts the engine in summer leaves it standing in frost."""
    layout = common_layout("V6", displacement_l=3.0)
    geometry, leaks = dict.fromkeys(layout.cylinders, CylinderGeometry.of(layout)), dict.fromkeys(layout.cylinders, 0.2)
    warm, frost = (crank(layout, geometry, leaks, 8.7, oil_c) for oil_c in (20.0, -20.0))

    assert warm.turns_over
    assert not frost.turns_over


def test_a_drained_car_does_not_start_until_it_gets_a_booster() -> None:
    """The owner is stranded; the shop starts it with its booster and says so."""
    flat = [("supply-voltage-low", None, 1.0)]
    car, left = (VirtualCar.build(common_layout("I4"), VIN, 1e5, flat, seed=1) for _ in range(2))

    with pytest.raises(DoesNotStart, match="Connect a booster"):
        car.start()
    assert car.engine_state == "key-on"
    assert left.own(100.0).stranded
    assert left.odometer_km == pytest.approx(1e5)
    answer = ShopDay(car).do("start")
    assert answer.outcome == "boosted"
    assert car.engine_state == "running"
