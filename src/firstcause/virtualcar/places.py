"""What belongs to the place, whatever parts sit in it: the physical state of each cylinder and of what all share."""

from __future__ import annotations

from dataclasses import dataclass, field

SOUND_RING_LEAK_MM2 = 0.18  # 78/80 on a 0.040 in tester: a sound engine (reference notes on the tester; judgement)


@dataclass
class CylinderState:
    """One cylinder. Sound values; areas are effective (Cd A)."""

    ring_leak_mm2: float = SOUND_RING_LEAK_MM2
    exhaust_leak_mm2: float = 0.0
    intake_leak_mm2: float = 0.0
    gasket_leaks_mm2: dict[int, float] = field(default_factory=dict)  # to the neighbour of that number
    thread_leak_mm2: float = 0.0  # past a plug that is not tight; gone when a plug is fitted again
    oil_rings_mg: float = 0.03  # oil a cycle past the rings; healthy: from the literature on oil use (from memory)
    oil_stem_mg: float = 0.01
    coolant_seep_ml_night: float = 0.0
    runner_leak_mm2: float = 0.0  # air let in beside this intake runner
    coil_bout_min: float | None = None  # mean time between contact losses of the coil's connector, shaken and warm
    injector_bout_min: float | None = None
    coil_calm_s: float = 0.0  # a contact just unplugged and pushed home again stays quiet this long
    injector_calm_s: float = 0.0
    coil_fed: bool = True  # wire and driver of the coil
    injector_fed: bool = True
    well_flashover_kv: float = 99.0  # a wet or oily plug well
    height_lost_mm: float = 0.0  # a bent rod leaves the piston lower
    lift_share: float = 1.0  # of the charge that a sound cam lobe lets in
    floats_above_rpm: float = 9_000.0  # valve spring: above this speed the valve no longer follows
    deposit_share: float = 0.0  # deposits on the intake valve soak up this share of the fuel when cold

    @property
    def gasket_leak_mm2(self) -> float:
        """To all neighbours together."""
        return sum(self.gasket_leaks_mm2.values())


@dataclass
class SharedState:
    """What all cylinders share."""

    air_leak_mm: float = 0.0  # sharp hole behind the air meter, diameter
    crankcase_leak_mm: float = 0.0  # torn crankcase-ventilation diaphragm, as a hole
    crankcase_oil_mg: float = 0.0  # oil that it carries into the intake, a cycle
    fuel_pressure_fraction: float = 1.0  # at no flow
    fuel_flow_reserve: float = 1.0  # share of the pressure kept at full demand
    exhaust_return_share: float = 0.0  # recirculation valve stuck open, share of charge at idle
    exhaust_block_share: float = 0.0  # share of the exhaust's passage that is blocked
    cam_late_deg: float = 0.0
    supply_v: float = 14.0
    feed_drop_v: float = 0.0  # lost between battery and the coils and injectors; the control unit does not see it
    feed_bout_min: float | None = None  # mean time between short breaks of that feed, shaken and warm
    air_meter_share: float = 1.0  # of the air that the air meter reports
    purge_open_share: float = 0.0  # canister purge valve stuck open
    bad_fuel_share: float = 0.0  # of what is in the tank: water, alcohol or stale fuel
    thermostat_opens_c: float = 90.0
    flap_stuck_share: float = 0.0  # charge-motion flap stuck: share of the motion lost at low load
    vapour_share: float = 0.0  # share of the fuel lost to vapour in the rail after a hot stop
    wheel_error_percent: float = 0.0  # crank wheel not learned: error of one segment
    flywheel_noise_percent: float = 0.0  # cracked drive plate: scatter of the segments
    sensor_bias_lambda: float = 0.0  # what the exhaust sensors show too much
    sensor_slow_s: float = 0.0  # how much slower they have become
    catalyst_share: float = 1.0  # of the oxygen storage that is left, in every bank
    catalyst_lost: tuple[float, ...] = ()  # what heat has taken from it since, by bank
    evap_hole_mm: float = 0.0  # hole in the fuel-vapour system

    def catalyst_left(self, banks: int) -> tuple[float, ...]:
        """Share of the oxygen storage that is left in each bank's catalyst."""
        lost = self.catalyst_lost or (0.0,) * banks
        return tuple(max(0.0, self.catalyst_share - each) for each in lost)
