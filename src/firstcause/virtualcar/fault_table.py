"""Physical faults as a table: which property of which thing changes, and by how much at severity 1."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Literal

from firstcause.virtualcar.parts import PartKind

Holder = Literal["coil", "boot", "plug", "injector", "cylinder", "engine", "joint"]
Size = Callable[[float], float | int | bool]
Rule = Literal["adds", "scales", "at-most", "is"]


@dataclass(frozen=True)
class Change:
    """What a fault does to one property at a severity, and how that meets another fault's change of the same one.

    adds: sizes add up; scales: shares multiply; at-most: the lower limit wins; is: a state, not a size.
    """

    rule: Rule
    size: Size = field(hash=False)


def adds(size: Callable[[float], float]) -> Change:
    return Change("adds", size)


def scales(size: Callable[[float], float]) -> Change:
    return Change("scales", size)


def at_most(size: Callable[[float], float]) -> Change:
    return Change("at-most", size)


def state(value: bool) -> Change:
    return Change("is", lambda _: value)


@dataclass(frozen=True)
class FaultRecipe:
    """One physical fault: where it sits, what it is, and what it changes (severity 1 = the usual case)."""

    id: str
    holder: Holder
    what: str
    changes: Mapping[str, Change] = field(hash=False)

    @property
    def part_kind(self) -> PartKind | None:
        """The kind of part it sits in, or None when it belongs to a place."""
        return self.holder if self.holder not in ("cylinder", "engine", "joint") else None  # type: ignore[return-value]


def _recipe(id: str, holder: Holder, what: str, **changes: Change) -> FaultRecipe:
    return FaultRecipe(id, holder, what, changes)


# Sizes at severity 1: judgement, from the ranges of leak, spark, mixture and oil in the reference notes; none is taken
# from a knowledge file, and none was moved to make a misfire rate come out.
_RECIPES = (
    # cylinder: seals, valves, oil, coolant
    _recipe("exhaust-valve-leak", "cylinder", "exhaust valve burnt, not sealing",
            exhaust_leak_mm2=adds(lambda s: 1.5 * s)),
    _recipe("intake-valve-leak", "cylinder", "intake valve not sealing", intake_leak_mm2=adds(lambda s: 2.0 * s)),
    _recipe("ring-leak", "cylinder", "compression rings worn or stuck", ring_leak_mm2=adds(lambda s: 2.6 * s),
            oil_rings_mg=adds(lambda s: 0.1 * s)),
    _recipe("piston-land-broken", "cylinder", "piston land broken", ring_leak_mm2=adds(lambda s: 6.0 * s),
            oil_rings_mg=adds(lambda s: 0.6 * s)),
    _recipe("valve-guide-worn", "cylinder", "valve guide worn: oil runs down, the valve seats badly",
            oil_stem_mg=adds(lambda s: 0.5 * s), exhaust_leak_mm2=adds(lambda s: 0.35 * s)),
    _recipe("oil-past-rings", "cylinder", "oil-control rings coked: oil comes up",
            oil_rings_mg=adds(lambda s: 1.1 * s)),
    _recipe("stem-seal-leak", "cylinder", "valve stem seal perished: oil runs down",
            oil_stem_mg=adds(lambda s: 0.7 * s)),
    _recipe("coolant-seep", "cylinder", "gasket lets coolant in overnight",
            coolant_seep_ml_night=adds(lambda s: 10.0 * s)),
    _recipe("gasket-to-neighbour", "joint", "head gasket blown to a neighbour",
            gasket_leaks_mm2=adds(lambda s: 2.0 * s)),
    _recipe("rod-bent", "cylinder", "rod bent: piston stands low, nothing leaks",
            height_lost_mm=adds(lambda s: 3.0 * s)),
    _recipe("cam-lobe-worn", "cylinder", "cam lobe or follower worn: the valve hardly opens",
            lift_share=scales(lambda s: max(0.05, 1 - 0.5 * s))),
    _recipe("valve-spring-weak", "cylinder", "valve spring weak: the valve floats at speed",
            floats_above_rpm=at_most(lambda s: 4200.0 / s)),
    _recipe("intake-valve-deposits", "cylinder", "deposits on the intake valve",
            deposit_share=adds(lambda s: 0.30 * s)),
    # cylinder: air, contacts, wires, wells
    _recipe("runner-air-leak", "cylinder", "air beside the intake runner", runner_leak_mm2=adds(lambda s: 2.5 * s)),
    _recipe("connector-intermittent", "cylinder", "coil connector opens when shaken and warm",
            coil_bout_min=at_most(lambda s: 30.0 / s)),
    _recipe("injector-connector-intermittent", "cylinder", "injector connector opens when shaken and warm",
            injector_bout_min=at_most(lambda s: 30.0 / s)),
    _recipe("coil-wire-broken", "cylinder", "wire or driver of the coil dead", coil_fed=state(False)),
    _recipe("injector-wire-broken", "cylinder", "wire or driver of the injector dead", injector_fed=state(False)),
    _recipe("well-wet", "cylinder", "water or oil in the plug well", well_flashover_kv=at_most(lambda s: 11.0 / s)),
    _recipe("plug-loose", "cylinder", "plug not tight in its thread", thread_leak_mm2=adds(lambda s: 1.2 * s)),
    # parts
    _recipe("coil-heat-break", "coil", "winding opens when hot", breaks_above_c=at_most(lambda s: 96.0 - 12.0 * s)),
    _recipe("coil-weak", "coil", "coil gives less energy", energy_fraction=scales(lambda s: max(0.0, 1.0 - 0.90 * s))),
    _recipe("coil-dead", "coil", "coil gives nothing", energy_fraction=scales(lambda s: 0.0),
            winding_ohm=adds(lambda s: 1e6)),
    _recipe("boot-flashover", "boot", "boot tracked: spark goes to ground", flashover_kv=at_most(lambda s: 10.0 / s)),
    _recipe("plug-gap-wide", "plug", "electrodes worn, gap grown", gap_mm=adds(lambda s: 1.8 * s),
            edge_wear=adds(lambda s: min(1.0, s))),
    _recipe("plug-insulator-cracked", "plug", "insulator cracked",
            insulator_flashover_kv=at_most(lambda s: 6.0 / s)),
    _recipe("plug-oil-fouled", "plug", "oil has made the insulator conduct", oil_decades=adds(lambda s: 4.3 * s)),
    _recipe("plug-carbon-fouled", "plug", "soot has made the insulator conduct",
            carbon_decades=adds(lambda s: 4.0 * s)),
    _recipe("injector-restricted", "injector", "passes too little",
            flow_fraction=scales(lambda s: max(0.0, 1 - 0.35 * s))),
    _recipe("injector-dead", "injector", "injector does not open", opens=state(False),
            winding_ohm=adds(lambda s: 1e6)),
    _recipe("injector-leaking", "injector", "injector drips", drip_fraction=adds(lambda s: 0.7 * s)),
    # shared: air, fuel, exhaust, timing, supply
    _recipe("manifold-air-leak", "engine", "hose off behind the air meter", air_leak_mm=adds(lambda s: 3.7 * s)),
    _recipe("crankcase-valve-torn", "engine", "crankcase-ventilation diaphragm torn",
            crankcase_leak_mm=adds(lambda s: 3.7 * s), crankcase_oil_mg=adds(lambda s: 0.15 * s)),
    _recipe("air-meter-low", "engine", "air meter reports too little",
            air_meter_share=scales(lambda s: max(0.3, 1 - 0.22 * s))),
    _recipe("fuel-pressure-low", "engine", "pump or filter gives too little",
            fuel_pressure_fraction=scales(lambda s: max(0.1, 1 - 0.1 * s)),
            fuel_flow_reserve=scales(lambda s: max(0.1, 1 - 0.65 * s))),
    _recipe("fuel-bad", "engine", "water or stale fuel in the tank", bad_fuel_share=adds(lambda s: 0.35 * s)),
    _recipe("purge-valve-open", "engine", "canister purge valve stuck open", purge_open_share=adds(lambda s: s)),
    _recipe("exhaust-return-open", "engine", "recirculation stuck open",
            exhaust_return_share=adds(lambda s: 0.20 * s)),
    _recipe("exhaust-blocked", "engine", "exhaust nearly closed",
            exhaust_block_share=adds(lambda s: min(0.95, 0.85 * s))),
    _recipe("valve-timing-late", "engine", "cam timing late, chain stretched", cam_late_deg=adds(lambda s: 18.0 * s)),
    _recipe("supply-voltage-low", "engine", "charging fault: low voltage",
            supply_v=at_most(lambda s: max(7.0, 14.0 - 6.5 * s))),
    _recipe("ignition-feed-weak", "engine", "feed of coils and injectors loses voltage",
            feed_drop_v=adds(lambda s: 5.0 * s), feed_bout_min=at_most(lambda s: 4.0 / s)),
    # shared: what is watched or felt, not what burns
    _recipe("crank-wheel-not-learned", "engine", "crank wheel changed, segments not learned: counts without a misfire",
            wheel_error_percent=adds(lambda s: 1.2 * s)),
    _recipe("drive-plate-cracked", "engine", "drive plate cracked: crank speed shakes, counts without a misfire",
            flywheel_noise_percent=adds(lambda s: 1.0 * s)),
    _recipe("oxygen-sensor-biased", "engine", "exhaust sensors show too lean",
            sensor_bias_lambda=adds(lambda s: 0.18 * s)),
    _recipe("oxygen-sensor-slow", "engine", "exhaust sensors slow", sensor_slow_s=adds(lambda s: 2.5 * s)),
    _recipe("thermostat-open", "engine", "thermostat stuck open: the engine stays cool",
            thermostat_opens_c=at_most(lambda s: max(30.0, 90.0 - 35.0 * s))),
    _recipe("charge-flap-stuck", "engine", "charge-motion flap stuck: burns badly at low load",
            flap_stuck_share=adds(lambda s: s)),
    _recipe("fuel-vapour-lock", "engine", "fuel boils in the rail after a hot stop",
            vapour_share=adds(lambda s: 0.5 * s)),
    _recipe("catalyst-worn", "engine", "catalyst has lost its oxygen storage",
            catalyst_share=scales(lambda s: max(0.0, 1 - 0.85 * s))),
    _recipe("evap-leak", "engine", "hole in the fuel-vapour system", evap_hole_mm=adds(lambda s: 1.2 * s)),
)  # fmt: skip

RECIPES: Mapping[str, FaultRecipe] = {recipe.id: recipe for recipe in _RECIPES}
