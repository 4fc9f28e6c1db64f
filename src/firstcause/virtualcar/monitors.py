"""Self-checks that run once a driving cycle as state machines: catalyst, oxygen sensors, their heaters, fuel vapour."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal, Protocol

import numpy as np

from firstcause.virtualcar.code_memory import Family
from firstcause.virtualcar.gas import orifice_flow_g_s

State = Literal["waiting", "running", "passed", "failed"]

# Enabling conditions and limits are the maker's; these are judgement unless a paragraph is named.
WARM_C, LIGHT_OFF_C = 70.0, 400.0
CATALYST_S, CATALYST_LEAST_SHARE, CATALYST_SCATTER = 180.0, 0.35, 0.05
SENSOR_S, SENSOR_SLOWEST_S, SENSOR_SOUND_S, SENSOR_SCATTER = 60.0, 1.5, 0.15, 0.10
HEATER_S, HEATER_LEAST_V = 60.0, 10.5
# Fuel vapour: cold start 40-95 F, coolant within 12 F of ambient, 600 s, below 8000 ft: 13 CCR 1968.2(d)(4.3) [M].
EVAP_START_C, EVAP_SOAK_K, EVAP_AFTER_S, EVAP_HIGHEST_M = (4.4, 35.0), 6.7, 600.0, 2438.4
EVAP_TANK = (0.15, 0.85)
EVAP_PULL_S, EVAP_HOLD_S, EVAP_VACUUM_KPA, EVAP_VAPOUR_L = 20.0, 30.0, 2.0, 30.0
EVAP_SMALL_MM, EVAP_LEAK_MM, EVAP_GROSS_MM, EVAP_SCATTER = 0.5, 1.0, 3.0, 0.07  # 0.020 and 0.040 in: (e)(4.2) [M]


@dataclass(frozen=True)
class Moment:
    """What the self-checks look at: the working point as sensed, and what they measure. Tuples: one per bank."""

    dt_s: float
    run_s: float
    rpm: float
    load: float
    speed_kmh: float
    coolant_c: float
    ambient_c: float
    altitude_m: float
    closed_loop: bool
    catalyst_c: tuple[float, ...]
    catalyst_shares: tuple[float, ...]  # per bank
    sensor_slow_s: float
    evap_hole_mm: float
    purge_open_share: float
    tank_share: float
    supply_v: float
    blocked: frozenset[str]  # self-checks that a stored fault forbids


@dataclass(frozen=True)
class Verdict:
    """What a self-check decided: `code` None means fault not present."""

    family: Family
    code: str | None


class SelfCheck(Protocol):
    """One self-check; `step` gives a verdict once, when it has decided."""

    name: str
    family: Family
    state: State

    def restart(self) -> None: ...

    def step(self, now: Moment, rng: np.random.Generator) -> Verdict | None: ...


@dataclass
class _Timed:
    """Runs while its conditions hold, pauses when they do not, decides after so many seconds of running."""

    name: str
    family: Family
    bank: int
    state: State = field(default="waiting", init=False)
    done_s: float = field(default=0.0, init=False)

    needed_s = 0.0

    def restart(self) -> None:
        """A driving cycle begins."""
        self.state, self.done_s = "waiting", 0.0

    def step(self, now: Moment, rng: np.random.Generator) -> Verdict | None:
        if self.state in ("passed", "failed"):
            return None
        if self.family in now.blocked or not self.enabled(now):
            self.state = "waiting"
            return None
        self.state, self.done_s = "running", self.done_s + now.dt_s
        if self.done_s < self.needed_s:
            return None
        code = self.judge(now, rng)
        self.state = "passed" if code is None else "failed"
        return Verdict(self.family, code)

    def enabled(self, now: Moment) -> bool:
        raise NotImplementedError

    def judge(self, now: Moment, rng: np.random.Generator) -> str | None:
        raise NotImplementedError


class CatalystCheck(_Timed):
    """Oxygen storage from how much of the front sensor's swing reaches the rear one; hot catalyst, steady speed."""

    needed_s = CATALYST_S

    def enabled(self, now: Moment) -> bool:
        hot = now.coolant_c >= WARM_C and now.catalyst_c[self.bank] >= LIGHT_OFF_C
        return hot and now.closed_loop and 40 <= now.speed_kmh <= 110 and now.load <= 0.6

    def judge(self, now: Moment, rng: np.random.Generator) -> str | None:
        share = now.catalyst_shares[self.bank] + CATALYST_SCATTER * float(rng.standard_normal())
        return ("P0420", "P0430")[self.bank] if share < CATALYST_LEAST_SHARE else None


class SensorCheck(_Timed):
    """Response of the front oxygen sensor, from its switching in closed loop at moderate speed."""

    needed_s = SENSOR_S

    def enabled(self, now: Moment) -> bool:
        return now.coolant_c >= WARM_C and now.closed_loop and 1200 <= now.rpm <= 3000 and now.speed_kmh > 20

    def judge(self, now: Moment, rng: np.random.Generator) -> str | None:
        response_s = (SENSOR_SOUND_S + now.sensor_slow_s) * (1 + SENSOR_SCATTER * float(rng.standard_normal()))
        return ("P0133", "P0153")[self.bank] if response_s > SENSOR_SLOWEST_S else None


class HeaterCheck(_Timed):
    """Heaters of the oxygen sensors: current within limits at normal voltage. The car has no fault that breaks one."""

    needed_s = HEATER_S

    def enabled(self, now: Moment) -> bool:
        return now.supply_v >= HEATER_LEAST_V

    def judge(self, now: Moment, rng: np.random.Generator) -> str | None:
        return None


class EvapCheck:
    """Fuel-vapour system: purge pulls a little vacuum, the vent shuts, and what comes back tells the hole.

    After a cold start only, once a cycle. The growth of pressure is orifice flow into the vapour space.
    """

    name = "evap"
    family: Family = "evap"

    def __init__(self) -> None:
        self.restart()

    def restart(self) -> None:
        """A driving cycle begins."""
        self.state: State = "waiting"
        self.phase: Literal["waiting", "pulling", "holding"] = "waiting"
        self.phase_s, self.vacuum_kpa = 0.0, 0.0
        self._cold_start: bool | None = None

    def step(self, now: Moment, rng: np.random.Generator) -> Verdict | None:
        if self._cold_start is None:
            low, high = EVAP_START_C
            soaked = abs(now.coolant_c - now.ambient_c) <= EVAP_SOAK_K
            self._cold_start = low <= now.coolant_c <= high and low <= now.ambient_c <= high and soaked
        if self.state in ("passed", "failed") or not self._cold_start:
            return None
        if "evap" in now.blocked or not self._enabled(now):
            self.state, self.phase, self.phase_s, self.vacuum_kpa = "waiting", "waiting", 0.0, 0.0
            return None
        self.state = "running"
        self.phase_s += now.dt_s
        if self.phase == "waiting":
            self.phase, self.phase_s = "pulling", now.dt_s
        if self.phase == "pulling":
            return self._pull(now)
        return self._hold(now, rng)

    def _enabled(self, now: Moment) -> bool:
        steady = 40 <= now.speed_kmh <= 110 and now.closed_loop
        tank = EVAP_TANK[0] <= now.tank_share <= EVAP_TANK[1]
        return now.run_s >= EVAP_AFTER_S and steady and tank and now.altitude_m < EVAP_HIGHEST_M

    def _pull(self, now: Moment) -> Verdict | None:
        if self.phase_s < EVAP_PULL_S:
            return None
        if now.evap_hole_mm >= EVAP_GROSS_MM:
            return self._decide("P0455")
        self.phase, self.phase_s, self.vacuum_kpa = "holding", 0.0, EVAP_VACUUM_KPA
        return None

    def _hold(self, now: Moment, rng: np.random.Generator) -> Verdict | None:
        if self.phase_s < EVAP_HOLD_S:
            return None
        if now.purge_open_share > 0.2:  # vacuum grows although the purge valve is commanded shut
            return self._decide("P0441")
        hole_mm = now.evap_hole_mm * (1 + EVAP_SCATTER * float(rng.standard_normal()))
        self.vacuum_kpa = vacuum_after_kpa(EVAP_VACUUM_KPA, hole_mm, EVAP_HOLD_S)
        small, leak = (vacuum_after_kpa(EVAP_VACUUM_KPA, size, EVAP_HOLD_S) for size in (EVAP_SMALL_MM, EVAP_LEAK_MM))
        return self._decide("P0442" if self.vacuum_kpa < leak else "P0456" if self.vacuum_kpa < small else None)

    def _decide(self, code: str | None) -> Verdict:
        self.state = "passed" if code is None else "failed"
        return Verdict(self.family, code)


def vacuum_after_kpa(vacuum_kpa: float, hole_mm: float, seconds: float) -> float:
    """Vacuum left in the vapour space after a time with a sharp hole open: orifice flow of air into 30 litres."""
    left, steps = vacuum_kpa, 50
    area_mm2 = 0.7 * np.pi / 4 * hole_mm**2
    for _ in range(steps):
        grams = orifice_flow_g_s(area_mm2, 101.325, 101.325 - left, 293.0) * seconds / steps
        left = max(0.0, left - grams / 1000 * 287.05 * 293.0 / (EVAP_VAPOUR_L / 1000) / 1000)
    return left


def self_checks(banks: int) -> tuple[SelfCheck, ...]:
    """All self-checks of a car with so many banks."""
    checks: list[SelfCheck] = []
    for bank in range(banks):
        checks.append(CatalystCheck(f"catalyst-b{bank + 1}", "catalyst", bank))
        checks.append(SensorCheck(f"oxygen-sensor-b{bank + 1}", "oxygen-sensor", bank))
        checks.append(HeaterCheck(f"oxygen-sensor-heater-b{bank + 1}", "oxygen-sensor-heater", bank))
    return (*checks, EvapCheck())


def finished(checks: tuple[SelfCheck, ...]) -> frozenset[str]:
    """Families of which every self-check has decided in this cycle, and the names of those that have."""
    names = {check.name for check in checks if check.state in ("passed", "failed")}
    open_families = {check.family for check in checks if check.name not in names}
    return frozenset(names | {check.family for check in checks} - open_families)
