"""Air and fuel on their way in: manifold pressure, leaks, the air meter, and the mixture of each cylinder."""

from __future__ import annotations

from math import exp, pi, sqrt

import numpy as np
from numpy.typing import NDArray

from firstcause.units import STANDARD_ATMOSPHERE_KPA
from firstcause.vehicle.layout import EngineLayout
from firstcause.virtualcar.gas import orifice_flow_g_s
from firstcause.virtualcar.places import SharedState

Floats = NDArray[np.float64]

DISCHARGE_AIR_LEAK = 0.7  # of a sharp hole
AMBIENT_K = 293.0
NO_FUEL = 9.9  # air-fuel ratio that stands for no fuel to speak of
PURGE_FUEL_SHARE, PURGE_HOLE_MM = 0.60, 1.5  # of the idle fuel, from a full canister, and as a hole: judgement
LATE_CAM_KPA_PER_DEG = 0.6  # late closing pushes charge back, the throttle opens for it: judgement
BAD_FUEL_LEANS = 0.35  # alcohol or water: share of the heating value gone for a share of 1 (judgement)
DEAD_TIME_MS_PER_V, PULSE_IDLE_MS, PULSE_MS_PER_LOAD = 0.10, 2.5, 10.0  # of a port injector: judgement
LOW_V, LOW_MS_PER_V2 = 9.0, 0.15  # below this the control unit's table no longer follows the injector: judgement
PUMP_VOLTS = 13.5  # a pump's flow falls about as the 1.5th power of its voltage: judgement
LEAK_BEYOND_THROTTLE = 0.75  # share of the idle air that the closing throttle can still make up for: judgement
SENSED_BURNT = 0.5  # of the fuel of a misfire that burns before the sensor sees its air (judgement 0.3-0.8)


def manifold_kpa(layout: EngineLayout, load: float) -> float:
    """Manifold pressure at a load share: a linear throttle, boosted to 1.8 bar with a turbocharger (judgement)."""
    full = 1.8 if layout.induction == "turbo" else 1.0
    return STANDARD_ATMOSPHERE_KPA * min(full, 0.12 + (full - 0.12) * load)


def metered_air_g_s(layout: EngineLayout, rpm: float, pressure_kpa: float) -> float:
    """Air a sound engine draws: displacement each two revolutions, 1.2 g/l, 85 % of the manifold's density."""
    return rpm / 120 * layout.displacement_l * 1.2 * 0.85 * pressure_kpa / STANDARD_ATMOSPHERE_KPA


def leak_hole_mm2(shared: SharedState) -> float:
    """Effective area by which air gets in behind the throttle, from all shared holes."""
    squares = shared.air_leak_mm**2 + shared.crankcase_leak_mm**2 + (PURGE_HOLE_MM * shared.purge_open_share) ** 2
    return DISCHARGE_AIR_LEAK * pi / 4 * squares


def real_manifold_kpa(sound_kpa: float, shared: SharedState, load: float) -> float:
    """Manifold pressure with what adds to it: returned exhaust takes room, a late cam pushes back (judgement)."""
    extra = sound_kpa * 0.8 * shared.exhaust_return_share * (1 - min(load, 1.0))
    extra += LATE_CAM_KPA_PER_DEG * shared.cam_late_deg * (1 - min(load, 1.0))
    return min(sound_kpa + extra, max(sound_kpa, STANDARD_ATMOSPHERE_KPA))


def idle_rise_share(layout: EngineLayout, shared: SharedState, runner_leak_mm2: float, rpm: float, kpa: float) -> float:
    """By what share idle speed rises because more air leaks in than the throttle can take away."""
    hole_mm2 = leak_hole_mm2(shared) + runner_leak_mm2
    if hole_mm2 <= 0:
        return 0.0
    needed = metered_air_g_s(layout, rpm, kpa)
    leak = orifice_flow_g_s(hole_mm2, STANDARD_ATMOSPHERE_KPA, kpa, AMBIENT_K)
    return 0.5 * min(1.2, max(0.0, leak / needed - LEAK_BEYOND_THROTTLE))


class Mixture:
    """The mixture of each cylinder, from what is fitted and shared. Arrays: one value per cylinder."""

    def __init__(
        self,
        layout: EngineLayout,
        shared: SharedState,
        *,
        flow: Floats,
        drip: Floats,
        lift: Floats,
        runner_leak_mm2: Floats,
        deposits: Floats,
    ):
        self.layout, self.shared = layout, shared
        self.flow, self.drip, self.lift, self.deposits = flow, drip, lift, deposits
        self.runner_leak_mm2, self.hole_mm2 = runner_leak_mm2, leak_hole_mm2(shared)
        self.meters_air = layout.metering == "air-flow-meter"

    def air_fuel(
        self, load: float, rpm: float, kpa: float, air_g_s: float, coolant_c: float, trim_percent: Floats,
        *, canister_load: float, vapour: float,
    ) -> Floats:  # fmt: skip
        """Air-fuel ratio of each cylinder over the ideal one."""
        shared, count = self.shared, self.layout.count
        if air_g_s <= 0:
            return np.ones(count)
        own_air = air_g_s / count
        per_mm2 = orifice_flow_g_s(1.0, STANDARD_ATMOSPHERE_KPA, kpa, AMBIENT_K)
        extra = per_mm2 * self.runner_leak_mm2
        if self.meters_air:  # a manifold-pressure system sees shared leaks and fuels them
            extra = extra + per_mm2 * self.hole_mm2 / count
        fuel = self.flow * self._delivered(load, rpm) * (1 + trim_percent / 100)
        cold = min(1.0, max(0.0, (70 - coolant_c) / 60))
        if cold > 0:
            fuel = fuel * (1 - cold * self.deposits)
        low_load = min(1.0, 0.2 / max(load, 0.05))
        fuel = fuel + (self.drip + PURGE_FUEL_SHARE * shared.purge_open_share * canister_load) * low_load
        fuel = fuel * ((1 - vapour) * (1 - BAD_FUEL_LEANS * shared.bad_fuel_share))
        return np.minimum((self.lift + extra / own_air) / np.maximum(fuel, 0.1), NO_FUEL)

    def _delivered(self, load: float, rpm: float) -> float:
        """Share of the commanded fuel that the pressure, the meter and the injectors' opening time let through."""
        shared = self.shared
        pump = min(1.0, (shared.supply_v / PUMP_VOLTS) ** 1.5) * shared.fuel_flow_reserve
        kept = 1 - (1 - pump) * min(1.0, load * rpm / 3500)
        delivered = sqrt(max(0.01, shared.fuel_pressure_fraction * kept))
        if self.meters_air:
            delivered *= shared.air_meter_share
        late_ms = DEAD_TIME_MS_PER_V * shared.feed_drop_v + LOW_MS_PER_V2 * max(0.0, LOW_V - shared.supply_v) ** 2
        if late_ms > 0:
            delivered *= max(0.1, 1 - late_ms / (PULSE_IDLE_MS + PULSE_MS_PER_LOAD * load))
        return delivered


def sensed_lambda(lam: Floats, missed: Floats) -> float:
    """Mixture as the bank's sensor sees it: the mean of the fuel, leaned by the air of the firings that failed."""
    fuelled = lam < NO_FUEL
    mean = len(lam) / max(0.05, float((fuelled / lam).sum()))
    failed = min(0.6, float((missed * fuelled).sum()) / len(missed))
    return mean * (1 + SENSED_BURNT * failed / (1 - failed))


def slow_towards(value: float, target: float, dt_s: float, lag_s: float) -> float:
    """First-order lag."""
    return value + (target - value) * (1 - exp(-dt_s / lag_s))
