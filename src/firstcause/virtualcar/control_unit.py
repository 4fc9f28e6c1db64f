"""The engine control unit: watches, counts, stores codes, commands the lamp, and forgets by the published rules."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from firstcause.errors import RequestError
from firstcause.signals import Value
from firstcause.vehicle.layout import EngineLayout
from firstcause.virtualcar.code_memory import CodeMemory, Conditions, Family
from firstcause.virtualcar.engine import Burnt, WorkingPoint, spark_advance_deg
from firstcause.virtualcar.in_use import CycleTally, SelfChecks
from firstcause.virtualcar.misfire_monitor import (
    EMISSION_REVOLUTIONS,
    Counts,
    Detector,
    Exceedance,
    MisfireSettings,
    MisfireWindows,
    codes_for,
    is_monitored,
)
from firstcause.virtualcar.monitors import Moment, finished, self_checks
from firstcause.virtualcar.trims import CLOSED_ABOVE_C, CLOSED_AFTER_S, FuelTrim

Lamp = Literal["off", "on", "blinking"]
Data = dict[int, tuple[Value | None, ...]]
EWMA_NEW = 0.1  # $06 test 0B: new = 0.1 this cycle + 0.9 before; SAE J1979 [M]
COUNT_MOST = 0xFFFF
LEAN_PERCENT, RICH_PERCENT, FUEL_SECONDS = 20.0, -20.0, 30.0  # fuel system monitor: judgement
CIRCUIT_SECONDS = 5.0  # a bad circuit shows after this long: judgement
LOW_SUPPLY_V, CAM_LATE_DEG, COOL_AFTER_S, COOL_BELOW_C = 10.5, 10.0, 1500.0, 75.0  # when it says so: judgement
LONGEST_CYCLE_S = 4 * 3600.0
WARM_C = 70.0  # warm-up status for similar conditions: judgement
FREEZE_PIDS = (0x03, 0x04, 0x05, 0x06, 0x07, 0x08, 0x09, 0x0B, 0x0C, 0x0D, 0x11, 0x1F)  # (g)(4.3) [M]


class EraseRefused(RequestError):
    """The unit will not erase while the engine runs."""

    def __init__(self) -> None:
        super().__init__(
            "The control unit refused to erase because the engine is running. Nothing was erased; "
            "stop the engine, key on, and ask again."
        )


@dataclass(frozen=True)
class Circuits:
    """What the unit can feel on its wires and sensors, beside crank, air and exhaust. Tuples: one per cylinder."""

    open_injectors: tuple[bool, ...] = ()
    open_coils: tuple[bool, ...] = ()
    supply_v: float = 14.0
    cam_late_deg: float = 0.0
    sensor_slow_s: float = 0.0
    catalyst_shares: tuple[float, ...] = (1.0, 1.0)  # per bank
    evap_hole_mm: float = 0.0
    purge_open_share: float = 0.0
    tank_share: float = 0.5


SOUND_CIRCUITS = Circuits()


@dataclass
class SinceErase:
    """What the unit counts since codes were erased, and with the lamp on."""

    warm_ups: int = 0
    km: float = 0.0
    minutes: float = 0.0
    lamp_km: float = 0.0
    lamp_minutes: float = 0.0


@dataclass
class Seen:
    """The last moment the unit saw: what $01 answers from."""

    point: WorkingPoint
    manifold_kpa: float = 101.325
    air_g_s: float = 0.0
    catalyst_c: tuple[float, ...] = (20.0,)
    altitude_m: float = 0.0
    run_s: float = 0.0
    trims_percent: tuple[tuple[float, float], ...] = ()  # short and long, per bank
    supply_v: float = 13.9
    fuelling: str = "open loop, engine cold"


@dataclass
class ControlUnit:
    """One engine control unit. `rng` gives the detector its noise; everything else follows the published rules."""

    layout: EngineLayout
    rng: np.random.Generator
    settings: MisfireSettings = field(default_factory=MisfireSettings)
    memory: CodeMemory = field(default_factory=CodeMemory)
    since: SinceErase = field(default_factory=SinceErase)
    running: bool = False
    odometer_km: float = 0.0

    def __post_init__(self) -> None:
        self.detector = Detector(self.layout)
        self.windows = MisfireWindows(self.layout.count, self.settings)
        self.checks = SelfChecks(banks=len(self.layout.banks))
        self.tally = CycleTally()
        self.monitors = self_checks(len(self.layout.banks))
        self.trims = tuple(FuelTrim() for _ in self.layout.banks)
        self.average_counts = np.zeros(self.layout.count)
        self.last_counts = np.zeros(self.layout.count, np.int64)
        self.seen = Seen(WorkingPoint(1.0, 0.0, 0.0, 0.0, 20.0, 20.0))
        self._refresh_fuelling()
        self._last_misfire = self.seen
        self._cycle_open = False
        self._reset_cycle_watch()

    def _reset_cycle_watch(self) -> None:
        self._exceeded = {"catalyst": 0, "emission": 0}
        self._blame = np.zeros(self.layout.count, np.int64)
        self._catalyst_alarm = False
        self._off_mixture_s = [0.0 for _ in self.layout.banks]
        self._wrong_s: dict[str, float] = {}

    def remember_use(self, mileage_km: float) -> None:
        """Give the unit the past of a car in use: counters of so many km, no code erased for half of its life.

        A start each 11 km, two in three long enough to count (judgement).
        """
        self.checks.give_past(starts=round(mileage_km / 11), counted=round(mileage_km / 17))
        km = mileage_km / 2
        self.since = SinceErase(warm_ups=min(255, round(km / 15)), km=km, minutes=km / 35 * 60)
        self.start()
        self.stop()

    # ---- key and engine -----------------------------------------------------------------------------------------

    def start(self) -> None:
        """Engine start: closes the driving cycle before it (which lasts to the next start, 1968.2(c) [M])."""
        if self._cycle_open:
            self._close_cycle()
        self._cycle_open, self.running = True, True
        self.tally = CycleTally()
        self._begin_cycle()

    def _begin_cycle(self) -> None:
        self.windows.start_cycle()
        self.checks.start_cycle()
        for monitor in self.monitors:
            monitor.restart()
        self._reset_cycle_watch()

    def stop(self) -> None:
        """Engine off; the driving cycle stays open until the next start, permanent memory is written now."""
        if not self.running:
            return
        self.running = False
        self.memory.power_down()
        self.stand(self.seen.point.coolant_c, self.seen.point.ambient_c)

    def stand(self, coolant_c: float, ambient_c: float) -> None:
        """The engine stands: what the sensors show now."""
        self.seen = Seen(WorkingPoint(1.0, 0.0, 0.0, 0.0, coolant_c, ambient_c), altitude_m=self.seen.altitude_m)
        self._refresh_fuelling()

    def _close_cycle(self) -> None:
        counts = np.minimum(self.windows.this_cycle, COUNT_MOST)
        self.average_counts = EWMA_NEW * counts + (1 - EWMA_NEW) * self.average_counts
        self.last_counts = counts
        if self.tally.warm_up:
            self.since.warm_ups = min(255, self.since.warm_ups + 1)
        self.memory.close_cycle(warm_up=self.tally.warm_up, minimum_drive=self.tally.minimum_drive)

    def erase(self) -> None:
        """A tool's $04; raises EraseRefused while the engine runs (answer 7F 04 22). What it wipes: SAE J1979 [M]."""
        if self.running:
            raise EraseRefused
        self.memory.erase()
        self.checks.erase()
        self.average_counts = np.zeros(self.layout.count)
        self.last_counts = np.zeros(self.layout.count, np.int64)
        self.windows.start_cycle()
        for monitor in self.monitors:
            monitor.restart()
        self.since, self.tally = SinceErase(), CycleTally()  # what was driven before an erase proves nothing after it
        self._reset_cycle_watch()

    # ---- watching -----------------------------------------------------------------------------------------------

    def observe(self, point: WorkingPoint, burnt: Burnt, circuits: Circuits = SOUND_CIRCUITS) -> Counts:
        """One step of a running engine; returns the misfires counted in it, per cylinder."""
        self.seen = Seen(point, burnt.manifold_kpa, burnt.air_g_s, burnt.catalyst_c, self.seen.altitude_m)
        self.seen.supply_v = circuits.supply_v - 0.1
        dt = point.dt_s
        pedal = point.load > 0.35 or point.speed_kmh > 1
        self.tally.add(dt, point.speed_kmh, pedal, point.coolant_c, point.ambient_c, self.seen.altitude_m)
        km = point.speed_kmh * dt / 3600
        self.odometer_km += km
        self.since.km += km
        self.since.minutes += dt / 60
        if self.memory.lamp_commanded:
            self.since.lamp_km += km
            self.since.lamp_minutes += dt / 60
        now = self._conditions(point)
        self._watch_fuel(point, burnt, now)
        self._watch_circuits(dt, circuits)
        counted = self._watch_misfire(point, burnt, now)
        self.memory.note_conditions(now)
        self._run_monitors(point, burnt, circuits)
        done = self._done()
        self.checks.update(self.tally, done, self._blocked(), self._unsettled())
        if "misfire" in done:
            self.memory.passed("misfire")
            self.memory.passed("general")
        if self.tally.run_s >= LONGEST_CYCLE_S:  # running on and on: a further cycle, 1968.2(c) as later amended [M]
            self._close_cycle()
            self.tally = CycleTally()
            self._begin_cycle()
        return counted

    def _run_monitors(self, point: WorkingPoint, burnt: Burnt, circuits: Circuits) -> None:
        """The once-a-cycle self-checks: each runs when its conditions allow it, and decides once."""
        now = Moment(
            dt_s=point.dt_s, run_s=self.tally.run_s, rpm=point.rpm, load=point.load, speed_kmh=point.speed_kmh,
            coolant_c=point.coolant_c, ambient_c=point.ambient_c, altitude_m=self.seen.altitude_m,
            closed_loop=self._closed_loop(point), catalyst_c=burnt.catalyst_c, catalyst_shares=circuits.catalyst_shares,
            sensor_slow_s=circuits.sensor_slow_s, evap_hole_mm=circuits.evap_hole_mm,
            purge_open_share=circuits.purge_open_share, tank_share=circuits.tank_share, supply_v=circuits.supply_v,
            blocked=self._blocked(),
        )  # fmt: skip
        for monitor in self.monitors:
            verdict = monitor.step(now, self.rng)
            if verdict is None:
                continue
            if verdict.code is not None:
                self.memory.detect(verdict.code, verdict.family, None, self._frame(verdict.family, self.seen))
            elif monitor.family in finished(self.monitors):
                self.memory.passed(verdict.family)

    def _blocked(self) -> frozenset[str]:
        """Self-checks that must wait while misfire, fuel or sensor faults are stored: common practice, no source."""
        stored = {code.family for code in self.memory.codes.values() if code.pending or code.commands_lamp}
        blocked: set[str] = set()
        if stored & {"misfire", "fuel", "oxygen-sensor"}:
            blocked |= {"catalyst", "evap"}
        if stored & {"misfire", "fuel"}:
            blocked.add("oxygen-sensor")
        return frozenset(blocked)

    def _unsettled(self) -> frozenset[str]:
        """Self-checks, by their name in readiness, whose finding the lamp's rule has not settled yet."""
        return frozenset("fuel-system" if each == "fuel" else each for each in self.memory.unsettled_families)

    @staticmethod
    def _conditions(point: WorkingPoint) -> Conditions:
        return Conditions(point.rpm, 100 * min(point.load, 1.0), point.coolant_c >= WARM_C)

    def _done(self) -> frozenset[str]:
        """Everything that has decided in this cycle."""
        return self._continuous_done() | finished(self.monitors)

    def _continuous_done(self) -> frozenset[str]:
        """Continuous monitors that have decided in this cycle: misfire after 1000 revolutions, fuel after 90 s."""
        done = set()
        if self.windows.since_start >= EMISSION_REVOLUTIONS:
            done.add("misfire")
        if self.tally.run_s >= CLOSED_AFTER_S + 60 and self.seen.point.coolant_c > CLOSED_ABOVE_C:
            done.add("fuel-system")
        return frozenset(done)

    def _watch_misfire(self, point: WorkingPoint, burnt: Burnt, now: Conditions) -> Counts:
        if point.fuel_cut:
            self.detector.settle()
        counted = self.detector.counted(burnt.segments, point.rpm, burnt.manifold_kpa)
        if point.fuel_cut or not is_monitored(point.rpm, point.load):
            return np.zeros(self.layout.count, np.int64)
        if counted.any():
            self._last_misfire = self.seen
        exceeded = self.windows.add(point.rpm / 60 * point.dt_s, counted, point.rpm, 100 * min(point.load, 1.0))
        for exceedance in exceeded:
            self._exceedance(exceedance, now)
        return counted

    def _exceedance(self, exceedance: Exceedance, now: Conditions) -> None:
        """When exceedances are enough: (e)(3.4.1)(A)(i) [R 1], (3.4.2)(A) and (B) [M]."""
        where = replace(now, rpm=exceedance.rpm, load_percent=exceedance.load_percent)
        self._blame = self._blame + np.array(exceedance.by_cylinder)
        settings = self.settings
        if exceedance.level == "catalyst":
            self._exceeded["catalyst"] += 1
            pending = any(code.family == "misfire" and code.pending for code in self.memory.codes.values())
            enough = (
                pending  # exceeded again with a pending code stored: once is enough, (e)(3.4.1)(B) [M]
                or not exceedance.in_certified_region
                or self._exceeded["catalyst"] >= settings.catalyst_exceedances
            )
            if enough:
                self._catalyst_alarm = True
                self._store_misfire(where, catalyst=True, at_start=exceedance.in_first_1000)
            return
        if exceedance.in_first_1000:
            self._store_misfire(where, catalyst=False, at_start=True)
            return
        self._exceeded["emission"] += 1
        if self._exceeded["emission"] >= settings.emission_exceedances:
            self._store_misfire(where, catalyst=False, at_start=False)

    def _store_misfire(self, where: Conditions, *, catalyst: bool, at_start: bool) -> None:
        codes = codes_for(self._blame)
        if at_start and self.settings.first_code:
            codes = (*codes, "P0316")
        frame = self._frame("misfire", self._last_misfire)  # of the last one before the window closed: judgement
        for code in codes:
            self.memory.detect(code, "misfire", where, frame, catalyst=catalyst, at_start=at_start)

    def _watch_fuel(self, point: WorkingPoint, burnt: Burnt, now: Conditions) -> None:
        closed = self._closed_loop(point)
        for at, trim in enumerate(self.trims):
            trim.follow(point.dt_s, burnt.sensor_lambda[at], closed)
        self._refresh_fuelling()
        for at, trim in enumerate(self.trims):
            total = trim.total_percent
            off = closed and (total > LEAN_PERCENT or total < RICH_PERCENT)
            self._off_mixture_s[at] = self._off_mixture_s[at] + point.dt_s if off else 0.0
            if self._off_mixture_s[at] >= FUEL_SECONDS:
                lean, rich = ("P0171", "P0172") if at == 0 else ("P0174", "P0175")
                self.memory.detect(lean if total > 0 else rich, "fuel", now, self._frame("fuel", self.seen))
        if "fuel-system" in self._continuous_done():
            self.memory.passed("fuel")

    def _watch_circuits(self, dt_s: float, circuits: Circuits) -> None:
        """Comprehensive components: what is wrong for some seconds on end is detected. Code numbers SAE J2012 [M]."""
        wrong = [
            *(f"P02{at + 1:02d}" for at, is_open in enumerate(circuits.open_injectors) if is_open),
            *(f"P03{at + 51}" for at, is_open in enumerate(circuits.open_coils) if is_open),
            *(["P0562"] if circuits.supply_v < LOW_SUPPLY_V else []),
            *(["P0016"] if circuits.cam_late_deg > CAM_LATE_DEG else []),
            *(["P0128"] if self.tally.run_s > COOL_AFTER_S and self.seen.point.coolant_c < COOL_BELOW_C else []),
        ]
        self._wrong_s = {code: self._wrong_s.get(code, 0.0) + dt_s for code in wrong}
        for code, seconds in self._wrong_s.items():
            if seconds >= CIRCUIT_SECONDS:
                self.memory.detect(code, "general", None, self._frame("general", self.seen))

    def _closed_loop(self, point: WorkingPoint) -> bool:
        warm = point.coolant_c > CLOSED_ABOVE_C and self.tally.run_s > CLOSED_AFTER_S
        return warm and not point.fuel_cut and point.load < 0.85

    def _refresh_fuelling(self) -> None:
        """Bring the fuel side of the last moment up to date."""
        seen = self.seen
        seen.run_s, seen.fuelling = self.tally.run_s, self._fuel_system_word(seen.point)
        seen.trims_percent = tuple((trim.short_percent, trim.long_percent[trim.region]) for trim in self.trims)

    def _fuel_system_word(self, point: WorkingPoint) -> str:
        if self.running and self._closed_loop(point):
            return "closed loop"
        cold = point.coolant_c <= CLOSED_ABOVE_C or not self.running
        return "open loop, engine cold" if cold else "open loop, load or deceleration"

    # ---- what it says -------------------------------------------------------------------------------------------

    @property
    def lamp(self) -> Lamp:
        """Blinks once a second while catalyst-damaging misfire occurs, else on or off: (e)(3.4.1)(A)(ii) [R 1]."""
        if self.running and self._catalyst_alarm:
            percent = self.windows.last_catalyst_percent
            point = self.seen.point
            level = self.settings.catalyst_level_percent(point.rpm, 100 * point.load)
            if percent is not None and percent >= level:
                return "blinking"
        return "on" if self.memory.lamp_commanded else "off"

    @property
    def counts_this_cycle(self) -> Counts:
        """Misfires per cylinder counted in this driving cycle ($06 test 0C)."""
        return np.minimum(self.windows.this_cycle, COUNT_MOST)

    def _frame(self, family: Family, seen: Seen) -> Data:
        """The freeze frame of a moment, for a detection of this family; empty where memory would not keep it."""
        if not self.memory.wants_frame(family):
            return {}
        data = self.data(seen)
        return {pid: data[pid] for pid in FREEZE_PIDS if pid in data}

    def codes(self, status: Literal["confirmed", "pending", "permanent"]) -> tuple[str, ...]:
        return self.memory.of(status)

    def family_of(self, code: str) -> Family | None:
        """The monitor family of a stored code, or None when it is not stored."""
        stored = self.memory.codes.get(code)
        return stored.family if stored else None

    def data(self, seen: Seen | None = None) -> Data:
        """Live data ($01), of now or of a moment seen before: PID to field values, ready for `signals`' encoders."""
        seen = seen or self.seen
        point, trims, fuelling = seen.point, seen.trims_percent, seen.fuelling
        load_percent = 100 * min(point.load, 1.0)
        lamp_on = self.lamp != "off"
        confirmed = len(self.memory.of("confirmed"))
        data: Data = {
            0x01: (self.checks.readiness(lamp_on, confirmed),),
            0x03: (fuelling, fuelling if len(trims) > 1 else "not reported"),
            0x04: (load_percent,),
            0x05: (point.coolant_c,),
            0x06: (trims[0][0],),
            0x07: (trims[0][1],),
            0x0B: (min(255.0, seen.manifold_kpa),),
            0x0C: (point.rpm,),
            0x0D: (point.speed_kmh,),
            0x0E: (spark_advance_deg(point.rpm, point.load) if point.rpm else 0.0,),
            0x0F: (min(60.0, point.ambient_c + 15.0),),
            0x11: (12.0 + 0.75 * load_percent,),
            0x1C: ("OBD II (California)",),
            0x1F: (min(65535.0, seen.run_s),),
            0x21: (min(65535.0, self.since.lamp_km),),
            0x30: (float(self.since.warm_ups),),
            0x31: (min(65535.0, self.since.km),),
            0x33: (101.0,),
            0x3C: (max(-40.0, seen.catalyst_c[0]),),
            0x41: (self.checks.readiness_this_cycle(self._done()),),
            0x42: (seen.supply_v if self.running else 12.4,),
            0x46: (point.ambient_c,),
            0x4D: (min(65535.0, self.since.lamp_minutes),),
            0x4E: (min(65535.0, self.since.minutes),),
            0x51: ("petrol",),
            0xA6: (self.odometer_km,),
        }
        if self.layout.metering == "air-flow-meter":
            data[0x10] = (seen.air_g_s,)
        if len(trims) > 1:
            data[0x08], data[0x09] = (trims[1][0],), (trims[1][1],)
            data[0x3D] = (max(-40.0, seen.catalyst_c[-1]),)
        return data
