"""Minimum drives, readiness and the in-use counters: which self-checks have run, and how often they could have."""

from __future__ import annotations

from dataclasses import dataclass, field

from firstcause.signals import InUseCounters, Monitor, MonitorUse, Readiness

# 13 CCR 1968.2(d)(2.5.2)(B) and (d)(4.3.2)(B) [M]
MINIMUM_RUN_S, MINIMUM_FAST_S, MINIMUM_IDLE_S = 600.0, 300.0, 30.0
FAST_KMH, IDLE_KMH = 40.2336, 1.609344  # 25 mph, 1 mph
HIGHEST_M, COLDEST_C = 2438.4, -6.67  # 8000 ft, 20 F
COUNTER_MOST = 65535
START_HOLDS_S = 2.0  # the engine must run this long for a start to count: (d)(5.5) [M]
WARM_UP_RISE_C, WARM_UP_REACHED_C = 22.2, 71.1  # 40 F and 160 F: (c) [M]


@dataclass
class CycleTally:
    """What one driving cycle has been so far."""

    run_s: float = 0.0
    fast_s: float = 0.0
    idle_s: float = 0.0
    longest_idle_s: float = 0.0
    coldest_ambient_c: float = 99.0
    highest_m: float = 0.0
    start_coolant_c: float | None = None
    highest_coolant_c: float = -99.0

    def add(
        self, dt_s: float, speed_kmh: float, pedal: bool, coolant_c: float, ambient_c: float, altitude_m: float = 0.0
    ) -> None:
        """One step with the engine running."""
        self.run_s += dt_s
        self.fast_s += dt_s * (speed_kmh >= FAST_KMH)
        self.idle_s = self.idle_s + dt_s if (speed_kmh <= IDLE_KMH and not pedal) else 0.0
        self.longest_idle_s = max(self.longest_idle_s, self.idle_s)
        self.coldest_ambient_c = min(self.coldest_ambient_c, ambient_c)
        self.highest_m = max(self.highest_m, altitude_m)
        if self.start_coolant_c is None:
            self.start_coolant_c = coolant_c
        self.highest_coolant_c = max(self.highest_coolant_c, coolant_c)

    @property
    def minimum_drive(self) -> bool:
        """600 s running, 300 s at 25 mph or more, 30 s of unbroken idle. 13 CCR 1968.2(d)(2.5.2)(B) [M]."""
        return self.run_s >= MINIMUM_RUN_S and self.fast_s >= MINIMUM_FAST_S and self.longest_idle_s >= MINIMUM_IDLE_S

    @property
    def general_denominator(self) -> bool:
        """The minimum drive within the limits of cold and height: (d)(4.3.2)(B) [M]."""
        return self.minimum_drive and self.coldest_ambient_c >= COLDEST_C and self.highest_m < HIGHEST_M

    @property
    def warm_up(self) -> bool:
        """Coolant rose by 40 F and reached 160 F: 13 CCR 1968.2(c) [M]."""
        if self.start_coolant_c is None:
            return False
        rise_c = self.highest_coolant_c - self.start_coolant_c
        return rise_c >= WARM_UP_RISE_C and self.highest_coolant_c >= WARM_UP_REACHED_C

    def evap_conditions(self) -> bool:
        """Coolant 40-95 F at the start, at most 12 F above ambient, ten minutes of running: (d)(4.3) [M]."""
        start = self.start_coolant_c
        if start is None or self.run_s < MINIMUM_RUN_S:
            return False
        return 4.4 <= start <= 35.0 and start - self.coldest_ambient_c <= 6.7


CHECKS = ("catalyst", "evap", "oxygen-sensor", "oxygen-sensor-heater")
_COUNTED: dict[str, tuple[str, ...]] = {  # self-check, then the counter groups it stands for: (d)(5.1) [R 1]
    "catalyst-b1": ("catalyst-b1",),
    "catalyst-b2": ("catalyst-b2",),
    "oxygen-sensor-b1": ("oxygen-sensor-b1", "second-oxygen-sensor-b1"),
    "oxygen-sensor-b2": ("oxygen-sensor-b2", "second-oxygen-sensor-b2"),
    "evap": ("evap",),
}
_GROUPS = (
    "catalyst-b1", "catalyst-b2", "oxygen-sensor-b1", "oxygen-sensor-b2", "egr-or-vvt", "secondary-air", "evap",
    "second-oxygen-sensor-b1", "second-oxygen-sensor-b2",
)  # fmt: skip


@dataclass
class SelfChecks:
    """Readiness since erase and in-use counters. A clear wipes readiness, never the counters: (g)(4.1), (d)(5) [M]."""

    banks: int
    misfire_must_run: bool = True  # from about model year 2019; before, the bit always reads complete [M]
    ready: set[str] = field(default_factory=lambda: {*CHECKS, "misfire", "fuel-system"})
    general: int = 0
    ignitions: int = 0
    completions: dict[str, int] = field(default_factory=lambda: dict.fromkeys(_GROUPS, 0))
    conditions: dict[str, int] = field(default_factory=lambda: dict.fromkeys(_GROUPS, 0))
    _counted: set[str] = field(default_factory=set)

    def start_cycle(self) -> None:
        """A driving cycle begins: each counter may rise once more."""
        self._counted = set()

    def update(
        self,
        tally: CycleTally,
        done: frozenset[str],
        paused: frozenset[str] = frozenset(),
        unsettled: frozenset[str] = frozenset(),
    ) -> None:
        """Bring readiness and counters up to the tally; each counter rises at most once a cycle.

        `done`: families and names of the self-checks that have decided. `paused`: families that a stored fault keeps
        from running; neither of their counters rises, (d)(5) [M]. `unsettled`: families that found a fault for which
        the lamp is not yet commanded. A check is complete once it has passed, or once it has failed as often as the
        lamp's rule asks: (g)(4.1) [M]. What is complete stays so until an erase.
        """
        self.ready |= (done - unsettled) & {*CHECKS, "misfire", "fuel-system"}
        if tally.run_s >= START_HOLDS_S:
            self._once("ignition")
        if tally.general_denominator:
            self._once("general")
        for check, groups in _COUNTED.items():
            if (check.endswith("b2") and self.banks < 2) or check.removesuffix("-b1").removesuffix("-b2") in paused:
                continue
            for group in groups:
                if tally.general_denominator and (check != "evap" or tally.evap_conditions()):
                    self._once("could " + group)
                if check in done:
                    self._once("done " + group)

    def _once(self, what: str) -> None:
        if what in self._counted:
            return
        self._counted.add(what)
        if what == "general":
            self.general = min(self.general + 1, COUNTER_MOST)
            return
        if what == "ignition":
            self.ignitions = min(self.ignitions + 1, COUNTER_MOST)
            return
        kind, group = what.split(" ")
        table = self.completions if kind == "done" else self.conditions
        table[group] += 1
        if table[group] > COUNTER_MOST:  # numerator and denominator halve together: (d)(5) [M]
            self.completions[group] //= 2
            self.conditions[group] //= 2

    def give_past(self, *, starts: int, counted: int) -> None:
        """Set the counters to those of a car with so many starts, of which so many met the general conditions."""
        self.ignitions, self.general = min(starts, COUNTER_MOST), min(counted, COUNTER_MOST)
        for groups in _COUNTED.values():
            for group in groups:
                if not (group.endswith("b2") and self.banks < 2):
                    self.conditions[group], self.completions[group] = self.general, self.general * 3 // 4

    def erase(self) -> None:
        """After $04 every check must run again."""
        self.ready = set()

    def counters(self) -> InUseCounters:
        uses = tuple(MonitorUse(group, self.completions[group], self.conditions[group]) for group in _GROUPS)
        return InUseCounters(self.general, self.ignitions, uses)

    def readiness(self, lamp_on: bool, code_count: int) -> Readiness:
        """PID 01."""
        monitors = [Monitor("comprehensive", True, True)]
        for name in ("misfire", "fuel-system"):
            monitors.append(Monitor(name, True, name in self.ready or not self.misfire_must_run))
        monitors += [Monitor(name, True, name in self.ready) for name in CHECKS]
        return Readiness("since-erase", lamp_on, code_count, "spark", tuple(monitors))

    def readiness_this_cycle(self, done: frozenset[str]) -> Readiness:
        """PID 41: enabled and finished in this driving cycle."""
        done = done | {"comprehensive"}
        names = ("misfire", "fuel-system", "comprehensive", *CHECKS)
        monitors = tuple(Monitor(name, True, name in done) for name in names)
        return Readiness("this-cycle", False, 0, "spark", monitors)
