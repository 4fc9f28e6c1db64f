"""What the control unit remembers of faults: pending, confirmed, permanent, freeze frame, and how each goes away."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from firstcause.signals import Value

Family = Literal["misfire", "fuel", "general", "catalyst", "oxygen-sensor", "oxygen-sensor-heater", "evap"]
Freeze = Mapping[int, tuple[Value | None, ...]]

SIMILAR_RPM, SIMILAR_LOAD_POINTS = 375.0, 20.0  # 13 CCR 1968.2(c) [M]; "20 percent" read as points of load
PENDING_CYCLES_WITHOUT_SIMILAR = 80  # (e)(3.4.1)(C) [M]; same rule for fuel (e)(6.4.3) [R 1]
QUIET_CYCLES_FOR_LAMP = 3  # (d)(2.3) and (e)(3.4.5) [M]
WARM_UPS_FOR_CONFIRMED = 40  # (d)(2.4) [M]
RATIO_FAMILIES = frozenset({"catalyst", "oxygen-sensor", "oxygen-sensor-heater", "evap"})  # tracked: (d)(5.1) [R 1]
PERMANENT_HELD = 4  # at least four: (d)(2.2.5) [M]
_RANK: Mapping[Family, int] = {"fuel": 1, "misfire": 2}  # whose freeze frame replaces whose


@dataclass(frozen=True)
class Conditions:
    """Where the engine was when a fault was first seen: what similar conditions are measured against."""

    rpm: float
    load_percent: float
    warm: bool

    def similar(self, other: Conditions) -> bool:
        """Within 375 rpm and 20 points of load, same warm-up status. Source: 13 CCR 1968.2(c) [M]."""
        return (
            abs(self.rpm - other.rpm) <= SIMILAR_RPM
            and abs(self.load_percent - other.load_percent) <= SIMILAR_LOAD_POINTS
            and self.warm == other.warm
        )


@dataclass
class StoredCode:
    """One code and its standing. `cycle` numbers say when; `conditions` None for general monitors."""

    code: str
    family: Family
    conditions: Conditions | None
    pending: bool = True
    confirmed: bool = False
    commands_lamp: bool = False
    pending_cycle: int = 0
    detected_cycle: int = 0
    at_start: bool = False  # pending came from the first 1000 revolutions
    catalyst: bool = False  # catalyst-damaging level was seen
    quiet_cycles: int = 0
    cycles_without_similar: int = 0
    warm_ups: int = 0


@dataclass
class PermanentCode:
    """A code in memory that no tool can erase. `erased_by_tool` switches to the evidence rule."""

    code: str
    family: Family
    erased_by_tool: bool = False
    passed: bool = False
    minimum_drive: bool = False


@dataclass
class CodeMemory:
    """The lifecycle of all codes. Feed detections and conditions in a cycle; `close_cycle` settles it."""

    cycle: int = 0
    codes: dict[str, StoredCode] = field(default_factory=dict)
    permanent: dict[str, PermanentCode] = field(default_factory=dict)
    freeze: Freeze | None = None
    freeze_code: str | None = None
    similar_met: set[str] = field(default_factory=set)
    passed_families: set[Family] = field(default_factory=set)
    failed_families: set[Family] = field(default_factory=set)

    # ---- during a cycle ---------------------------------------------------------------------------------------

    def note_conditions(self, now: Conditions) -> None:
        """The monitors are running at these conditions: remember for which codes they were similar."""
        for name in self.codes.keys() - self.similar_met:
            conditions = self.codes[name].conditions
            if conditions is not None and conditions.similar(now):
                self.similar_met.add(name)

    def detect(
        self,
        code: str,
        family: Family,
        conditions: Conditions | None,
        frame: Freeze,
        *,
        catalyst: bool = False,
        at_start: bool = False,
    ) -> None:
        """A monitor's criteria are met now: pending at first, confirmed with the lamp when the rules say so."""
        self.failed_families.add(family)
        if conditions is not None:  # where the fault is met the engine is: such conditions are encountered
            self.note_conditions(conditions)
        stored = self.codes.get(code)
        settled = stored is not None and stored.confirmed and stored.commands_lamp
        confirm = settled or self._confirms(code, family, catalyst, at_start)
        if stored is None:
            stored = StoredCode(code, family, conditions, pending_cycle=self.cycle)
            self.codes[code] = stored
            stored.at_start = at_start
        elif not stored.pending:
            stored.pending, stored.pending_cycle, stored.at_start = True, self.cycle, at_start
            stored.conditions = conditions
        stored.catalyst |= catalyst
        stored.detected_cycle, stored.quiet_cycles, stored.cycles_without_similar = self.cycle, 0, 0
        stored.warm_ups = 0  # "not detected again in 40 warm-up cycles": (d)(2.4) [M]
        if confirm:
            stored.confirmed, stored.commands_lamp = True, True
        self._store_frame(stored, frame)

    def _confirms(self, code: str, family: Family, catalyst: bool, at_start: bool) -> bool:
        """Whether a detection now is the second one that the rule asks for; misfire codes count for one another."""
        for earlier in self.codes.values():
            same = earlier.family == "misfire" if family == "misfire" else earlier.code == code
            if not same or not earlier.pending:
                continue
            before = earlier.pending_cycle < self.cycle
            # Catalyst level with an emission-level pending code: confirmed at once, (e)(3.4.1)(B) [M].
            if family == "misfire" and catalyst and not earlier.catalyst:
                return True
            # Next cycle in any conditions, or the next with similar ones: (e)(3.4.1)(B), (3.4.2)(B) [M], (6.4.2) [R 1].
            # General monitors: before the end of the next cycle in which monitoring occurs, (d)(2.2.2) [M].
            if before and (
                family not in ("misfire", "fuel")
                or earlier.pending_cycle == self.cycle - 1
                or earlier.code in self.similar_met
                or (at_start and earlier.at_start)  # first 1000 revolutions again: (e)(3.4.2)(A) [M]
            ):
                return True
        return False

    def _store_frame(self, stored: StoredCode, frame: Freeze) -> None:
        """Misfire and fuel replace a frame of another monitor, fuel never misfire: (e)(3.4.3), (6.4.4) [M]."""
        if self.wants_frame(stored.family):
            self.freeze, self.freeze_code = dict(frame), stored.code

    def wants_frame(self, family: Family) -> bool:
        """Whether a detection of this family would keep its freeze frame; where not, none need be made."""
        holder = self.codes.get(self.freeze_code) if self.freeze_code else None
        return self.freeze is None or holder is None or _RANK.get(family, 0) > _RANK.get(holder.family, 0)

    def passed(self, family: Family) -> None:
        """The monitor of a family has run long enough in this cycle to decide "not present"."""
        self.passed_families.add(family)

    # ---- edges of cycles ------------------------------------------------------------------------------------------

    def power_down(self) -> None:
        """End of an ignition cycle: confirmed codes that command the lamp go to permanent memory. (d)(2.2.5) [M]."""
        for code in self.codes.values():
            if code.confirmed and code.commands_lamp and code.code not in self.permanent:
                if len(self.permanent) < PERMANENT_HELD:
                    self.permanent[code.code] = PermanentCode(code.code, code.family)
            elif code.confirmed and code.commands_lamp:
                self.permanent[code.code].erased_by_tool = False

    def close_cycle(self, *, warm_up: bool, minimum_drive: bool) -> None:
        """Settle a finished driving cycle: pending codes, lamp, confirmed and permanent codes; then the next begins."""
        for stored in list(self.codes.values()):
            self._settle(stored, warm_up)
            if not stored.pending and not stored.confirmed:
                del self.codes[stored.code]
        self._settle_permanent(minimum_drive)
        if self.freeze_code is not None and self.freeze_code not in self.codes:
            self.freeze = self.freeze_code = None
        self.cycle += 1
        self.similar_met, self.passed_families, self.failed_families = set(), set(), set()

    def _settle(self, stored: StoredCode, warm_up: bool) -> None:
        if stored.detected_cycle == self.cycle:
            return
        ran = stored.family in self.passed_families
        exceeded = stored.family == "misfire" and "misfire" in self.failed_families  # the engine's, whatever the code
        met = stored.conditions is None or stored.code in self.similar_met
        comparable = ran and met and not exceeded  # "without an exceedance": (e)(3.4.1)(C), (3.4.5) [M]
        if not comparable:
            stored.cycles_without_similar += 1
            if stored.conditions is not None and stored.cycles_without_similar >= PENDING_CYCLES_WITHOUT_SIMILAR:
                stored.pending = False
        else:
            stored.pending = False
            stored.quiet_cycles += 1
            if stored.commands_lamp and stored.quiet_cycles >= QUIET_CYCLES_FOR_LAMP:
                stored.commands_lamp = False
                record = self.permanent.get(stored.code)
                if record is not None and not record.erased_by_tool:
                    del self.permanent[stored.code]  # the system itself turned the lamp off: (d)(2.5.1) [R 1]
                return
        if stored.confirmed and not stored.commands_lamp and warm_up:
            stored.warm_ups += 1
            if stored.warm_ups >= WARM_UPS_FOR_CONFIRMED:
                stored.confirmed = False

    def _settle_permanent(self, minimum_drive: bool) -> None:
        """After a tool's erase: a passing decision and none failing in the same cycle, (d)(2.5.2)(A) [R 1].

        Misfire, fuel and circuit monitors have no ratio (scope [R 1]): none failing since either, and one minimum
        drive, (d)(2.5.2)(B) [M].
        """
        for record in list(self.permanent.values()):
            if not record.erased_by_tool:
                continue
            record.minimum_drive |= minimum_drive  # "on any single driving cycle", a failing one too: (B)(iii) [M]
            if record.family in self.failed_families:
                record.passed = False
                continue
            record.passed |= record.family in self.passed_families
            if record.passed and (record.minimum_drive or record.family in RATIO_FAMILIES):
                del self.permanent[record.code]

    def erase(self) -> None:
        """A tool's erase ($04): codes and frame go, permanent codes stay and their evidence starts anew.

        Source: 13 CCR 1968.2(d)(2.5.2) [R 1, part]; what $04 wipes: SAE J1979 [M].
        """
        self.codes.clear()
        self.freeze = self.freeze_code = None
        self.similar_met, self.passed_families, self.failed_families = set(), set(), set()
        for record in self.permanent.values():
            record.erased_by_tool, record.passed, record.minimum_drive = True, False, False

    # ---- reading ------------------------------------------------------------------------------------------------

    @property
    def lamp_commanded(self) -> bool:
        return any(code.commands_lamp for code in self.codes.values())

    @property
    def unsettled_families(self) -> frozenset[str]:
        """Families that found a fault in this cycle and do not command the lamp for it: their checks are still open."""
        settled = {
            code.family for code in self.codes.values() if code.commands_lamp and code.detected_cycle == self.cycle
        }
        return frozenset(self.failed_families - settled)

    def of(self, status: Literal["confirmed", "pending", "permanent"]) -> tuple[str, ...]:
        """Codes of one status, in order of storing."""
        if status == "permanent":
            return tuple(self.permanent)
        if status == "confirmed":
            return tuple(code.code for code in self.codes.values() if code.confirmed)
        return tuple(code.code for code in self.codes.values() if code.pending)
