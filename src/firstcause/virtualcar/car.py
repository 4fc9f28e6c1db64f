"""The virtual car: build it, drive it, put it in the workshop, take parts out, and ask it questions."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import RequestError
from firstcause.vehicle.layout import EngineLayout
from firstcause.virtualcar import drive as drives
from firstcause.virtualcar import instruments
from firstcause.virtualcar.control_unit import Circuits, ControlUnit, Lamp
from firstcause.virtualcar.drive import DriveProfile, DriveRecord
from firstcause.virtualcar.engine import Burnt, Heat, RunningEngine, WorkingPoint
from firstcause.virtualcar.faults import Condition, Trouble, UnknownFault, recipe_of
from firstcause.virtualcar.fouling import oil_dose_mg
from firstcause.virtualcar.instruments import TESTS
from firstcause.virtualcar.misfire_monitor import MisfireSettings
from firstcause.virtualcar.parts import Coil, Fitments, Injector, Part, PartKind, Plug, dead_on_arrival
from firstcause.virtualcar.workshop import Finding, Workshop

EngineState = Literal["off", "key-on", "running"]
Fault = tuple[str, int | None, float] | Trouble
WEAR_GAP_MM_PER_1000_KM = 0.004  # plug erosion: judgement
CALM_MEAN_S = 3600.0  # a contact pushed home stays quiet for about an hour of running: judgement
WATER_STAYS_ML = 12.0
SPEED_SCATTER, SPEED_SCATTER_MISFIRING = 0.005, 0.03  # of engine speed, one standard deviation (judgement)
MG_BETWEEN_MARKS = 870_000.0  # one litre of oil at 870 g/l: common practice, no source
TANK_L, LITRES_PER_KM, HOT_SOAK_C, HOT_SOAK_H = 55.0, 0.085, 80.0, (0.1, 2.0)  # a middling car; judgement
OPEN_OHM, SETTLING_STEPS = 1e3, 6
SURELY_TURNS_V, SURELY_TURNS_C = 11.0, 0.0  # beyond both no starter need be worked out: computed, see the tests


class EngineNotReady(RequestError):
    """The engine is not in the state that this act needs."""

    def __init__(self, act: str, needs: EngineState, state: EngineState) -> None:
        self.act, self.needs, self.state = act, needs, state
        super().__init__(f"{act} needs the engine {needs}; it is {state}. Nothing was done; change that and try again.")


class DoesNotStart(RequestError):
    """The starter does not turn the engine over fast enough."""

    def __init__(self, battery_v: float, rpm: float) -> None:
        self.battery_v, self.rpm = battery_v, rpm
        super().__init__(
            f"The engine does not start: the battery ({battery_v:.1f} V at rest) turns it over with {rpm:.0f} rpm. "
            "Connect a booster, or mend what drained the battery."
        )


@dataclass(frozen=True)
class Ownership:
    """What happened while the owner used the car: distance, trips, the lamp at the end, and whether it still runs."""

    km: float
    trips: int
    lamp: Lamp
    stranded: bool = False


class VirtualCar:
    """One car. All chance comes from its seed: the same seed and the same acts give the same car, day and bytes.

    Public acts hold `lock`, so that a bus thread may ask while the owner of the object drives.
    """

    def __init__(
        self,
        layout: EngineLayout,
        vin: str,
        mileage_km: float,
        rng: np.random.Generator,
        settings: MisfireSettings | None = None,
        name: str = "",
    ):
        self.layout, self.vin, self.name = layout, vin, name
        self.rng = rng
        self.lock = threading.RLock()
        self.condition = Condition.sound(layout)
        self.unit = ControlUnit(layout, np.random.default_rng(rng.integers(2**63)), settings or MisfireSettings())
        self.unit.odometer_km = mileage_km
        self._sensor_rng = np.random.default_rng(rng.integers(2**63))
        self.workshop = Workshop(self.condition, np.random.default_rng(rng.integers(2**63)))
        self.ambient_c, self.coolant_c = 18.0, 18.0
        self.oil_level_share, self.coolant_level_share = 1.0, 1.0
        n = layout.count
        self.heat = Heat(
            coil_c=np.full(n, 18.0), seat=rng.standard_normal(n) * 0.15, water_ml=np.zeros(n),
            catalyst_c=np.full(len(layout.banks), 18.0),
        )  # fmt: skip
        self.tank_share = 0.5
        self.unplugged: set[int] = set()  # cylinders whose injector is unplugged
        self._engine: RunningEngine | None = None
        self._key_on = False
        self._felt: Circuits | None = None
        self._run_km = self._run_cycles = 0.0

    @classmethod
    def build(
        cls,
        layout: EngineLayout,
        vin: str,
        mileage_km: float,
        faults: Sequence[Fault] = (),
        seed: int = 0,
        *,
        plug_age_km: float = 30_000.0,
        settings: MisfireSettings | None = None,
        name: str = "",
    ) -> VirtualCar:
        """A car with a history: parts with mileage and ordinary scatter, and these faults, in any combination.

        A fault is (fault id, cylinder, severity), or a Trouble when it has its onset later or grows. Engine-wide
        faults name cylinder None. Raises UnknownFault, or RequestError for a cylinder it does not have.
        """
        rng = np.random.default_rng(seed)
        car = cls(layout, vin, mileage_km, rng, settings, name)
        for (kind, _), part in car.condition.fitments.fitted.items():
            part.km = plug_age_km if kind == "plug" else mileage_km
            _scatter(part, rng)
        for state in car.condition.cylinders.values():
            state.ring_leak_mm2 *= float(rng.lognormal(0.0, 0.12))
        for fault in faults:
            car.condition.order(fault if isinstance(fault, Trouble) else Trouble(*fault), mileage_km)
        car.unit.remember_use(mileage_km)
        return car

    # ---- key and engine -----------------------------------------------------------------------------------------

    @property
    def engine_state(self) -> EngineState:
        if self._engine is not None:
            return "running"
        return "key-on" if self._key_on else "off"

    @property
    def engine_off(self) -> bool:
        return self._engine is None

    def key_on(self) -> None:
        """Key on, engine off."""
        self._key_on = True

    def key_off(self) -> None:
        """Engine and key off."""
        self.stop()
        self._key_on = False

    def start(self, *, boosted: bool = False) -> None:
        """Start the engine, `boosted` with a good battery beside its own; does nothing when it runs.

        Raises DoesNotStart where the starter cannot turn it over.
        """
        with self.lock:
            if self._engine is not None:
                return
            self._key_on, self._felt = True, None
            self.condition.grow(self.odometer_km)
            if not boosted:
                self._turn_over()
            self._engine = RunningEngine(self.condition, self.rng, heat=self.heat, unplugged=frozenset(self.unplugged))
            self.unit.start()

    def _turn_over(self) -> None:
        battery_v = self.workshop.battery_v()
        if battery_v >= SURELY_TURNS_V and self.coolant_c >= SURELY_TURNS_C:
            return
        record = self.workshop.crank(battery_v, self.coolant_c)
        if not record.turns_over:
            raise DoesNotStart(battery_v, record.mean_rpm)

    def stop(self) -> None:
        """Stop the engine, key stays on; does nothing when it stands."""
        with self.lock:
            if self._engine is None:
                return
            self._engine.stop()
            self._engine = None
            self._wear()
            self.unit.stop()

    def soak(self, hours: float) -> None:
        """Let the car stand with the engine off: it cools, and what seeps, seeps."""
        with self.lock:
            self._require("Standing", "off")
            heat = self.heat
            heat.hot_stop = self.coolant_c >= HOT_SOAK_C and HOT_SOAK_H[0] <= hours <= HOT_SOAK_H[1]
            soaked_c = np.maximum(heat.coil_c, 0.95 * self.coolant_c)  # a hot engine heats its coils when it stops
            heat.coil_c = self.ambient_c + (soaked_c - self.ambient_c) * np.exp(-hours)
            heat.catalyst_c = self.ambient_c + (heat.catalyst_c - self.ambient_c) * np.exp(-2 * hours)
            self.coolant_c = drives.cool_down_c(self.coolant_c, self.ambient_c, hours)
            seep = np.array([self.condition.cylinders[n].coolant_seep_ml_night for n in self.layout.cylinders])
            came_ml = seep * min(hours / 10.0, 1.5)
            heat.water_ml = np.minimum(heat.water_ml + came_ml, WATER_STAYS_ML)
            self.coolant_level_share = max(0.0, self.coolant_level_share - float(came_ml.sum()) / 1000.0)
            self.unit.stand(self.coolant_c, self.ambient_c)

    # ---- driving ------------------------------------------------------------------------------------------------

    def drive(
        self,
        profile: DriveProfile | str,
        *,
        minutes: float | None = None,
        step_s: float = 0.5,
        stop_after: bool = True,
        boosted: bool = False,
        progress: Callable[[float], None] | None = None,
    ) -> DriveRecord:
        """Drive a profile or a named drive (see drive.named_drive) and return its log; starts the engine if needed.

        An engine that lacks too much work stalls: the log ends there and says so. Raises DoesNotStart as `start`.

        `progress` is called with the share done, about once per simulated minute.
        """
        if isinstance(profile, str):
            profile = drives.named_drive(profile, step_s, minutes)
        with self.lock:
            self.start(boosted=boosted)
            recorder = _Recorder(self.layout)
            told = 0.0
            for time_s, point in self._points(profile):
                self._step(time_s, point, recorder)
                if self._engine is None:  # it has stalled
                    break
                if progress is not None and time_s - told >= 60:
                    told = time_s
                    progress(time_s / profile.length_s)
            stalled = self._engine is None
            if stop_after:
                self.stop()
            return recorder.log(stalled)

    def idle(self, minutes: float, step_s: float = 0.5, *, boosted: bool = False) -> DriveRecord:
        """Let the engine idle; it keeps running afterwards."""
        return self.drive("idle", minutes=minutes, step_s=step_s, stop_after=False, boosted=boosted)

    def own(
        self,
        km: float,
        drive_name: str = "mixed",
        *,
        until_lamp: bool = False,
        soak_hours: float = 8.0,
        step_s: float = 10.0,
        progress: Callable[[float], None] | None = None,
    ) -> Ownership:
        """Let the owner use the car: one named drive after another, with a stand between, in coarse steps.

        The physics is the same as in `drive`; only the steps are longer. With `until_lamp` it ends when the lamp is
        on or blinking at the end of a trip; it ends anyway where the engine dies or does not start.
        """
        with self.lock:
            begun, trips, stranded = self.odometer_km, 0, False
            profile = drives.named_drive(drive_name, step_s)
            while self.odometer_km - begun < km:
                self.key_off()
                self.soak(soak_hours if trips % 2 == 0 else 0.5)
                try:
                    stranded = self.drive(profile).stalled
                except DoesNotStart:
                    stranded = True
                trips += 1
                if stranded:
                    break
                if progress is not None:
                    progress(min(1.0, (self.odometer_km - begun) / km))
                if until_lamp and self.lamp != "off":
                    break
            self.key_off()
            return Ownership(self.odometer_km - begun, trips, self.lamp, stranded)

    def _points(self, profile: DriveProfile) -> Iterator[tuple[float, WorkingPoint]]:
        opens_c = self.condition.shared.thermostat_opens_c
        return drives.working_points(profile, self.layout, self.coolant_c, self.ambient_c, opens_c)

    def _step(self, time_s: float, point: WorkingPoint, recorder: _Recorder | None) -> None:
        engine, unit = self._engine, self.unit
        assert engine is not None
        point = engine.governed(point)
        trims = np.zeros(self.layout.count)
        for bank, trim in zip(engine.banks, unit.trims, strict=True):
            trims[bank] = trim.command(point.rpm, 100 * point.load)
        burnt = engine.step(point, trims)
        if point.speed_kmh < 3:
            self.workshop.idle, self.workshop.idle_rpm = burnt, point.rpm
        point = self._as_sensed(point, burnt)
        counted = unit.observe(point, burnt, self._circuits())
        opens_c = self.condition.shared.thermostat_opens_c
        self.coolant_c = drives.warm_up_c(point.coolant_c, point.dt_s, point.rpm, point.load, opens_c)
        self._run_km += point.speed_kmh * point.dt_s / 3600
        self._run_cycles += point.rpm / 120 * point.dt_s
        if recorder is not None:
            recorder.add(time_s, point, counted, burnt.events, burnt.misfires, unit)
        if engine.stalled:
            self.stop()

    def _as_sensed(self, point: WorkingPoint, burnt: Burnt) -> WorkingPoint:
        """The working point as the sensors give it: speed scatters from firing to firing, more when firings fail."""
        events = int(burnt.events.sum())
        failed = int(burnt.misfires.sum()) / events if events else 0.0
        scatter = SPEED_SCATTER + SPEED_SCATTER_MISFIRING * min(1.0, failed * 4)
        rpm = point.rpm * (1 + scatter * float(self._sensor_rng.standard_normal()))
        return replace(point, rpm=max(0.0, rpm))

    def _circuits(self) -> Circuits:
        """What the control unit can feel on its wires; made once a running period, since parts do not move in it."""
        if self._felt is None:
            condition, shared = self.condition, self.condition.shared
            states, fitments = condition.cylinders, self.fitments
            self._felt = Circuits(
                open_injectors=tuple(
                    number in self.unplugged
                    or not states[number].injector_fed
                    or fitments.injector(number).winding_ohm >= OPEN_OHM
                    for number in self.layout.cylinders
                ),
                open_coils=tuple(
                    not states[number].coil_fed or fitments.coil(number).winding_ohm >= OPEN_OHM
                    for number in self.layout.cylinders
                ),
                supply_v=shared.supply_v,
                cam_late_deg=shared.cam_late_deg,
                sensor_slow_s=shared.sensor_slow_s,
                catalyst_shares=shared.catalyst_left(len(self.layout.banks)),
                evap_hole_mm=shared.evap_hole_mm,
                purge_open_share=shared.purge_open_share,
                tank_share=self.tank_share,
            )
        return self._felt

    def _wear(self) -> None:
        """What a running period took from the parts and the oil."""
        for part in self.fitments.fitted.values():
            part.km += self._run_km
            if isinstance(part, Plug):
                part.gap_mm += WEAR_GAP_MM_PER_1000_KM * self._run_km / 1000
        burnt_mg = float(oil_dose_mg(self.condition).sum()) * self._run_cycles
        self.oil_level_share = max(0.0, self.oil_level_share - burnt_mg / MG_BETWEEN_MARKS)
        self.tank_share = max(0.02, self.tank_share - LITRES_PER_KM * self._run_km / TANK_L)
        self._run_km = self._run_cycles = 0.0

    # ---- the workshop -------------------------------------------------------------------------------------------

    @property
    def fitments(self) -> Fitments:
        return self.condition.fitments

    def swap(self, kind: PartKind, first: int, second: int) -> None:
        """Exchange a part between two cylinders; the connectors are pulled and pushed home on the way."""
        with self.lock:
            self._require("Swapping parts", "off")
            self.fitments.swap(kind, first, second)
            self._reseat(kind, first)
            self._reseat(kind, second)

    def replace(self, kind: PartKind, cylinder: int, *, dead: bool = False) -> tuple[Part, Part]:
        """Fit a new part, `dead` if it never worked; returns (taken out, fitted)."""
        with self.lock:
            self._require("Replacing a part", "off")
            new = self.fitments.make(kind)
            old, fitted = self.fitments.replace(kind, cylinder, dead_on_arrival(new) if dead else new)
            self.condition.forget(old)
            self._reseat(kind, cylinder)
            return old, fitted

    def repair(self, fault_id: str, cylinder: int | None = None) -> None:
        """Make a place sound again (valve job, rings, gasket, hose, terminal …). Parts are replaced, not repaired.

        Raises UnknownFault for a fault that sits in a part.
        """
        with self.lock:
            self._require("A repair", "off")
            kind = recipe_of(fault_id).part_kind
            if kind is not None:
                raise UnknownFault(fault_id, f"it sits in the {kind}; replace that part")
            self.condition.cure(fault_id, cylinder)

    def inspect(self, test: str, cylinder: int | None = None, **options: float) -> Finding:
        """Do a workshop test by name (see instruments.TESTS); `options` are those of the instrument.

        A test with the engine running takes some seconds of idle. Raises RequestError for a test that does not exist,
        a cylinder it needs and did not get, or an engine in the wrong state.
        """
        with self.lock:
            shop = self.workshop
            shop.oil_level_share, shop.coolant_level_share = self.oil_level_share, self.coolant_level_share
            ran = self._engine is not None
            for _ in range(SETTLING_STEPS if test in TESTS and TESTS[test].running else 0):
                self.advance_idle(1.0)
            if ran and self._engine is None:
                raise EngineNotReady(f"The test {test!r}", "running", "off")
            shop.seat, shop.coil_c, shop.trims = self.heat.seat, self.heat.coil_c, self.unit.trims
            shop.coolant_c, shop.unplugged = self.coolant_c, frozenset(self.unplugged)
            return instruments.do(shop, test, cylinder, running=self._engine is not None, **options)

    def reseat(self, kind: PartKind, cylinder: int) -> None:
        """Take a part out or its connector off, and fit it again as it was."""
        with self.lock:
            self._require("Taking a part out", "off")
            self.layout.require(cylinder)
            self._reseat(kind, cylinder)

    def unplug_injector(self, cylinder: int, *, unplugged: bool = True) -> None:
        """Pull an injector's connector off, or put it back: no fuel there, and nothing to burn in the catalyst."""
        with self.lock:
            self._require("Unplugging an injector", "off")
            self.layout.require(cylinder)
            if unplugged:
                self.unplugged.add(cylinder)
            else:
                self.unplugged.discard(cylinder)
                self._reseat("injector", cylinder)

    def refill(self, litres: float | None = None, *, drained: bool = False) -> float:
        """Fill good fuel, to the top or so many litres; `drained` empties the tank first. Returns litres filled."""
        with self.lock:
            self._require("Filling the tank", "off")
            shared = self.condition.shared
            before = 0.02 if drained else self.tank_share
            room_l = (1.0 - before) * TANK_L
            added = room_l if litres is None else min(max(litres, 0.0), room_l)
            self.tank_share = before + added / TANK_L
            shared.bad_fuel_share *= before / self.tank_share
            self.heat.canister_load = min(1.0, self.heat.canister_load + added / TANK_L)
            return added

    def top_up(self, *, oil: bool = False, coolant: bool = False) -> None:
        """Fill oil or coolant to its mark."""
        with self.lock:
            self._require("Topping up", "off")
            if oil:
                self.oil_level_share = 1.0
            if coolant:
                self.coolant_level_share = 1.0

    def _reseat(self, kind: PartKind, cylinder: int) -> None:
        """Pulling a connector off and pushing it home often quiets a bad contact for a while; a plug gets tight."""
        state = self.condition.cylinders[cylinder]
        if kind == "plug" and state.thread_leak_mm2 > 0:
            self.condition.cure("plug-loose", cylinder)
        of_coil = kind in ("coil", "plug", "boot")
        loose = state.coil_bout_min if of_coil else state.injector_bout_min
        if loose is not None and self.rng.random() < 0.6:
            calm_s = float(self.rng.exponential(CALM_MEAN_S))
            if of_coil:
                state.coil_calm_s = calm_s
            else:
                state.injector_calm_s = calm_s

    def _require(self, act: str, needs: EngineState) -> None:
        if self._engine is not None:
            raise EngineNotReady(act, needs, "running")

    @property
    def supply_v(self) -> float:
        """System voltage: charged while the engine runs, the battery's otherwise."""
        return self.condition.shared.supply_v - 0.1 if self._engine is not None else self.workshop.battery_v() - 0.1

    # ---- what can be seen ---------------------------------------------------------------------------------------

    @property
    def lamp(self) -> Lamp:
        return self.unit.lamp

    @property
    def odometer_km(self) -> float:
        return self.unit.odometer_km

    @property
    def counts_this_cycle(self) -> tuple[int, ...]:
        """Misfires the unit counted since the last start, cylinder 1 first."""
        return tuple(int(count) for count in self.unit.counts_this_cycle)

    def advance_idle(self, seconds: float) -> None:
        """Let time pass with the engine as it stands: idling if it runs. Used by the bus between answers."""
        with self.lock:
            if self._engine is None or seconds <= 0:
                return
            profile = DriveProfile.from_arrays((0.0, seconds), (0.0, 0.0))
            for time_s, point in self._points(profile):
                if self._engine is not None:
                    self._step(time_s, point, None)


def _scatter(part: Part, rng: np.random.Generator) -> None:
    """Parts of one kind differ a little: ordinary manufacturing scatter (judgement)."""
    match part:
        case Coil():
            part.energy_fraction *= float(rng.normal(0.97, 0.02))
            part.winding_ohm *= float(rng.normal(1.0, 0.03))
        case Plug():
            part.gap_mm += WEAR_GAP_MM_PER_1000_KM * part.km / 1000 + float(rng.normal(0.0, 0.02))
        case Injector():
            part.flow_fraction *= float(rng.normal(1.0, 0.015))
            part.winding_ohm *= float(rng.normal(1.0, 0.01))


class _Recorder:
    """Collects the rows of a drive log."""

    def __init__(self, layout: EngineLayout):
        self.layout = layout
        self.rows: list[tuple[float, ...]] = []
        self.misfires: list[NDArray[np.int64]] = []
        self.events: list[NDArray[np.int64]] = []
        self.true_misfires: list[NDArray[np.int64]] = []
        self.trims: list[tuple[tuple[float, float], ...]] = []
        self.lamp: list[str] = []

    def add(
        self,
        time_s: float,
        point: WorkingPoint,
        counted: NDArray[np.int64],
        events: NDArray[np.int64],
        true: NDArray[np.int64],
        unit: ControlUnit,
    ) -> None:
        load = 100 * min(point.load, 1.0)
        self.rows.append((time_s, point.rpm, point.speed_kmh, load, point.coolant_c, point.ambient_c))
        self.misfires.append(counted)
        self.events.append(events)
        self.true_misfires.append(true)
        self.trims.append(tuple((trim.short_percent, trim.long_percent[trim.region]) for trim in unit.trims))
        self.lamp.append(unit.lamp)

    def log(self, stalled: bool) -> DriveRecord:
        time_s, rpm, speed, load, coolant, ambient = np.array(self.rows).T
        trims = np.array(self.trims)
        counts = (np.array(self.misfires), np.array(self.events), np.array(self.true_misfires))
        short, long = trims[:, :, 0], trims[:, :, 1]
        return DriveRecord(time_s, rpm, speed, load, coolant, ambient, short, long, *counts, tuple(self.lamp), stalled)
