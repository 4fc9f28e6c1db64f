"""Taking the evidence snapshot: everything the control units can say, before anything is erased."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from typing import TypeVar

from firstcause.errors import CarError
from firstcause.link.addressing import Unit
from firstcause.link.session import NoAnswer, Session
from firstcause.link.uds import decode_newer_codes, newer_units, request_newer_codes
from firstcause.signals import (
    PARAMETERS,
    Answer,
    Codes,
    CodeStatus,
    CurrentData,
    FreezeFrame,
    InUseCounters,
    MonitorResult,
    MonitorResults,
    Readiness,
    Reading,
    Refused,
    SupportedIds,
    TroubleCode,
    VehicleInfo,
    decode_answer,
    parameter_of,
    request_codes,
    request_current,
    request_freeze,
    request_info,
    request_tests,
)
from firstcause.signals.bitmap import SPAN, is_bitmap_id
from firstcause.signals.snapshot import Gap, GapReason, Item, Sample, Snapshot, UnitRecord, items_of

# What is worth watching at idle when an engine misfires (judgement); a unit is asked for those it supports.
LIVE_NAMES = (
    "engine_rpm",
    "load_pct",
    "coolant_c",
    "short_trim_b1_pct",
    "long_trim_b1_pct",
    "short_trim_b2_pct",
    "long_trim_b2_pct",
    "manifold_kpa",
    "air_flow_g_s",
    "speed_kmh",
    "advance_deg",
    "intake_air_c",
    "throttle_pct",
    "o2_b1s1_v",
    "o2_b1s2_v",
    "commanded_lambda",
    "supply_v",
)
_ENGINE_SPEED = parameter_of("engine_rpm").pid
_TOGETHER = 6
_SILENCES_THAT_MEAN_STOPPED = 3
_ATTEMPTS = 2
_STATUSES: tuple[CodeStatus, ...] = ("confirmed", "pending", "permanent")
_INFO_TO_TRY = frozenset((0x02, 0x04, 0x06))  # when the unit does not say which it has

A = TypeVar("A", bound=Answer)


def take_snapshot(
    session: Session,
    clock: Callable[[], float] = time.time,
    *,
    idle_samples: int = 10,
    every_s: float = 0.2,
    pause: Callable[[float], None] = time.sleep,
) -> Snapshot:
    """Read everything from every control unit: codes first, live data last.

    `clock` gives Unix seconds. `idle_samples` rounds of live data are read, `every_s` seconds apart, from each unit
    that knows the engine speed. What a unit does not support, refuses or sends broken becomes a gap that says so; a
    unit that falls silent half-way keeps what it had said.

    A car in which no unit knows the services of before is asked for the newer ones (see `uds`): of such a unit only
    the codes are read, and the rest is a gap.

    Raises NoAnswer when no unit answers at all, BusStopped when the adapter fails.
    """
    started_s = clock()
    try:
        units = session.find_units()
    except NoAnswer:
        newer = newer_units(session)
        if not newer:
            raise
        return _snapshot_of_newer(session, newer, started_s, clock)
    readers = [_UnitReader(session, unit) for unit in units]
    for reader in readers:
        reader.read_all()
    engines = [reader for reader in readers if _ENGINE_SPEED in reader.supported]
    samples: list[Sample] = []
    for turn in range(idle_samples if engines else 0):
        if turn:
            pause(every_s)
        for reader in engines:
            items = reader.live()
            if items:
                samples.append(Sample(clock(), str(reader.unit), items))
    remarks = [] if engines else ["No control unit knows the engine speed, so no live data were read."]
    remarks += [
        f"Control unit {reader.unit} stopped answering half-way; what it had said is kept."
        for reader in readers
        if reader.stopped
    ]
    return Snapshot(started_s, clock(), tuple(reader.record() for reader in readers), tuple(samples), tuple(remarks))


@dataclass(slots=True)
class _UnitReader:
    """Asks one unit, keeps what it gets, and writes down why when it gets nothing."""

    session: Session
    unit: Unit
    supported: frozenset[int] = frozenset()
    codes: dict[CodeStatus, tuple[str, ...]] = field(default_factory=dict)
    readiness: dict[str, Readiness] = field(default_factory=dict)
    freeze_code: str | None = None
    freeze: list[Item] = field(default_factory=list)
    results: list[MonitorResult] = field(default_factory=list)
    info: dict[int, VehicleInfo] = field(default_factory=dict)
    gaps: list[Gap] = field(default_factory=list)
    stopped: bool = False
    _silences: int = 0
    _one_by_one: bool = False

    def read_all(self) -> None:
        for status in _STATUSES:
            answer = self._ask(request_codes(status), f"{status} codes", Codes)
            if answer is not None:
                self.codes[status] = tuple(code.text for code in answer.codes)
        self.supported = self._identifiers(request_current, "current data")
        for pid in (0x01, 0x41):
            if pid in self.supported:
                for reading in self._current((pid,)):
                    if isinstance(reading.value, Readiness):
                        self.readiness[reading.name] = reading.value
        self._read_freeze_frame()
        for monitor in sorted(self._identifiers(request_tests, "monitor results")):
            results = self._ask(request_tests(monitor), f"monitor {monitor:02X}", MonitorResults, due=True)
            if results is not None:
                self.results += results.results
        for info_type in sorted(self._identifiers(request_info, "vehicle information") or _INFO_TO_TRY):
            info = self._ask(request_info(info_type), f"vehicle information {info_type:02X}", VehicleInfo)
            if info is not None:
                self.info[info_type] = info
                if info.value is None:
                    self._gap(f"vehicle information {info_type:02X}", "unreadable", info.note)

    def live(self) -> tuple[Item, ...]:
        """One round of live data."""
        pids = [pid for pid in dict.fromkeys(parameter_of(name).pid for name in LIVE_NAMES) if pid in self.supported]
        readings: list[Reading] = []
        for at in range(0, len(pids), _TOGETHER):
            readings += self._current(tuple(pids[at : at + _TOGETHER]))
        return items_of(readings)

    def record(self) -> UnitRecord:
        """All of it as one value."""

        def value_of(info_type: int) -> object:
            return self.info[info_type].value if info_type in self.info else None

        vin, name, ids, sums = value_of(0x02), value_of(0x0A), value_of(0x04), value_of(0x06)
        counters = value_of(0x08) or value_of(0x0B)
        return UnitRecord(
            unit=str(self.unit),
            name=name if isinstance(name, str) else None,
            supported_parameters=tuple(sorted(self.supported)),
            confirmed=self.codes.get("confirmed"),
            pending=self.codes.get("pending"),
            permanent=self.codes.get("permanent"),
            readiness=self.readiness.get("readiness"),
            readiness_this_cycle=self.readiness.get("readiness_this_cycle"),
            freeze_code=self.freeze_code,
            freeze_frame=tuple(self.freeze),
            results=tuple(self.results),
            vin=vin if isinstance(vin, str) else None,
            calibration_ids=ids if isinstance(ids, tuple) else None,
            checksums=sums if isinstance(sums, tuple) else None,
            counters=counters if isinstance(counters, InUseCounters) else None,
            gaps=tuple(self.gaps),
            stopped=self.stopped,
        )

    def _read_freeze_frame(self) -> None:
        ids = self._identifiers(request_freeze, "freeze frame")
        code = self._ask(request_freeze(0x02), "freeze frame code", FreezeFrame) if ids else None
        reading = code.reading("freeze_code") if code else None
        if reading is None or not isinstance(reading.value, TroubleCode):
            return
        self.freeze_code = reading.value.text
        for pid in sorted(ids - {0x02}):
            frame = self._ask(request_freeze(pid), f"freeze frame parameter {pid:02X}", FreezeFrame, due=True)
            if frame is not None:
                self.freeze += items_of(frame.readings)
                self.freeze += [_raw_item(unknown, data) for unknown, data in frame.unknown]

    def _identifiers(self, request: Callable[[int], bytes], what: str) -> frozenset[int]:
        """What the unit says it knows of one service, bitmap after bitmap, without the bitmaps themselves."""
        ids: frozenset[int] = frozenset()
        for base in range(0x00, 0x100, SPAN):
            if base and base not in ids:
                break
            answer = self._ask(request(base), f"list of {what} from {base:02X}", SupportedIds)
            if answer is None:
                break
            ids |= answer.ids
        return frozenset(identifier for identifier in ids if not is_bitmap_id(identifier))

    def _current(self, pids: tuple[int, ...]) -> Iterable[Reading]:
        """Readings of supported parameters; asked together, or one by one from the unit that cannot do that."""
        together = len(pids) > 1 and PARAMETERS.keys() >= set(pids)
        if together and not self._one_by_one:
            answer = self._ask(request_current(*pids), "several parameters at once", CurrentData)
            if answer is not None and not answer.not_supported:
                return answer.readings
            self._one_by_one = True
        readings: list[Reading] = []
        for pid in pids:
            single = self._ask(request_current(pid), f"parameter {pid:02X}", CurrentData, due=True)
            readings += single.readings if single else ()
        return readings

    def _ask(self, request: bytes, what: str, kind: type[A], *, due: bool = False) -> A | None:
        """One answer of the kind wanted, or None and a gap. `due`: the unit has said that it can answer this."""
        if self.stopped:
            self._gap(what, "unit-stopped", "the unit had stopped answering")
            return None
        reason: GapReason = "no-answer"
        detail = "the unit stayed silent"
        for _ in range(_ATTEMPTS if due else 1):
            exchange = self.session.request(request, to=self.unit)
            payload, fault = exchange.payload_of(self.unit), exchange.fault_of(self.unit)
            if payload is None and fault is not None:
                reason, detail = "broken", str(fault)
                continue
            if payload is None:
                continue
            self._silences = 0
            try:
                answer = decode_answer(request, payload)
            except CarError as error:
                reason, detail = "broken", str(error)
                continue
            if isinstance(answer, kind):
                return answer
            if isinstance(answer, Refused):
                reason, detail = ("not-supported" if answer.is_not_supported else "refused"), answer.reason
                break
        self._gap(what, reason, detail)
        if due and reason == "no-answer":
            self._silences += 1
            self.stopped = self._silences >= _SILENCES_THAT_MEAN_STOPPED
        return None

    def _gap(self, what: str, reason: GapReason, detail: str) -> None:
        gap = Gap(what, reason, detail)
        if gap not in self.gaps:
            self.gaps.append(gap)


def _snapshot_of_newer(
    session: Session, units: tuple[Unit, ...], started_s: float, clock: Callable[[], float]
) -> Snapshot:
    """Codes of the units that speak only OBD on UDS, and words that say so."""
    records, remarks = [], ["This car speaks only OBD on UDS (SAE J1979-2): its codes were read, and nothing else."]
    for unit in units:
        codes: dict[CodeStatus, tuple[str, ...]] = {}
        gaps = [Gap("all but codes", "not-supported", "the unit speaks OBD on UDS; of that only codes are read here")]
        for status in _STATUSES:
            exchange = session.request(request_newer_codes(status), to=unit)
            payload, fault = exchange.payload_of(unit), exchange.fault_of(unit)
            if payload is None:
                why = Gap(f"{status} codes", "no-answer", "the unit stayed silent")
                gaps.append(Gap(f"{status} codes", "broken", str(fault)) if fault else why)
                continue
            try:
                found = decode_newer_codes(status, payload)
            except CarError as error:
                gaps.append(Gap(f"{status} codes", "broken", str(error)))
                continue
            if isinstance(found, Refused):
                reason: GapReason = "not-supported" if found.is_not_supported else "refused"
                gaps.append(Gap(f"{status} codes", reason, found.reason))
                continue
            codes[status] = tuple(dict.fromkeys(code.code.text for code in found))
            remarks += [f"Control unit {unit}, {status}: {code} names how the part failed by its last two digits."
                        for code in found if code.failure_type]  # fmt: skip
        records.append(
            UnitRecord(
                unit=str(unit), confirmed=codes.get("confirmed"), pending=codes.get("pending"),
                permanent=codes.get("permanent"), gaps=tuple(gaps),
            )
        )  # fmt: skip
    return Snapshot(started_s, clock(), tuple(records), (), tuple(remarks))


def _raw_item(pid: int, data: bytes) -> Item:
    return Item(f"parameter_{pid:02X}", data.hex(" ").upper(), "raw", "not in our table; the bytes are raw")
