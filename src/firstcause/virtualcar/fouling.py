"""What deposits do to a plug's insulator: oil and soot come, heat burns them off, ash stays."""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, log10
from typing import Self

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit

from firstcause.units import MILE_KM
from firstcause.virtualcar.faults import Condition
from firstcause.virtualcar.parts import CLEAN_INSULATION_DECADES, Plug

Floats = NDArray[np.float64]

# Structure and constants of reference 4.9 (judgement there): D += u (0.06 + 0.004 L) x Gamma(4, 1/4) a trip of L miles,
# D *= exp(-0.012 L h), ash += 0.0006 u L; u oil in mg a cycle. Here the same per mile, h = insulator hot or not.
START_GAIN, GAIN_PER_MILE, BURN_PER_MILE, ASH_PER_MILE = 0.06, 0.004, 0.012, 0.0006
SELF_CLEANING_C = 450.0  # lower end of the self-cleaning range, ignition textbooks (from memory)
WET_FOULING_PER_MIN = 0.25  # decades a minute on an oily plug that has stopped firing (judgement: runs away in minutes)
SOOT_PER_MIN, SOOT_BURN_PER_MIN = 0.08, 0.05  # rich mixture on a cool insulator (judgement)
COLD_FILM_DECADES = log10(5.0)  # a cold damp deposit conducts five times better (judgement)
MOST_DECADES = 5.5
INSULATOR_LAG_S = 25.0


def oil_dose_mg(condition: Condition) -> Floats:
    """Oil reaching each chamber, mg a cycle, in number order; crankcase oil goes to all alike."""
    common = condition.shared.crankcase_oil_mg
    return np.array(
        [state.oil_rings_mg + state.oil_stem_mg + common for _, state in sorted(condition.cylinders.items())],
        dtype=np.float64,
    )


def insulator_c(rpm: float, load: float, coolant_c: float = 90.0) -> float:
    """Temperature of a firing plug's insulator nose (judgement): 375 at idle, 450 in town, 580 on the motorway."""
    return 175.0 + coolant_c + 380.0 * load + 0.05 * rpm


@dataclass
class FoulingState:
    """Deposits and marks of all plugs as arrays, one value per cylinder."""

    oil: Floats
    soot: Floats
    ash: Floats
    insulator_c: Floats
    fuel_wet: Floats
    no_fuel: Floats
    lean: Floats
    coolant: Floats
    dose_mg: Floats
    trip_factor: Floats

    @classmethod
    def gather(cls, plugs: list[Plug], dose_mg: Floats, rng: np.random.Generator) -> Self:
        """From the plugs at a start; a start itself adds its share of oil, with the scatter of trips."""
        trip_factor = rng.gamma(4.0, 0.25, len(plugs))
        state = cls(
            oil=np.array([plug.oil_decades for plug in plugs]),
            soot=np.array([plug.carbon_decades for plug in plugs]),
            ash=np.array([plug.ash_decades for plug in plugs]),
            insulator_c=np.full(len(plugs), 60.0),
            fuel_wet=np.array([plug.fuel_wet for plug in plugs]),
            no_fuel=np.array([plug.no_fuel_mark for plug in plugs]),
            lean=np.array([plug.lean_mark for plug in plugs]),
            coolant=np.array([plug.coolant_mark for plug in plugs]),
            dose_mg=dose_mg,
            trip_factor=trip_factor,
        )
        state.oil = np.minimum(state.oil + START_GAIN * dose_mg * trip_factor, MOST_DECADES)
        return state

    def insulation_ohm(self, water_ml: Floats) -> Floats:
        """Resistance across each insulator now; a cold or wet one conducts better."""
        deposit = self.oil + self.soot + self.ash
        cold = expit((150.0 - self.insulator_c) / 25.0)
        lost = deposit + cold * COLD_FILM_DECADES * (deposit > 0.5) + 5.0 * np.minimum(water_ml / 5.0, 1.0)
        return np.asarray(10 ** (CLEAN_INSULATION_DECADES - np.minimum(lost, 6.5)))

    def advance(
        self,
        dt_s: float,
        speed_kmh: float,
        rpm: float,
        load: float,
        lam: Floats,
        misfire_share: Floats,
        water_ml: Floats,
        fuelled: NDArray[np.bool_],
    ) -> None:
        """One step of life. `misfire_share`: failed firings over all, which cools the plug and wets it."""
        if rpm <= 0:
            return
        minutes, fires = dt_s / 60, 1 - misfire_share
        target = 90.0 + (insulator_c(rpm, load) - 90.0) * fires
        self.insulator_c += (target - self.insulator_c) * (1 - exp(-dt_s / INSULATOR_LAG_S))
        # An idling engine goes no distance but its plugs live on: count at least 20 km/h of life (judgement).
        miles = max(speed_kmh, 20.0) / 3600 * dt_s / MILE_KM
        burn = np.where(self.insulator_c > SELF_CLEANING_C, BURN_PER_MILE * miles, 0.0)
        self.oil = self.oil * np.exp(-burn) + GAIN_PER_MILE * miles * self.dose_mg * self.trip_factor
        self.ash = np.minimum(self.ash + ASH_PER_MILE * miles * self.dose_mg, 3.0)
        soot_burn = np.where(self.insulator_c > SELF_CLEANING_C, SOOT_BURN_PER_MIN * minutes, 0.0)
        rich = np.minimum(np.maximum((0.9 - lam) / 0.2, 0.0), 1.5)
        self.soot = np.minimum(self.soot * np.exp(-soot_burn) + rich * SOOT_PER_MIN * minutes, MOST_DECADES)
        self._mark("lean", np.minimum(np.maximum((lam - 1.08) / 0.12, 0.0), 1.0) * (lam < 5), minutes / 15)
        if misfire_share.any() or self.fuel_wet.any() or self.no_fuel.any():
            self._live_without_fire(minutes, misfire_share, fuelled)
        if water_ml.any():
            self.coolant = np.minimum(self.coolant + 0.06 * water_ml * minutes, 1.0)

    def _live_without_fire(self, minutes: float, misfire_share: Floats, fuelled: NDArray[np.bool_]) -> None:
        """A plug that does not fire gets wet with fuel, or stays clean without; an oily one fouls quickly."""
        oily = np.minimum(self.dose_mg / 0.5, 1.0) * np.minimum(np.maximum(self.oil - 2.0, 0.0), 1.0)
        self.oil = np.minimum(self.oil + oily * misfire_share * WET_FOULING_PER_MIN * minutes, MOST_DECADES)
        self._mark("fuel_wet", misfire_share * fuelled, minutes / 3)
        self._mark("no_fuel", misfire_share * ~fuelled, minutes / 5)

    def _mark(self, name: str, level: Floats, share: float) -> None:
        mark = getattr(self, name)
        setattr(self, name, mark + (level - mark) * (1 - exp(-share)))

    def scatter(self, plugs: list[Plug]) -> None:
        """Write deposits and marks back to the plugs."""
        for at, plug in enumerate(plugs):
            plug.oil_decades, plug.carbon_decades = float(self.oil[at]), float(self.soot[at])
            plug.ash_decades, plug.fuel_wet = float(self.ash[at]), float(self.fuel_wet[at])
            plug.no_fuel_mark, plug.lean_mark = float(self.no_fuel[at]), float(self.lean[at])
            plug.coolant_mark = float(self.coolant[at])
