"""Crank speed from firing to firing, and the monitor that sees nothing else: signal, blind spots, false counts."""

from __future__ import annotations

import numpy as np
import pytest

from firstcause.vehicle.layout import EngineLayout, common_layout
from firstcause.virtualcar.car import VirtualCar
from firstcause.virtualcar.crankshaft import Crankshaft, FiringPulse, Segments, slowing, torque_arm_mm
from firstcause.virtualcar.drive import described_drive
from firstcause.virtualcar.gas import CylinderGeometry
from firstcause.virtualcar.misfire_monitor import Detector

VIN = "5ZCV2A3B5AR000123"
LITRES = {"I2": 1.0, "I3": 1.5, "I4": 2.0, "I6": 3.0, "V6": 3.0, "V8": 4.0}


def layout_of(shape: str) -> EngineLayout:
    return common_layout(shape, displacement_l=LITRES[shape])


@pytest.mark.parametrize(
    ("shape", "rpm", "manifold_kpa", "percent"),
    [("I4", 700, 28, 14.2), ("I4", 2000, 45, 3.59), ("I4", 3000, 90, 3.19), ("I4", 6000, 95, 0.86),
     ("I6", 700, 28, 11.0), ("I6", 3000, 90, 2.40), ("V8", 700, 28, 8.9), ("V8", 6000, 95, 0.51)],
)  # fmt: skip
def test_how_far_one_misfire_slows_the_crankshaft(shape: str, rpm: float, manifold_kpa: float, percent: float) -> None:
    """dW/(I w^2) against the table of reference 4.6, computed there crank angle by crank angle.

    Ours takes work linear in manifold pressure and no half of a difference of squares: within a tenth.
    """
    assert 100 * slowing(layout_of(shape), rpm, manifold_kpa) == pytest.approx(percent, rel=0.10)


@pytest.mark.parametrize(
    ("shape", "own"), [("I3", 9.8 / 13.7), ("I4", 8.9 / 14.2), ("I6", 4.8 / 11.0), ("V8", 2.7 / 8.9)]
)
def test_how_much_of_it_falls_into_its_own_segment(shape: str, own: float) -> None:
    """Segment 0 over the whole loss, same table: segments from top centre; burn 50-80 degrees, so within 0.07."""
    before, growth, after = FiringPulse(layout_of(shape)).increments(0.0)
    assert before == pytest.approx(0.0, abs=0.01)
    assert growth == pytest.approx(own, abs=0.07)
    assert before + growth + after == pytest.approx(1.0)


def test_torque_arm_is_the_slope_of_piston_travel() -> None:
    """Kinematic identity: dx/dtheta by differences of the travel, Heywood ch. 2 (equation from memory)."""
    geometry = CylinderGeometry(86, 86, 143, 10)
    for deg in (10.0, 45.0, 75.0, 120.0, 200.0, 300.0):
        step = 1e-4
        slope = (geometry.piston_travel_mm(deg + step) - geometry.piston_travel_mm(deg - step)) / np.radians(2 * step)
        assert float(torque_arm_mm(geometry, np.array(deg))) == pytest.approx(slope, abs=1e-5)


def run(
    shape: str, lost_of: dict[int, float], rpm: float, kpa: float, *, firings: int = 6000, **how: float
) -> np.ndarray:
    """Counts per cylinder in so many firings in which these cylinders lack that share of their work."""
    layout = layout_of(shape)
    crank, detector = Crankshaft(layout, np.random.default_rng(5)), Detector(layout)
    counts = np.zeros(layout.count, np.int64)
    for _ in range(20):
        at = crank.firings(firings // 20)
        lost = np.array([lost_of.get(int(index) + 1, 0.0) for index in at])
        segments = crank.turn(
            at,
            lost,
            rpm,
            kpa,
            speed_kmh=how.get("speed_kmh", 0.0),
            roughness=how.get("roughness", 0.0),
            wheel_error=how.get("wheel_error", 0.0),
        )
        counts += detector.counted(segments, rpm, kpa)
    return counts / (firings / layout.count)


@pytest.mark.parametrize("shape", ["I3", "I4", "I6", "V8"])
def test_one_dead_cylinder_is_found_and_named_at_idle(shape: str) -> None:
    """Signal 9-14 % against noise of 0.05 %: reference 4.6. The last segment of the run has not come yet."""
    shares = run(shape, {2: 1.0}, 700, 28)
    assert shares[1] > 0.99
    assert np.delete(shares, 1).max() < 0.005


def test_a_sound_engine_is_not_accused() -> None:
    """No count in 60 000 firings at idle, cruise and high speed."""
    for rpm, kpa in ((700, 28), (2500, 45), (6000, 95)):
        assert run("V8", {}, rpm, kpa, firings=60_000).sum() * 60_000 / 8 <= 2


def test_blind_at_high_speed_with_many_cylinders() -> None:
    """0.5 % against noise of 0.13 % on an eight at 6000 rpm: poor, where a four at idle is sure (reference 4.6)."""
    assert run("V8", {2: 1.0}, 6000, 95)[1] < 0.5
    assert run("I4", {2: 1.0}, 6000, 95)[1] > run("V8", {2: 1.0}, 6000, 95)[1]


def test_blind_when_nothing_burns() -> None:
    """Every firing lost: all segments alike, nothing to compare."""
    assert run("I4", {1: 1.0, 2: 1.0, 3: 1.0, 4: 1.0}, 700, 28).max() < 0.02


def test_a_pair_opposite_in_the_firing_order_is_still_seen() -> None:
    """Every second firing lost, as with one coil of a waste-spark four: smaller steps, still over the threshold."""
    shares = run("I4", {1: 1.0, 4: 1.0}, 700, 28)
    assert min(shares[0], shares[3]) > 0.9
    assert max(shares[1], shares[2]) < 0.02


def test_a_weak_cylinder_is_counted_although_it_burns() -> None:
    """The monitor sees lost work, not failed flames: half the work gone counts, a tenth does not."""
    assert run("I4", {3: 0.5}, 720, 30)[2] > 0.9
    assert run("I4", {3: 0.1}, 720, 30)[2] == 0.0


def test_a_wheel_that_was_not_learned_counts_at_speed_and_not_at_idle() -> None:
    """A fixed error of one segment (reference: 0.03-0.06 % of tooth error, here 1.2 %) drowns in the idle signal."""
    idle, fast = (run("I4", {}, rpm, kpa, wheel_error=0.012).sum() for rpm, kpa in ((720, 30), (3000, 45)))
    assert idle == 0.0
    assert fast > 0.5


def test_a_rough_road_makes_false_counts_in_a_gear_and_not_standing() -> None:
    """Driveline recoil, false detection: common practice, no source."""
    moving = run("I4", {}, 2500, 40, speed_kmh=60.0, roughness=4.0).sum()
    standing = run("I4", {}, 2500, 40, speed_kmh=0.0, roughness=4.0).sum()
    assert moving > 0.001
    assert standing == 0.0


def test_however_the_firings_are_cut_the_same_segments_come_out() -> None:
    """State goes on from step to step: no jump at a cut. Noise off by one stream of chance per segment."""
    layout = layout_of("V6")
    whole, cut = (Crankshaft(layout, np.random.default_rng(3)) for _ in range(2))
    lost = np.zeros(60)
    lost[[10, 11, 37]] = 1.0
    at = whole.firings(60)
    one = whole.turn(at, lost, 720, 30, speed_kmh=0.0)
    parts: list[Segments] = []
    for first, last in ((0, 7), (7, 8), (8, 41), (41, 60)):
        parts.append(cut.turn(cut.firings(last - first), lost[first:last], 720, 30, speed_kmh=0.0))
    np.testing.assert_array_equal(np.concatenate([part.cylinder for part in parts]), one.cylinder)
    np.testing.assert_allclose(np.concatenate([part.stretch for part in parts]), one.stretch, rtol=1e-9)


def test_a_cracked_drive_plate_counts_without_a_miss() -> None:
    """Counts with no failed firing at all: the fault is felt by the sensor only."""
    car = VirtualCar.build(common_layout("I4"), VIN, 90_000.0, [("drive-plate-cracked", None, 1.0)], seed=3)
    log = car.drive(described_drive("3 min at 90 km/h"), step_s=1.0)
    assert log.true_misfires.sum() == 0
    assert log.misfires.sum() > 100
