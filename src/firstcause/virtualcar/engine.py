"""The running engine: from the physical condition and the working point to each firing, burnt or not, and its work."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field, replace
from math import exp, log, sqrt

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, ndtr

from firstcause.units import STANDARD_ATMOSPHERE_KPA
from firstcause.virtualcar import air_path, combustion, fouling, spark
from firstcause.virtualcar.crankshaft import Crankshaft, Segments
from firstcause.virtualcar.faults import Condition
from firstcause.virtualcar.gas import CylinderGeometry, orifice_flow_g_s, share_lost_in_compression
from firstcause.virtualcar.places import SOUND_RING_LEAK_MM2

Floats = NDArray[np.float64]

OVERLAP_SHARE_PER_DEG = 0.008  # burnt gas kept by a late cam, of the charge
EXHAUST_SHARE_PER_BACK_PRESSURE = 0.15  # burnt gas kept, per exhaust back pressure over manifold pressure: judgement
SPARK_SCATTER = 0.15  # of the demand, one standard deviation
EXHAUST_K, INTAKE_K = 750.0, 330.0
EXPANSION_DEG, EXPANSION_PRESSURES, EXPANSION_K = 70.0, 20.0, 1900.0  # mean of the burning charge over the manifold
IDLE_MANIFOLD_KPA = 30.0
BOUT_LENGTH_S, FEED_BREAK_S = 8.0, 0.4  # mean length of one contact loss; a longer one of the feed stalls the engine
WATER_GONE_S = 20.0  # seeped coolant leaves the chamber with this time constant
COIL_LAG_S, HEAT_BREAK_WIDTH_C = 420.0, 3.0
COIL_NEAR_HEAD, COIL_STILL_C, COIL_C_PER_RPM = 0.85, 15.0, 0.003  # a coil sits in the head's well: judgement
SEAT_LAG_S, SEAT_SCATTER, SEAT_AT_SPEED = 240.0, 0.20, -0.45  # how a leaking valve seats: log of its area
SEAT_LEAST, SEAT_MOST = log(0.6), log(1.5)  # reference 4.2
VAPOUR_GONE_S = 45.0
STALLS_WITHOUT, WORK_LAG_S = 0.75, 2.0  # share of the work; the flywheel carries it over this time: judgement
BACK_PRESSURE_KPA = 8.0  # of a sound exhaust at 100 g/s: judgement
# Catalyst: 2250 K per share of unburnt charge, a third of it lost on the way (reference 4.10, computed and judgement).
# Wear by heat: Arrhenius with Ea/R 22 000 K; a fifth lost in 20 min at 871 C, lean (SAE abstract in the reference).
CATALYST_K_PER_SHARE, CATALYST_LAG_S, WEAR_ACTIVATION_K, WEAR_PER_S_AT_871 = 2250 * 0.7, 20.0, 22_000.0, 0.2 / 1200
MELTS_C, BLOCKED_PER_S = 1250.0, 1 / 1200  # judgement


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
    roughness: float = 0.0


@dataclass(frozen=True)
class Burnt:
    """What the engine did in one step. Arrays: one value per cylinder, in order of cylinder number."""

    events: NDArray[np.int64]
    misfires: NDArray[np.int64]
    chance: Floats
    sensor_lambda: tuple[float, ...]  # per bank, as the exhaust sensor sees it
    manifold_kpa: float
    air_g_s: float
    catalyst_c: tuple[float, ...]  # per bank
    segments: Segments
    work: Floats | None = None
    """of a firing that burns, as a share of a sound cylinder's; None: whole"""


@dataclass
class Heat:
    """What stays warm between running periods. Arrays: one value per cylinder; catalyst per bank."""

    coil_c: Floats
    seat: Floats
    water_ml: Floats
    catalyst_c: Floats
    hot_stop: bool = False  # stopped hot and stood long enough for the rail to soak
    canister_load: float = 0.3


def spark_advance_deg(rpm: float, load: float) -> float:
    """Spark before top: more with speed, less with load (judgement)."""
    return min(35.0, 14.0 + rpm / 250.0 * (1.1 - min(load, 1.0)))


@dataclass
class _Contacts:
    """Connectors of one kind that lose contact in bouts."""

    spacing_s: Floats
    calm_s: Floats
    length_s: float = BOUT_LENGTH_S
    left_s: Floats = field(init=False)

    def __post_init__(self) -> None:
        self.left_s = np.zeros(len(self.spacing_s))
        self.any = bool(np.isfinite(self.spacing_s).any())

    def lost(self, point: WorkingPoint, coil_c: Floats, rng: np.random.Generator) -> Floats:
        """Share of the step in which each hangs in the air: more when shaken, more when warm."""
        shaken = 1.0 if (point.speed_kmh > 30 or point.rpm > 1500) else 0.15
        shaken += 2.0 * point.roughness * (point.speed_kmh > 3)
        warm = np.minimum(np.maximum((coil_c - 40.0) / 20.0, 0.1), 1.0)
        rate = shaken * warm / self.spacing_s
        self.calm_s = np.maximum(self.calm_s - point.dt_s, 0.0)
        begins = rng.random(len(rate)) < 1 - np.exp(-rate * point.dt_s)
        starts = (self.left_s <= 0) & (self.calm_s <= 0) & begins
        self.left_s = np.where(starts, rng.exponential(self.length_s, len(rate)), self.left_s)
        lost = np.minimum(self.left_s, point.dt_s) / point.dt_s
        self.left_s = np.maximum(self.left_s - point.dt_s, 0.0)
        return np.asarray(lost)


class RunningEngine:
    """One running period: gathers the condition into arrays, steps it, and writes back what has changed.

    `rng` gives all chance. The condition must not be changed from outside until `stop` has been called.
    """

    def __init__(
        self, condition: Condition, rng: np.random.Generator, *, heat: Heat, unplugged: frozenset[int] = frozenset()
    ):
        self.condition, self.rng, self.heat = condition, rng, heat
        self.layout, self.shared = condition.layout, condition.shared
        self.geometry = geometry_of(condition)
        self.crank = Crankshaft(self.layout, rng)
        numbers = self.layout.cylinders
        self.states = [condition.cylinders[number] for number in numbers]
        self.banks = [np.array([numbers.index(number) for number in bank]) for bank in self.layout.banks]
        self._gather_places()
        self._gather_parts(unplugged)
        self.part_event, self.nothing = 0.0, np.zeros(len(numbers))
        self.missing_share = 0.0  # of the work, smoothed: the pedal makes up for it
        self.vapour = self.shared.vapour_share if heat.hot_stop else 0.0
        self.fouling = fouling.FoulingState.gather(self.plugs, fouling.oil_dose_mg(condition), rng)
        self.last_chance = np.zeros(len(numbers))
        self.catalyst_lost = np.zeros(len(self.banks))

    def _gather_places(self) -> None:
        states = self.states
        # Oil on a running engine's rings seals about a third of what they leak at cranking (judgement).
        self.tight_leak = _array(
            state.ring_leak_mm2 * 0.65 + state.gasket_leak_mm2 + state.thread_leak_mm2 for state in states
        )
        self.exhaust_leak = _array(state.exhaust_leak_mm2 for state in states)
        self.leaky_seats = bool(self.exhaust_leak.any())
        self.intake_leak = _array(state.intake_leak_mm2 for state in states)
        self.floats_above_rpm = _array(state.floats_above_rpm for state in states)
        self.coil_contacts = _Contacts(
            _array(60 * (state.coil_bout_min or np.inf) for state in states), _array(s.coil_calm_s for s in states)
        )
        self.injector_contacts = _Contacts(
            _array(60 * (state.injector_bout_min or np.inf) for state in states),
            _array(s.injector_calm_s for s in states),
        )
        self.feed = _Contacts(_array([60 * (self.shared.feed_bout_min or np.inf)]), np.zeros(1), FEED_BREAK_S)
        self.short_stroke = _array(state.height_lost_mm for state in states) / (self.geometry.stroke_mm / 8)
        self.lift = _array(state.lift_share for state in states)

    def _gather_parts(self, unplugged: frozenset[int]) -> None:
        fitments, numbers, states = self.condition.fitments, self.layout.cylinders, self.states
        coils = [fitments.coil(number) for number in numbers]
        boots = [fitments.boot(number) for number in numbers]
        injectors = [fitments.injector(number) for number in numbers]
        self.plugs = [fitments.plug(number) for number in numbers]
        self.coil_energy = _array(
            coil.energy_fraction * state.coil_fed for coil, state in zip(coils, states, strict=True)
        )
        self.breaks_above_c = _array(1e3 if coil.breaks_above_c is None else coil.breaks_above_c for coil in coils)
        self.gap_mm = _array(plug.gap_mm for plug in self.plugs)
        worn = _array(min(1.0, plug.edge_wear) for plug in self.plugs)
        self.edge = spark.SHARP_EDGE + (spark.WORN_EDGE - spark.SHARP_EDGE) * worn
        self.flashover_kv = _array(
            min(boot.flashover_kv, plug.insulator_flashover_kv, state.well_flashover_kv)
            for boot, plug, state in zip(boots, self.plugs, states, strict=True)
        )
        self.flow = _array(
            injector.flow_fraction * (injector.opens and state.injector_fed and number not in unplugged)
            for injector, state, number in zip(injectors, states, numbers, strict=True)
        )
        self.drip = _array(injector.drip_fraction for injector in injectors)
        self.mixture = air_path.Mixture(
            self.layout, self.shared, flow=self.flow, drip=self.drip, lift=self.lift,
            runner_leak_mm2=_array(state.runner_leak_mm2 for state in states),
            deposits=_array(min(0.9, state.deposit_share) for state in states),
        )  # fmt: skip

    def governed(self, point: WorkingPoint) -> WorkingPoint:
        """The working point as this engine takes it: idle rises with leaking air, the pedal makes up for lost work."""
        load = min(1.0, point.load / max(0.5, 1 - self.missing_share)) if not point.fuel_cut else point.load
        if point.speed_kmh >= 3 or point.rpm <= 0:
            return replace(point, load=load)
        leak_mm2 = float(self.mixture.runner_leak_mm2.sum())
        kpa = air_path.manifold_kpa(self.layout, load)
        rise = air_path.idle_rise_share(self.layout, self.shared, leak_mm2, point.rpm, kpa)
        return replace(point, rpm=point.rpm * (1 + rise), load=load)

    @property
    def stalled(self) -> bool:
        """Whether so much work is missing that the engine dies."""
        return self.missing_share > STALLS_WITHOUT

    def step(self, point: WorkingPoint, trim_percent: Floats) -> Burnt:
        """Advance by one step. `trim_percent`: total fuel trim per cylinder (that of its bank), + adds fuel."""
        shared = self.shared
        sound_kpa = air_path.manifold_kpa(self.layout, point.load)
        kpa = air_path.real_manifold_kpa(sound_kpa, shared, point.load)
        air = air_path.metered_air_g_s(self.layout, point.rpm, sound_kpa)
        self._move_slow_things(point)
        lam = self.mixture.air_fuel(
            point.load, point.rpm, sound_kpa, air, point.coolant_c, trim_percent,
            canister_load=self.heat.canister_load, vapour=self.vapour,
        )  # fmt: skip
        chance, scatter, work = self._burning(point, kpa, air, lam)
        chance = np.where(lam >= air_path.NO_FUEL, 1.0, chance)
        firings, failed = self._fire(point, chance, self._contact_lost(point))
        events = np.bincount(firings, minlength=self.layout.count).astype(np.int64)
        misfires = np.bincount(firings[failed], minlength=self.layout.count).astype(np.int64)
        lost = 1 - work[firings] * (1 + scatter[firings] * self.rng.standard_normal(len(firings)))
        lost[failed] = 1.0
        segments = self.crank.turn(
            firings, lost, point.rpm, kpa, speed_kmh=point.speed_kmh, roughness=point.roughness,
            shaken=shared.flywheel_noise_percent / 100, wheel_error=shared.wheel_error_percent / 100,
        )  # fmt: skip
        share = np.where(events > 0, misfires / np.maximum(events, 1), self.last_chance)
        self.fouling.advance(
            point.dt_s, point.speed_kmh, point.rpm, point.load, lam, share, self.heat.water_ml, self.flow > 0
        )
        self.last_chance = share
        missing = float((1 - work * (1 - share)).mean()) if point.rpm > 0 else 0.0
        self.missing_share = air_path.slow_towards(self.missing_share, missing, point.dt_s, WORK_LAG_S)
        sensed = tuple(
            air_path.sensed_lambda(lam[bank], share[bank]) + shared.sensor_bias_lambda for bank in self.banks
        )
        self._heat_catalyst(point, share)
        catalyst_c = tuple(float(value) for value in self.heat.catalyst_c)
        return Burnt(events, misfires, chance, sensed, kpa, air, catalyst_c, segments, work)

    def stop(self) -> None:
        """Write the new state back to plugs and places."""
        self.fouling.scatter(self.plugs)
        for at, state in enumerate(self.states):
            state.coil_calm_s = float(self.coil_contacts.calm_s[at])
            state.injector_calm_s = float(self.injector_contacts.calm_s[at])
        before = self.shared.catalyst_lost or (0.0,) * len(self.banks)
        self.shared.catalyst_lost = tuple(b + float(n) for b, n in zip(before, self.catalyst_lost, strict=True))

    def _fire(
        self, point: WorkingPoint, chance: Floats, hanging: Floats
    ) -> tuple[NDArray[np.int64], NDArray[np.bool_]]:
        """The firings of this step in their order, by index of the cylinder, and which of them failed.

        `hanging`: the share of the step, from its beginning, for which a cylinder had no contact.
        """
        if point.fuel_cut:
            self.crank.settle()
            return np.zeros(0, np.int64), np.zeros(0, np.bool_)
        self.part_event += point.rpm / 120 * point.dt_s * self.layout.count
        count = int(self.part_event)
        self.part_event -= count
        firings = self.crank.firings(count)
        failed = self.rng.random(count) < chance[firings]
        if hanging.any():
            failed |= np.arange(count) < hanging[firings] * count
        return firings, failed

    def _move_slow_things(self, point: WorkingPoint) -> None:
        dt, heat = point.dt_s, self.heat
        still = COIL_STILL_C if point.speed_kmh < 20 else 0.0
        at_head = point.ambient_c + COIL_NEAR_HEAD * (point.coolant_c - point.ambient_c)
        heat.coil_c += (at_head + still + COIL_C_PER_RPM * point.rpm - heat.coil_c) * (1 - exp(-dt / COIL_LAG_S))
        heat.water_ml *= exp(-dt / WATER_GONE_S)
        heat.canister_load = air_path.slow_towards(heat.canister_load, 0.05, dt, 900.0)
        self.vapour *= exp(-dt / VAPOUR_GONE_S)
        if not self.leaky_seats:
            return
        # A leaking valve turns and seats: log area wanders around a mean that is lower after running at speed.
        mean = SEAT_AT_SPEED if point.rpm > 1800 else 0.0
        keep = exp(-dt / SEAT_LAG_S)
        noise = self.rng.standard_normal(len(heat.seat)) * SEAT_SCATTER * sqrt(1 - keep**2)
        heat.seat = np.minimum(np.maximum(mean + (heat.seat - mean) * keep + noise, SEAT_LEAST), SEAT_MOST)

    def _contact_lost(self, point: WorkingPoint) -> Floats:
        """Share of the step in which coil, injector or the feed of all hang in the air, per cylinder."""
        hanging = self.nothing
        for contacts, near_c in (
            (self.coil_contacts, self.heat.coil_c),
            (self.injector_contacts, self.heat.coil_c),
            (self.feed, self.heat.coil_c[:1]),
        ):
            if contacts.any:
                hanging = np.maximum(hanging, contacts.lost(point, near_c, self.rng))
        return hanging

    def _burning(self, point: WorkingPoint, kpa: float, air: float, lam: Floats) -> tuple[Floats, Floats, Floats]:
        """Chance of a misfire, scatter of the work, and work of a firing that burns; per cylinder."""
        count, shared = self.layout.count, self.shared
        if point.rpm <= 0:
            return np.zeros(count), np.zeros(count), np.ones(count)
        load = min(point.load, 1.0)
        exhaust_leak = self.exhaust_leak * np.exp(self.heat.seat)
        leak = self.tight_leak + exhaust_leak + self.intake_leak - 0.65 * SOUND_RING_LEAK_MM2
        lost = 1 - (1 - share_lost_in_compression(self.geometry, 1.0, point.rpm)) ** leak
        lost = lost + 0.4 * np.minimum(self.short_stroke, 1.0)
        charge = air / count / (point.rpm / 120)
        burning_g_s = orifice_flow_g_s(1.0, EXPANSION_PRESSURES * kpa, STANDARD_ATMOSPHERE_KPA, EXPANSION_K)
        lost_later = np.minimum(0.6, burning_g_s * leak * EXPANSION_DEG / (6 * point.rpm) / charge)
        dilution = self._dilution(point, kpa, air, exhaust_leak, charge)
        z = combustion.margin(
            load=load, coolant_c=point.coolant_c, lam=lam, dilution=dilution, lost=lost, water_ml=self.heat.water_ml,
            flap_stuck=shared.flap_stuck_share, bad_fuel=shared.bad_fuel_share,
        )  # fmt: skip
        no_spark, arc_mj = self._spark(point, kpa, lost, lam)
        z = z - combustion.arc_cost(arc_mj)
        floats = expit((point.rpm - self.floats_above_rpm) / combustion.FLOAT_WIDTH_RPM)
        burns = (1 - combustion.no_burn(z)) * (1 - no_spark) * (1 - floats)
        work = combustion.work_share(lam, dilution, lost, lost_later, self.lift)
        return np.minimum(1 - burns, 1.0), combustion.work_scatter(z), work

    def _dilution(self, point: WorkingPoint, kpa: float, air: float, exhaust_leak: Floats, charge: float) -> Floats:
        """Extra burnt gas as a share of the charge: through a leaking valve, recirculated, kept by a late cam."""
        shared, load = self.shared, min(point.load, 1.0)
        back_g_s = orifice_flow_g_s(1.0, STANDARD_ATMOSPHERE_KPA * 1.02, kpa, EXHAUST_K) * exhaust_leak
        back = back_g_s * 200 / (6 * point.rpm)  # grams drawn back while the valve should be shut: 200 degrees
        returned = (shared.exhaust_return_share + OVERLAP_SHARE_PER_DEG * shared.cam_late_deg) * (1 - load)
        back_kpa = back_pressure_kpa(air, shared.exhaust_block_share) - back_pressure_kpa(air, 0.0)
        kept = EXHAUST_SHARE_PER_BACK_PRESSURE * back_kpa / kpa
        return np.asarray(np.minimum(0.95, back / (back + charge) + returned + kept))

    def _spark(self, point: WorkingPoint, kpa: float, lost: Floats, lam: Floats) -> tuple[Floats, Floats]:
        """Chance that no spark jumps: demand against supply in one inequality (reference 4.7); and the arc's energy."""
        shared = self.shared
        ratio = self.geometry.compression_pressure_ratio(spark_advance_deg(point.rpm, point.load))
        at_spark_kpa = kpa * ratio * np.maximum(1 - lost, 0.2)
        at_spark_k = INTAKE_K * ratio ** (0.31 / 1.31)
        hot_electrode = 0.90 + 0.10 * min(max((60 - point.coolant_c) / 60, 0.0), 1.0)
        demand = self.edge * hot_electrode * spark.breakdown_kv(at_spark_kpa, at_spark_k, self.gap_mm)
        demand = demand + 10.0 * np.minimum(np.maximum(lam - 1, 0.0), 0.4)
        # A winding that heat opens is open or whole from one firing to the next, the more often open the hotter it is.
        broken = expit((self.heat.coil_c - self.breaks_above_c) / HEAT_BREAK_WIDTH_C)
        energy = self.coil_energy
        left = spark.share_left_by_shunt(self.fouling.insulation_ohm(self.heat.water_ml))
        supply = np.minimum(spark.coil_kv(energy, shared.supply_v, shared.feed_drop_v) * left, self.flashover_kv)
        arc_mj = spark.coil_energy_mj(energy, shared.supply_v, shared.feed_drop_v) * left
        jumps = (1 - ndtr((demand - supply) / (SPARK_SCATTER * demand))) * (1 - broken)
        return np.asarray(1 - jumps), arc_mj

    def _heat_catalyst(self, point: WorkingPoint, share: Floats) -> None:
        """First-order lag to gas temperature plus what unburnt charge adds; too hot, it loses its storage or melts."""
        heat, fuelled = self.heat, self.flow + self.drip > 0.02
        for at, bank in enumerate(self.banks):
            unburnt = float((share[bank] * fuelled[bank]).mean()) * bool(point.rpm)
            target = 250 + 350 * point.load + 0.06 * point.rpm + CATALYST_K_PER_SHARE * unburnt
            heat.catalyst_c[at] = air_path.slow_towards(float(heat.catalyst_c[at]), target, point.dt_s, CATALYST_LAG_S)
            hot_c = float(heat.catalyst_c[at])
            if hot_c > 700 and unburnt > 0:
                faster = exp(WEAR_ACTIVATION_K * (1 / (871 + 273.15) - 1 / (hot_c + 273.15)))
                self.catalyst_lost[at] += WEAR_PER_S_AT_871 * faster * point.dt_s
            if hot_c > MELTS_C:
                blocked = self.shared.exhaust_block_share + BLOCKED_PER_S * point.dt_s
                self.shared.exhaust_block_share = min(0.95, blocked)


def back_pressure_kpa(air_g_s: float, blocked_share: float) -> float:
    """Pressure ahead of the catalyst over ambient: grows with the square of flow over free passage (judgement)."""
    return BACK_PRESSURE_KPA * (air_g_s / 100 / (1 - min(0.98, blocked_share))) ** 2


def geometry_of(condition: Condition) -> CylinderGeometry:
    """Crank geometry with the cam as it stands: a late cam closes the intake valve late."""
    base = CylinderGeometry.of(condition.layout)
    late = condition.shared.cam_late_deg
    return CylinderGeometry(
        base.bore_mm, base.stroke_mm, base.rod_mm, base.compression_ratio, base.intake_closes_deg_abdc + late
    )


def _array(values: Iterable[float]) -> Floats:
    return np.array(list(values), dtype=np.float64)
