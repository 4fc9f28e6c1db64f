"""Cranking with the starter: current and speed over crank angle, cylinder by cylinder, without firing."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from math import pi

import numpy as np
from numpy.typing import NDArray

from firstcause.units import STANDARD_ATMOSPHERE_KPA
from firstcause.vehicle.layout import EngineLayout
from firstcause.virtualcar.crankshaft import inertia_kgm2, torque_arm_mm
from firstcause.virtualcar.gas import CylinderGeometry, compression_trace_kpa

Floats = NDArray[np.float64]

# DC motor V = E - I R; k w = V; torque k I: reference 4.5, example there (computed). T0 neglected.
RESISTANCE_OHM, MOTOR_V_S, GEAR, EFFICIENCY = 0.011, 0.020, 14.0, 0.7
FRICTION_NM_PER_LITRE, FRICTION_NM = 15.0, 15.0  # 45 N m for two litres, as in the example
STEP_DEG, CYCLES, SETTLING_CYCLES = 2.0, 4, 2
EXHAUST_OPENS_DEG = 130.0
# Below this a petrol engine does not catch (60 to 90 rpm: an engineering handbook, from memory); a speed that comes to
# rest before a top centre is a starter that sticks there.
LEAST_RPM_TO_CATCH, STUCK_RAD_S = 70.0, 2.0
WARM_OIL_C, COLD_OIL_C = 20.0, 60.0  # friction grows by e for so much below the first: judgement, twofold at -20
ASSUMED_RPM = 250.0  # for the pressure traces; the speed itself comes out of the motor


@dataclass(frozen=True)
class CrankingRecord:
    """One recording with a clamp on the battery lead. Arrays of shape (n,): one value per crank step.

    `hump_a`: height of the current's hump over the trough before it, by the cylinder that is being compressed.
    """

    time_s: Floats
    crank_deg: Floats
    current_a: Floats
    rpm: Floats
    hump_a: Mapping[int, float]

    @property
    def mean_rpm(self) -> float:
        return float(self.crank_deg[-1] - self.crank_deg[0]) / 6 / float(self.time_s[-1] - self.time_s[0])

    @property
    def turns_over(self) -> bool:
        """Whether the starter brings each piston over its top, fast enough for the engine to catch."""
        return self.mean_rpm >= LEAST_RPM_TO_CATCH and float(self.rpm.min()) > STUCK_RAD_S * 30 / pi


def crank(
    layout: EngineLayout,
    geometries: Mapping[int, CylinderGeometry],
    leaks_mm2: Mapping[int, float],
    battery_v: float,
    oil_c: float = WARM_OIL_C,
) -> CrankingRecord:
    """Crank the engine, fuel and spark off; per cylinder its geometry and what leaks in all (effective area).

    `battery_v` is the voltage at rest; oil below 20 degrees drags more. What leaks, also to a neighbour, goes to
    ambient.
    """
    traces = {n: _trace_kpa(geometries[n], leaks_mm2[n]) for n in layout.cylinders}  # each top centre at its own angle
    spacing = 720.0 / layout.count
    offsets = {number: at * spacing for at, number in enumerate(layout.firing_order)}  # angle of its top centre
    degrees = np.arange(0.0, 720.0, STEP_DEG)
    gas_nm = np.zeros(len(degrees))
    for number, trace in traces.items():
        geometry = geometries[number]
        local = (degrees - offsets[number] + 360.0) % 720.0 - 360.0  # -360..360 around its own top centre
        area_mm2 = pi / 4 * geometry.bore_mm**2
        over_kpa = np.interp(local, *trace) - STANDARD_ATMOSPHERE_KPA
        closed = (local > -180) & (local < EXHAUST_OPENS_DEG)
        gas_nm += np.where(closed, over_kpa * area_mm2 * torque_arm_mm(geometry, local) / 1e6, 0.0)
    thick = float(np.exp(max(0.0, WARM_OIL_C - oil_c) / COLD_OIL_C))
    friction_nm = thick * (FRICTION_NM + FRICTION_NM_PER_LITRE * layout.displacement_l)
    inertia = inertia_kgm2(layout) + 0.03
    speed_rad_s, times, currents, speeds = 15.0, [0.0], [0.0], [15.0]
    for at in range(CYCLES * len(degrees)):
        current_a = max(0.0, (battery_v - MOTOR_V_S * GEAR * speed_rad_s) / RESISTANCE_OHM)
        torque_nm = EFFICIENCY * GEAR * MOTOR_V_S * current_a + gas_nm[at % len(degrees)] - friction_nm
        turned = speed_rad_s**2 + 2 * torque_nm * np.radians(STEP_DEG) / inertia
        following = max(STUCK_RAD_S, float(turned) ** 0.5 if turned > 0 else 0.0)
        times.append(times[-1] + np.radians(STEP_DEG) / (0.5 * (speed_rad_s + following)))
        currents.append(current_a)
        speeds.append(following)
        speed_rad_s = following
    first = SETTLING_CYCLES * len(degrees) + 1
    current = np.array(currents[first:])
    angle = np.arange(len(current), dtype=np.float64) * STEP_DEG
    humps = _humps_a(current[: 2 * len(degrees)], angle[: 2 * len(degrees)], offsets, spacing)
    time_s = np.array(times[first:], np.float64) - times[first]
    return CrankingRecord(time_s, angle, current, np.array(speeds[first:]) * 30 / pi, humps)


def _trace_kpa(geometry: CylinderGeometry, leak_mm2: float) -> tuple[list[float], list[float]]:
    angles, pressures = compression_trace_kpa(geometry, leak_mm2, ASSUMED_RPM, until_deg=EXHAUST_OPENS_DEG)
    return [-180.0, *angles], [STANDARD_ATMOSPHERE_KPA, *pressures]


def _humps_a(current: Floats, angle: Floats, offsets: Mapping[int, float], spacing: float) -> dict[int, float]:
    humps = {}
    lowest = float(current.min())
    for number, top in offsets.items():
        middle = top if top >= spacing else top + 720.0
        own = (angle > middle - spacing * 0.75) & (angle <= middle + spacing * 0.25)
        humps[number] = float(current[own].max()) - lowest
    return humps
