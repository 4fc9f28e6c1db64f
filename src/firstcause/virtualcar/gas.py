"""Gas in a cylinder and through a leak: crank geometry, orifice flow, cranking compression, leak-down."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import cached_property
from math import cos, exp, pi, radians, sin, sqrt

import numpy as np

from firstcause.units import KPA_PER_PSI, STANDARD_ATMOSPHERE_KPA
from firstcause.vehicle.layout import EngineLayout

AIR_GAS_CONSTANT = 287.05  # J/(kg K)
AIR_GAMMA = 1.4
_CRANKING_WALL_K = 350.0  # warm, not hot: judgement
_CRANKING_INTAKE_K = 320.0  # air warmed by ports and walls by the time the valve closes: judgement
_CRANKING_FILLING = 0.95  # of ambient pressure when the intake valve seats, throttle open: judgement
_HEAT_LOSS_FACTOR = 3.5  # times Woschni at cranking speed: judgement, brings the polytropic index to 1.35


@dataclass(frozen=True)
class CylinderGeometry:
    """Slider-crank of one cylinder. Bore and stroke equal unless told.

    Source: Heywood, Internal Combustion Engine Fundamentals, ch. 2 (from memory).
    """

    bore_mm: float
    stroke_mm: float
    rod_mm: float
    compression_ratio: float
    intake_closes_deg_abdc: float = 65.0

    @classmethod
    def of(cls, layout: EngineLayout) -> CylinderGeometry:
        """The geometry of a layout: bore = stroke, rod 1.66 strokes (common practice, no source)."""
        cylinder_mm3 = layout.displacement_l * 1e6 / layout.count
        side_mm = (cylinder_mm3 * 4 / pi) ** (1 / 3)
        return cls(side_mm, side_mm, side_mm * 143 / 86, layout.compression_ratio)

    def piston_travel_mm(self, crank_deg: float) -> float:
        """Distance of the piston from its top, crank angle counted from top dead centre."""
        throw, angle = self.stroke_mm / 2, radians(crank_deg)
        return throw * (1 - cos(angle)) + self.rod_mm - sqrt(self.rod_mm**2 - (throw * sin(angle)) ** 2)

    @cached_property
    def displaced_cm3(self) -> float:
        return pi / 4 * self.bore_mm**2 * self.stroke_mm / 1000

    @cached_property
    def clearance_cm3(self) -> float:
        return self.displaced_cm3 / (self.compression_ratio - 1)

    def volume_cm3(self, crank_deg: float) -> float:
        """Volume above the piston."""
        return self.clearance_cm3 + pi / 4 * self.bore_mm**2 * self.piston_travel_mm(crank_deg) / 1000

    @cached_property
    def compression_pressure_ratio(self) -> Callable[[float], float]:
        """Pressure at so many degrees before top over pressure when the intake valve closed; polytropic, index 1.31."""
        closed_cm3 = self.volume_cm3(180 - self.intake_closes_deg_abdc)
        return lambda deg_before_top: float((closed_cm3 / self.volume_cm3(deg_before_top)) ** 1.31)

    @cached_property
    def leak_integral_per_m3(self) -> float:
        """Integral of d(crank angle in rad)/volume from intake-valve closing to top: what a leak's time is worth."""
        start = round(180 - self.intake_closes_deg_abdc)
        return sum(radians(1.0) / (self.volume_cm3(-deg - 0.5) * 1e-6) for deg in range(start))


def flow_function(pressure_ratio: float, gamma: float = AIR_GAMMA) -> float:
    """Dimensionless orifice flow: mass flow = CdA p0 / sqrt(R T0) x this; constant once choked.

    `pressure_ratio` is downstream over upstream absolute pressure, 0 to 1; 1 or more gives no flow.

    Source: isentropic nozzle flow, any gas dynamics text (from memory): for gamma 1.4 choked at 0.5283, value 0.6847.
    """
    if pressure_ratio >= 1:
        return 0.0
    critical: float = (2 / (gamma + 1)) ** (gamma / (gamma - 1))
    if pressure_ratio <= critical:
        return float(sqrt(gamma) * (2 / (gamma + 1)) ** ((gamma + 1) / (2 * (gamma - 1))))
    shape = 2 * gamma / (gamma - 1) * (1 - pressure_ratio ** ((gamma - 1) / gamma))
    return float(pressure_ratio ** (1 / gamma) * sqrt(shape))


def orifice_flow_g_s(cda_mm2: float, up_kpa: float, down_kpa: float, up_k: float, gamma: float = AIR_GAMMA) -> float:
    """Mass flow of air through an effective area, absolute pressures in kPa, upstream temperature in K."""
    if up_kpa <= 0:
        return 0.0
    return cda_mm2 * 1e-6 * up_kpa * 1e6 / sqrt(AIR_GAS_CONSTANT * up_k) * flow_function(down_kpa / up_kpa, gamma)


def leak_down_psi(
    leak_mm2: float,
    orifice_in: float = 0.040,
    supply_psi: float = 80.0,
    ambient_kpa: float = STANDARD_ATMOSPHERE_KPA,
    discharge: float = 0.8,
) -> float:
    """Gauge pressure a differential tester shows: two orifices in series, the tester's own and the leak.

    `leak_mm2` is the effective area (Cd A) of everything that leaks. Cd of the tester's orifice 0.8: judgement.
    Steady state: Cd1 A1 p1 psi(p2/p1) = CdA p2 psi(pa/p2), solved by bisection; temperature cancels.

    Source: continuity and isentropic flow; tester after FAA AC 43.13-1B, para. 8-14 (0.040 in orifice, 80 psi).
    """
    tester_mm2 = discharge * pi / 4 * (orifice_in * 25.4) ** 2
    supply_kpa = supply_psi * KPA_PER_PSI + ambient_kpa
    low, high = ambient_kpa, supply_kpa
    for _ in range(60):
        middle = (low + high) / 2
        inward = tester_mm2 * supply_kpa * flow_function(middle / supply_kpa)
        outward = leak_mm2 * middle * flow_function(ambient_kpa / middle)
        low, high = (middle, high) if inward > outward else (low, middle)
    return (low + high) / 2 / KPA_PER_PSI - ambient_kpa / KPA_PER_PSI


def air_gamma(temperature_k: float) -> float:
    """Ratio of specific heats of air: 1.3985 / 1.385 / 1.363 / 1.344 at 300 / 500 / 700 / 900 K (NASA polynomials)."""
    return float(np.interp(temperature_k, (300.0, 500.0, 700.0, 900.0), (1.3985, 1.385, 1.363, 1.344)))


def compression_trace_kpa(
    geometry: CylinderGeometry,
    leak_mm2: float,
    cranking_rpm: float = 200.0,
    oil_cm3: float = 0.0,
    intake_kpa: float = STANDARD_ATMOSPHERE_KPA,
    until_deg: float = 15.0,
) -> tuple[list[float], list[float]]:
    """Crank angle (top centre 0) and absolute pressure of one compression stroke at steady cranking speed, no firing.

    Single zone, mass and energy stepped by half a degree from intake-valve closing: heat to the wall by
    Woschni's coefficient times 3.5 at cranking speed, leakage as orifice flow to ambient; `oil_cm3` takes
    volume away. Source: Heywood ch. 9 and 12 for the equations (from memory); factor 3.5: judgement.
    """
    step_deg = 0.5
    step_s = step_deg / (6 * cranking_rpm)
    gas_j_kgk = AIR_GAS_CONSTANT
    angle = -(180 - geometry.intake_closes_deg_abdc)
    volume_m3 = (geometry.volume_cm3(angle) - oil_cm3) * 1e-6
    temperature_k = _CRANKING_INTAKE_K
    mass_kg = _CRANKING_FILLING * intake_kpa * 1e3 * volume_m3 / (gas_j_kgk * temperature_k)
    piston_m_s = 2 * geometry.stroke_mm / 1000 * cranking_rpm / 60
    bore_m = geometry.bore_mm / 1000
    angles: list[float] = []
    pressures: list[float] = []
    while angle < until_deg:
        pressure_kpa = mass_kg * gas_j_kgk * temperature_k / volume_m3 / 1000
        angles.append(angle)
        pressures.append(pressure_kpa)
        film = 3.26 * bore_m**-0.2 * pressure_kpa**0.8 * temperature_k**-0.55 * (2.28 * piston_m_s) ** 0.8
        wall_m2 = pi / 2 * bore_m**2 + pi * bore_m * geometry.piston_travel_mm(angle) / 1000
        heat_w = _HEAT_LOSS_FACTOR * film * wall_m2 * (temperature_k - _CRANKING_WALL_K)
        lost_kg_s = orifice_flow_g_s(leak_mm2, pressure_kpa, STANDARD_ATMOSPHERE_KPA, temperature_k) / 1000
        angle += step_deg
        next_m3 = (geometry.volume_cm3(angle) - oil_cm3) * 1e-6
        flow_work_j = lost_kg_s * step_s * gas_j_kgk * temperature_k
        over_cv = air_gamma(temperature_k) - 1
        temperature_k *= (volume_m3 / next_m3) ** over_cv  # the piston's work, without a step's error
        temperature_k -= (heat_w * step_s + flow_work_j) * over_cv / (mass_kg * gas_j_kgk)
        mass_kg -= lost_kg_s * step_s
        volume_m3 = next_m3
    return angles, pressures


def cranking_peak_psi(
    geometry: CylinderGeometry,
    leak_mm2: float,
    cranking_rpm: float = 200.0,
    oil_cm3: float = 0.0,
    intake_kpa: float = STANDARD_ATMOSPHERE_KPA,
) -> float:
    """Peak gauge pressure of one compression stroke (see compression_trace_kpa)."""
    _, pressures = compression_trace_kpa(geometry, leak_mm2, cranking_rpm, oil_cm3, intake_kpa)
    return (max(pressures) - STANDARD_ATMOSPHERE_KPA) / KPA_PER_PSI


def share_lost_in_compression(geometry: CylinderGeometry, leak_mm2: float, rpm: float) -> float:
    """Share of the charge that a leak lets out between intake-valve closing and top at a running speed.

    d(ln m)/dt = -CdA psi sqrt(R T)/V with the choked psi and a mean 550 K, integrated over the stroke.
    """
    if rpm <= 0:
        return 1.0
    speed_rad_s = rpm * 2 * pi / 60
    rate_m3 = leak_mm2 * 1e-6 * 0.6847 * sqrt(AIR_GAS_CONSTANT * 550.0)
    return 1 - exp(-rate_m3 * geometry.leak_integral_per_m3 / speed_rad_s)
