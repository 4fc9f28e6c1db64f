"""The crankshaft's speed from firing to firing: work lost, recoil of mounts and driveline, and the time of segments."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from math import cos, exp, pi, sin, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.signal import lfilter

from firstcause.vehicle.layout import EngineLayout
from firstcause.virtualcar.gas import CylinderGeometry

Floats = NDArray[np.float64]
Counts = NDArray[np.int64]

# Wiebe with a 5, m 2 and a burn of 50-80 degrees: Heywood ch. 9 (from memory); start and exhaust opening: judgement.
SPARK_DEG, BURN_DEG, EXHAUST_OPENS_DEG = -10.0, 72.0, 130.0
# Work of one firing (fired less motored) for half a litre: 121 J at 28 kPa, 475 J at 90 kPa (reference, computed).
WORK_J_PER_KPA, WORK_J_OFFSET, LEAST_WORK_J = 5.71, -39.0, 20.0
GOVERNOR_S = 0.6  # the idle control brings the speed back with this time constant: judgement
MOUNT_HZ, MOUNT_DAMPING, MOUNT_SHARE = 9.0, 0.12, 0.08  # the engine rolls on its mounts at idle: judgement
LOWEST_GEAR_RPM_PER_KMH, DRIVELINE_HZ, DRIVELINE_HIGHEST_HZ, DRIVELINE_DAMPING = 125.0, 2.5, 9.0, 0.12  # judgement
LEARNED_ERROR = 0.0002  # what is left of a tooth error after learning (reference: 0.03-0.06 % before)
ROAD_KICK = 0.0015  # of one segment, rough road in gear: judgement


@dataclass(frozen=True)
class Segments:
    """Crank segments in the order they passed. Shapes (m,).

    `cylinder`: number of the cylinder whose firing falls into the segment; `stretch`: by what share it took longer
    than the mean.
    """

    cylinder: Counts
    stretch: Floats


def firing_work_j(layout: EngineLayout, manifold_kpa: float) -> float:
    """Work that a firing gives and a misfire lacks, one cylinder, in joules."""
    half_litres = layout.displacement_l / layout.count / 0.5
    return max(LEAST_WORK_J, WORK_J_PER_KPA * manifold_kpa + WORK_J_OFFSET) * half_litres


def inertia_kgm2(layout: EngineLayout) -> float:
    """Crankshaft, flywheel and what turns with them: 0.15 for a four, 0.25 for an eight (reference 4.6)."""
    return 0.05 + 0.025 * layout.count


def slowing(layout: EngineLayout, rpm: float, manifold_kpa: float) -> float:
    """Share by which one misfire makes the following segments longer: dW / (I w^2). `rpm` above 0.

    Source: energy balance of a free crankshaft, 1/2 I (w^2 - w'^2) = dW.
    """
    return firing_work_j(layout, manifold_kpa) / (inertia_kgm2(layout) * (rpm * pi / 30) ** 2)


def noise_share(rpm: float) -> float:
    """Scatter of one segment's time: 0.05 % at idle to 0.13 % at 6000 rpm (reference: 0.05-0.3 %, judgement)."""
    return 0.0004 + 0.00015 * rpm / 1000


class FiringPulse:
    """How a misfire's loss of work spreads over crank angle, and so over the segments of a layout.

    The torque that is missing is that of the burnt charge alone: heat released after Wiebe, expanding with gamma 1.3
    in the slider-crank of the layout, until the exhaust valve opens.
    Source: Heywood, Internal Combustion Engine Fundamentals, ch. 2 and 9 (equations from memory).
    """

    def __init__(self, layout: EngineLayout):
        geometry = CylinderGeometry.of(layout)
        self.step_deg = 1.0
        angles = np.arange(SPARK_DEG, EXHAUST_OPENS_DEG, self.step_deg)
        extra, done = 0.0, [0.0]
        for at, angle in enumerate(angles):
            volume, later = geometry.volume_cm3(float(angle)), geometry.volume_cm3(float(angle) + self.step_deg)
            burnt = _burnt_share(angle + self.step_deg) - _burnt_share(float(angle))
            extra += 0.3 / volume * burnt - 1.3 * extra * (later - volume) / volume
            done.append(done[at] + extra * (later - volume))
        self.lost = np.array(done[1:]) / done[-1]
        self.angles = angles
        self.segment_deg = 720.0 / layout.count

    def mean_loss(self, from_deg: float) -> float:
        """Mean share of the loss that has happened by then, over one segment beginning at an angle after top centre."""
        grid = np.arange(from_deg, from_deg + self.segment_deg, self.step_deg)
        return float(np.interp(grid, self.angles, self.lost, left=0.0, right=1.0).mean())

    def increments(self, start_deg: float) -> tuple[float, float, float]:
        """Growth of the slowing from segment to segment: into the one before, its own, and the one after."""
        before, own = self.mean_loss(start_deg - self.segment_deg), self.mean_loss(start_deg)
        return before, own - before, 1.0 - own

    def best_start_deg(self) -> float:
        """Where a maker lets the segments begin so that a misfire shows most in its own."""
        return max((float(deg) for deg in range(0, 91, 2)), key=lambda deg: self.increments(deg)[1])


@cache
def pulse_of(layout: EngineLayout) -> tuple[float, float, float]:
    """Increments of a layout with its segments where they show most: before, own, after."""
    pulse = FiringPulse(layout)
    return pulse.increments(pulse.best_start_deg())


def _burnt_share(angle_deg: float) -> float:
    return 1 - exp(-5 * max(0.0, (angle_deg - SPARK_DEG) / BURN_DEG) ** 3)


class Crankshaft:
    """Turns work lost, firing by firing, into segment times. State goes on from step to step."""

    def __init__(self, layout: EngineLayout, rng: np.random.Generator):
        self.layout, self.rng = layout, rng
        self.order = np.array(layout.firing_order, np.int64)
        self.before, self.own, self.after = pulse_of(layout)
        self.next_firing = 0
        self._tail = np.zeros(2)
        self._slow, self._swing, self._was_in_gear, self._last = np.zeros(2), np.zeros(2), False, 0.0
        self._wheel = rng.standard_normal(max(1, layout.count // 2)) * LEARNED_ERROR

    def firings(self, count: int) -> Counts:
        """Index (cylinder number less one) of each of the next firings; they count as done."""
        at = (self.next_firing + np.arange(count)) % len(self.order)
        self.next_firing = (self.next_firing + count) % len(self.order)
        return np.asarray(self.order[at] - 1)

    def settle(self) -> None:
        """Time without firings: the swings die away."""
        self._tail, self._slow, self._swing, self._last = np.zeros(2), np.zeros(2), np.zeros(2), 0.0

    def turn(
        self,
        firings: Counts,
        lost: Floats,
        rpm: float,
        manifold_kpa: float,
        *,
        speed_kmh: float,
        shaken: float = 0.0,
        wheel_error: float = 0.0,
        roughness: float = 0.0,
    ) -> Segments:
        """Segment times of these firings; `lost`: share of a sound firing's work that each lacks (1: misfire).

        `shaken` and `wheel_error` are shares added by a cracked drive plate and by a wheel that was not learned.
        `roughness` 0 to 1 is the road. The segment of the last firing comes with the next call.
        """
        if len(firings) == 0 or rpm <= 0:
            return Segments(np.zeros(0, np.int64), np.zeros(0))
        signal = np.concatenate((self._tail, lost * slowing(self.layout, rpm, manifold_kpa)))
        self._tail = signal[-2:]
        growth = self.before * signal[2:] + self.own * signal[1:-1] + self.after * signal[:-2]
        kicked = speed_kmh >= 3
        if roughness > 0 and kicked:
            growth = growth + self.rng.standard_normal(len(growth)) * ROAD_KICK * roughness
        stretch = self._with_recoil(growth, rpm, speed_kmh)
        stretch = stretch + self.rng.standard_normal(len(stretch)) * sqrt(noise_share(rpm) ** 2 + shaken**2)
        # Segments report one firing late: what belongs to the firing before the first of these comes first.
        first = (self.next_firing - len(firings) - 1) % len(self.order)
        at = (first + np.arange(len(firings))) % len(self.order)
        error = self._wheel.copy()
        error[0] += wheel_error
        stretch = stretch + error[at % len(error)]
        return Segments(np.asarray(self.order[at]), stretch)

    def _with_recoil(self, growth: Floats, rpm: float, speed_kmh: float) -> Floats:
        """The speed comes back: by the idle control, with a roll on the mounts; in gear through a soft driveline."""
        segment_s = 120.0 / self.layout.count / rpm
        in_gear = speed_kmh >= 3
        begins, self._was_in_gear = in_gear != self._was_in_gear, in_gear
        if not in_gear:
            keep = exp(-segment_s / GOVERNOR_S)
            if begins:  # the clutch opened: what the speed lacks is brought back from where it is
                self._slow, self._swing = np.array([keep * self._last, 0.0]), np.zeros(2)
            slow, self._slow = lfilter([1.0, 0.0, 0.0], [1.0, -keep, 0.0], growth, zi=self._slow)
            turn, fade = _mode(MOUNT_HZ, MOUNT_DAMPING, segment_s)
            poles = [1.0, -2 * fade * cos(turn), fade**2]
            swing, self._swing = lfilter([0.0, fade * sin(turn), 0.0], poles, growth, zi=self._swing)
            self._last = float(slow[-1])
            return np.asarray(slow + MOUNT_SHARE * swing)
        gear_hz = DRIVELINE_HZ * sqrt(LOWEST_GEAR_RPM_PER_KMH * speed_kmh / rpm)
        turn, fade = _mode(min(DRIVELINE_HIGHEST_HZ, gear_hz), DRIVELINE_DAMPING, segment_s)
        lean = DRIVELINE_DAMPING / sqrt(1 - DRIVELINE_DAMPING**2)
        zeros = [1.0, -fade * (cos(turn) + lean * sin(turn)), 0.0]
        poles = [1.0, -2 * fade * cos(turn), fade**2]
        if begins:
            self._slow = np.array([(-poles[1] - poles[2]) * self._last, -poles[2] * self._last])
        slow, self._slow = lfilter(zeros, poles, growth, zi=self._slow)
        self._last = float(slow[-1])
        return np.asarray(slow)


def _mode(hz: float, damping: float, segment_s: float) -> tuple[float, float]:
    """Angle turned and share kept of a swing within one segment."""
    return 2 * pi * hz * sqrt(1 - damping**2) * segment_s, exp(-damping * 2 * pi * hz * segment_s)


def torque_arm_mm(geometry: CylinderGeometry, crank_deg: Floats) -> Floats:
    """dx/dtheta of the slider-crank, mm a radian: what gas force times gives torque. Shape follows `crank_deg`.

    Source: Heywood ch. 2 (from memory).
    """
    throw, angle = geometry.stroke_mm / 2, np.radians(crank_deg)
    swing = np.sqrt(geometry.rod_mm**2 - (throw * np.sin(angle)) ** 2)
    return np.asarray(throw * np.sin(angle) * (1 + throw * np.cos(angle) / swing))
