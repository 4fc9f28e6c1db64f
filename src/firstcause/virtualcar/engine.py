"""The running engine: from the physical condition and the working point to the chance of a misfire per firing."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from firstcause.units import STANDARD_ATMOSPHERE_KPA
from firstcause.vehicle.layout import EngineLayout
from firstcause.virtualcar import fouling, spark
from firstcause.virtualcar.faults import Condition
from firstcause.virtualcar.gas import CylinderGeometry, orifice_flow_g_s, share_lost_in_compression

Floats = NDArray[np.float64]

# Margins count in standard deviations of the cycle-to-cycle scatter of combustion. All judgement: a sound engine
# misfires about once in 1e5 firings at idle; at lambda 1.25, idle, one in ten (lean limit 1.2-1.3, reference 4.8).
SOUND_MARGIN_IDLE, SOUND_MARGIN_LOADED, COLD_PENALTY = 4.3, 5.3, 0.4
LEAN_FREE, LEAN_COST_IDLE, LEAN_COST_LOADED = 1.05, 15.0, 8.0
RICH_FREE, RICH_COST = 0.85, 15.0
DILUTION_COST = 16.0  # per share of extra burnt gas in the charge
OVERLAP_SHARE_PER_DEG = 0.008  # burnt gas kept by a late cam, of the charge
LOSS_COST = 32.0  # per share of the charge lost before ignition
WATER_COST_PER_ML = 3.0
SPARK_SCATTER = 0.15  # of the demand, one standard deviation
DISCHARGE_AIR_LEAK = 0.7  # of a sharp hole
EXHAUST_K, INTAKE_K, AMBIENT_K = 750.0, 330.0, 293.0
IDLE_MANIFOLD_KPA = 30.0
BOUT_LENGTH_S = 8.0  # mean length of one contact loss
WATER_GONE_S = 20.0  # seeped coolant leaves the chamber with this time constant
COIL_LAG_S, HEAT_BREAK_WIDTH_C = 420.0, 2.0
SEAT_LAG_S, SEAT_SCATTER, SEAT_AT_SPEED = 240.0, 0.20, -0.45  # how a leaking valve seats: log of its area
SEAT_LEAST, SEAT_MOST = log(0.6), log(1.5)  # reference 4.2


@dataclass(frozen=True)
class WorkingPoint:
    """One moment of a drive, as the engine meets it. `load` is a share, 0 to 1; rpm 0 means standing still."""

    dt_s: float
    rpm: float
    load: float
    speed_kmh: float
    coolant_c: float
    ambient_c: float
    fuel_cut: bool = False


@dataclass(frozen=True)
class Burnt:
    """What the engine did in one step. Arrays: one value per cylinder, in order of cylinder number."""

    events: NDArray[np.int64]
    misfires: NDArray[np.int64]
    chance: Floats
    sensor_lambda: tuple[float, ...]  # per bank, as the exhaust sensor sees it
    manifold_kpa: float
    air_g_s: float
    catalyst_c: float


def manifold_kpa(layout: EngineLayout, load: float) -> float:
    """Manifold pressure at a load share: a linear throttle, boosted to 1.8 bar with a turbocharger (judgement)."""
    full = 1.8 if layout.induction == "turbo" else 1.0
    return STANDARD_ATMOSPHERE_KPA * min(full, 0.12 + (full - 0.12) * load)


def metered_air_g_s(layout: EngineLayout, rpm: float, pressure_kpa: float) -> float:
    """Air a sound engine draws: displacement each two revolutions, 1.2 g/l, 85 % of the manifold's density."""
    return rpm / 120 * layout.displacement_l * 1.2 * 0.85 * pressure_kpa / STANDARD_ATMOSPHERE_KPA


def spark_advance_deg(rpm: float, load: float) -> float:
    """Spark before top: more with speed, less with load (judgement)."""
    return min(35.0, 14.0 + rpm / 250.0 * (1.1 - min(load, 1.0)))


class RunningEngine:
    """One running period: gathers the condition into arrays, steps it, and writes back what has changed.

    `rng` gives all chance. The condition must not be changed from outside until `stop` has been called.
    """

    def __init__(
        self, condition: Condition, rng: np.random.Generator, *, coil_c: Floats, seat: Floats, water_ml: Floats
    ):
        self.condition, self.rng = condition, rng
        self.layout = condition.layout
        self.geometry = geometry_of(condition)
        fitments, numbers = condition.fitments, self.layout.cylinders
        states = [condition.cylinders[number] for number in numbers]
        coils = [fitments.coil(number) for number in numbers]
        injectors = [fitments.injector(number) for number in numbers]
        boots = [fitments.boot(number) for number in numbers]
        self.plugs = [fitments.plug(number) for number in numbers]
        self.coil_energy = _array(coil.energy_fraction for coil in coils)
        self.breaks_above_c = _array(1e3 if coil.breaks_above_c is None else coil.breaks_above_c for coil in coils)
        self.gap_mm = _array(plug.gap_mm for plug in self.plugs)
        worn = _array(plug.edge_wear for plug in self.plugs)
        self.edge = spark.SHARP_EDGE + (spark.WORN_EDGE - spark.SHARP_EDGE) * worn
        self.flashover_kv = _array(
            min(boot.flashover_kv, plug.insulator_flashover_kv, state.well_flashover_kv)
            for boot, plug, state in zip(boots, self.plugs, states, strict=True)
        )
        self.flow = _array(inj.flow_fraction if inj.opens else 0.0 for inj in injectors)
        self.drip = _array(injector.drip_fraction for injector in injectors)
        self.tight_leak = _array(
            state.ring_leak_mm2 * 0.65 + state.gasket_leak_mm2 for state in states
        )  # oil seals rings
        self.exhaust_leak = _array(state.exhaust_leak_mm2 for state in states)
        self.leaky_seats = bool(self.exhaust_leak.any())
        self.intake_leak = _array(state.intake_leak_mm2 for state in states)
        self.runner_leak = _array(state.runner_leak_mm2 for state in states)
        self.bout_spacing_s = _array(60 * (state.bout_spacing_min or np.inf) for state in states)
        self.nothing, self.loose_contacts = np.zeros(len(numbers)), bool(np.isfinite(self.bout_spacing_s).any())
        self.calm_s = _array(state.contact_calm_s for state in states)
        self.states = states
        self.bout_coil = np.array([state.bout_of == "coil" for state in states])
        self.short_stroke = _array(state.height_lost_mm for state in states) / (self.geometry.stroke_mm / 8)
        self.banks = [np.array([numbers.index(number) for number in bank]) for bank in self.layout.banks]
        self.coil_c, self.seat, self.water_ml = coil_c.copy(), seat.copy(), water_ml.copy()
        self.bout_left_s = np.zeros(len(numbers))
        self.part_event = np.zeros(len(numbers))
        self.catalyst_c = 300.0
        self.fouling = fouling.FoulingState.gather(self.plugs, fouling.oil_dose_mg(condition), rng)
        self.last_chance = np.zeros(len(numbers))

    def step(self, point: WorkingPoint, trim_percent: Floats) -> Burnt:
        """Advance by one step. `trim_percent`: total fuel trim per cylinder (that of its bank), + adds fuel."""
        pressure = manifold_kpa(self.layout, point.load)
        air = metered_air_g_s(self.layout, point.rpm, pressure)
        self._move_slow_things(point)
        lam = self._lambda(point, pressure, air, trim_percent)
        spark_off, fuel_off = self._contact_lost(point)
        chance = self._chance(point, pressure, air, lam)
        chance = np.where(self.flow * (1 - fuel_off) + self.drip <= 0.02, 1.0, chance)
        chance = 1 - (1 - chance) * (1 - np.maximum(spark_off, fuel_off))
        firing = 0.0 if point.fuel_cut else point.rpm / 120 * point.dt_s
        self.part_event += firing
        events = np.floor(self.part_event).astype(np.int64)
        self.part_event -= events
        misfires = self.rng.binomial(events, np.minimum(chance, 1.0)).astype(np.int64)
        share = np.where(events > 0, misfires / np.maximum(events, 1), self.last_chance)
        self.fouling.advance(
            point.dt_s, point.speed_kmh, point.rpm, point.load, lam, share, self.water_ml, self.flow > 0
        )
        self.last_chance = share
        sensor = tuple(self._sensor(lam[bank], share[bank]) for bank in self.banks)
        self._heat_catalyst(point, float(share.mean()))
        return Burnt(events, misfires, chance, sensor, pressure, air, self.catalyst_c)

    def stop(self) -> None:
        """Write the new state back to plugs and places."""
        self.fouling.scatter(self.plugs)
        for state, calm_s in zip(self.states, self.calm_s, strict=True):
            state.contact_calm_s = float(calm_s)

    def _move_slow_things(self, point: WorkingPoint) -> None:
        dt = point.dt_s
        still = 15.0 if point.speed_kmh < 20 else 0.0
        under_bonnet = point.ambient_c + 0.75 * (point.coolant_c - point.ambient_c) + still
        self.coil_c += (under_bonnet - self.coil_c) * (1 - exp(-dt / COIL_LAG_S))
        self.water_ml *= exp(-dt / WATER_GONE_S)
        if not self.leaky_seats:
            return
        # A leaking valve turns and seats: log area wanders around a mean that is lower after running at speed.
        mean = SEAT_AT_SPEED if point.rpm > 1800 else 0.0
        keep = exp(-dt / SEAT_LAG_S)
        noise = self.rng.standard_normal(len(self.seat)) * SEAT_SCATTER * sqrt(1 - keep**2)
        self.seat = np.minimum(np.maximum(mean + (self.seat - mean) * keep + noise, SEAT_LEAST), SEAT_MOST)

    def _contact_lost(self, point: WorkingPoint) -> tuple[Floats, Floats]:
        """Share of the step in which coil or injector of each cylinder hang in the air."""
        if not self.loose_contacts:
            return self.nothing, self.nothing
        shaken = 1.0 if (point.speed_kmh > 30 or point.rpm > 1500) else 0.15
        warm = np.minimum(np.maximum((self.coil_c - 40.0) / 20.0, 0.1), 1.0)
        rate = shaken * warm / self.bout_spacing_s
        self.calm_s = np.maximum(self.calm_s - point.dt_s, 0.0)
        starts = (
            (self.bout_left_s <= 0) & (self.calm_s <= 0) & (self.rng.random(len(rate)) < 1 - np.exp(-rate * point.dt_s))
        )
        lengths = self.rng.exponential(BOUT_LENGTH_S, len(rate))
        self.bout_left_s = np.where(starts, lengths, self.bout_left_s)
        lost = np.minimum(self.bout_left_s, point.dt_s) / point.dt_s
        self.bout_left_s = np.maximum(self.bout_left_s - point.dt_s, 0.0)
        return np.where(self.bout_coil, lost, 0.0), np.where(self.bout_coil, 0.0, lost)

    def _lambda(self, point: WorkingPoint, pressure: float, air: float, trim_percent: Floats) -> Floats:
        """Air-fuel ratio of each cylinder over the ideal one; 9.9 stands for no fuel to speak of."""
        shared = self.condition.shared
        if air <= 0:
            return np.ones(self.layout.count)
        own_air = air / self.layout.count
        vacuum_leak = orifice_flow_g_s(1.0, STANDARD_ATMOSPHERE_KPA, pressure, AMBIENT_K)  # per mm2
        extra = vacuum_leak * self.runner_leak
        if self.layout.metering == "air-flow-meter":  # a manifold-pressure system sees shared leaks and fuels them
            hole_mm2 = DISCHARGE_AIR_LEAK * np.pi / 4 * (shared.air_leak_mm**2 + shared.crankcase_leak_mm**2)
            extra = extra + vacuum_leak * hole_mm2 / self.layout.count
        kept = 1 - (1 - shared.fuel_flow_reserve) * min(1.0, point.load * point.rpm / 3500)
        delivered = sqrt(max(0.01, shared.fuel_pressure_fraction * kept))
        fuel = self.flow * delivered * (1 + trim_percent / 100) + self.drip * min(1.0, 0.2 / max(point.load, 0.05))
        return np.minimum((1 + extra / own_air) / np.maximum(fuel, 0.1), 9.9)

    def _chance(self, point: WorkingPoint, pressure: float, air: float, lam: Floats) -> Floats:
        if point.rpm <= 0:
            return np.zeros(self.layout.count)
        load = min(point.load, 1.0)
        exhaust_leak = self.exhaust_leak * np.exp(self.seat)
        leak = self.tight_leak + exhaust_leak + self.intake_leak
        per_mm2 = share_lost_in_compression(self.geometry, 1.0, point.rpm)
        lost = 1 - (1 - per_mm2) ** (leak - 0.12) + 0.4 * np.minimum(self.short_stroke, 1.0)
        back_g_s = orifice_flow_g_s(1.0, STANDARD_ATMOSPHERE_KPA * 1.02, pressure, EXHAUST_K) * exhaust_leak
        back = back_g_s * 200 / (6 * point.rpm)  # grams drawn back through the open leak: intake and early compression
        charge = air / self.layout.count / (point.rpm / 120)
        late = OVERLAP_SHARE_PER_DEG * self.condition.shared.cam_late_deg
        returned = self.condition.shared.exhaust_return_share + late
        dilution = back / (back + charge) + returned * (1 - load)
        margin = SOUND_MARGIN_IDLE + (SOUND_MARGIN_LOADED - SOUND_MARGIN_IDLE) * min(1.0, load / 0.5)
        margin -= COLD_PENALTY * min(max((60 - point.coolant_c) / 60, 0.0), 1.0)
        lean_cost = LEAN_COST_IDLE + (LEAN_COST_LOADED - LEAN_COST_IDLE) * load
        z = margin - lean_cost * np.maximum(0, lam - LEAN_FREE) - RICH_COST * np.maximum(0, RICH_FREE - lam)
        z = z - DILUTION_COST * dilution - LOSS_COST * np.maximum(lost, 0.0) - WATER_COST_PER_ML * self.water_ml
        no_burn = ndtr(-z)
        no_spark = self._spark_fails(point, pressure, lost, lam)
        return np.asarray(1 - (1 - no_burn) * (1 - no_spark))

    def _spark_fails(self, point: WorkingPoint, pressure: float, lost: Floats, lam: Floats) -> Floats:
        """Demand against supply in one inequality, with the scatter of the demand (reference 4.7)."""
        ratio = self.geometry.compression_pressure_ratio(spark_advance_deg(point.rpm, point.load))
        at_spark_kpa = pressure * ratio * np.maximum(1 - lost, 0.2)
        at_spark_k = INTAKE_K * ratio ** (0.31 / 1.31)
        hot_electrode = 0.90 + 0.10 * min(max((60 - point.coolant_c) / 60, 0.0), 1.0)
        demand = self.edge * hot_electrode * spark.breakdown_kv(at_spark_kpa, at_spark_k, self.gap_mm)
        demand = demand + 10.0 * np.minimum(np.maximum(lam - 1, 0.0), 0.4)
        whole = 1 - expit((self.coil_c - self.breaks_above_c) / HEAT_BREAK_WIDTH_C)
        coil = spark.coil_kv(self.coil_energy * whole, self.condition.shared.supply_v)
        left = coil * spark.share_left_by_shunt(self.fouling.insulation_ohm(self.water_ml))
        supply = np.minimum(left, self.flashover_kv)
        return np.asarray(ndtr((demand - supply) / (SPARK_SCATTER * demand)))

    @staticmethod
    def _sensor(lam: Floats, share: Floats) -> float:
        """Mixture as the bank's sensor sees it: the mean of the fuel, leaned by the air of the firings that failed."""
        fuelled = lam < 9.9
        mean = len(lam) / max(0.05, float((fuelled / lam).sum()))
        failed = min(0.6, float((share * fuelled).sum()) / len(share))
        return mean * (1 + 0.5 * failed / (1 - failed))  # half of that fuel burns on the way (judgement 0.3-0.8)

    def _heat_catalyst(self, point: WorkingPoint, share: float) -> None:
        """First-order lag of 20 s to the gas temperature plus 2250 K per share of unburnt charge, a third lost."""
        target = 250 + 350 * point.load + 0.06 * point.rpm + 2250 * 0.7 * share * bool(point.rpm)
        self.catalyst_c += (target - self.catalyst_c) * (1 - exp(-point.dt_s / 20))


def geometry_of(condition: Condition) -> CylinderGeometry:
    """Crank geometry with the cam as it stands: a late cam closes the intake valve late."""
    base = CylinderGeometry.of(condition.layout)
    late = condition.shared.cam_late_deg
    return CylinderGeometry(
        base.bore_mm, base.stroke_mm, base.rod_mm, base.compression_ratio, base.intake_closes_deg_abdc + late
    )


def _array(values: object) -> Floats:
    return np.array(list(values), dtype=np.float64)  # type: ignore[call-overload]
