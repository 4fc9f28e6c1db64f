"""The evidence snapshot: all that the car's control units said at one moment, as one value that can be kept.

It is written and read as JSON without loss, and known by the hash of its content: a receipt for a saved snapshot is
what erasing codes demands.
"""

from __future__ import annotations

import hashlib
import json
from collections.abc import Iterable
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING, Literal

from firstcause.errors import CaseError
from firstcause.signals.answers import CodeStatus
from firstcause.signals.codes import TroubleCode
from firstcause.signals.identity import InUseCounters
from firstcause.signals.monitors import MisfireCount, MonitorResult, misfire_counts
from firstcause.signals.parameters import Reading
from firstcause.signals.readiness import Readiness

if TYPE_CHECKING:
    from pydantic import TypeAdapter

FORM = 1  # of the written snapshot
PlainValue = float | str | tuple[str, ...] | None
GapReason = Literal["not-supported", "refused", "no-answer", "broken", "unreadable", "unit-stopped"]


class BadSnapshot(CaseError):
    """A written snapshot cannot be read as it stands."""

    def __init__(self, why: str) -> None:
        self.why = why
        super().__init__(
            f"This snapshot cannot be read: {why}. Nothing was taken from it; use the copy in the case, "
            "or take a new snapshot if no codes were erased since."
        )


@dataclass(frozen=True, slots=True)
class Item:
    """One value as it was read; `value` is None where the car itself says there is none, and `note` says why."""

    name: str
    value: PlainValue
    unit: str
    note: str = ""


@dataclass(frozen=True, slots=True)
class Gap:
    """Something asked for and not got. `reason` keeps "not supported" apart from "not measured"."""

    what: str
    reason: GapReason
    detail: str


@dataclass(frozen=True, slots=True)
class UnitRecord:
    """What one control unit said. A list of codes that is None was not got (see `gaps`); an empty one means "none".

    `unit` is the identifier it answers with, as on a trace (7E8). `stopped` says that it fell silent half-way: what it
    had said until then is kept here.
    """

    unit: str
    name: str | None = None
    supported_parameters: tuple[int, ...] = ()
    confirmed: tuple[str, ...] | None = None
    pending: tuple[str, ...] | None = None
    permanent: tuple[str, ...] | None = None
    readiness: Readiness | None = None
    readiness_this_cycle: Readiness | None = None
    freeze_code: str | None = None
    freeze_frame: tuple[Item, ...] = ()
    results: tuple[MonitorResult, ...] = ()
    vin: str | None = None
    calibration_ids: tuple[str, ...] | None = None
    checksums: tuple[str, ...] | None = None
    counters: InUseCounters | None = None
    gaps: tuple[Gap, ...] = ()
    stopped: bool = False

    @property
    def misfires(self) -> tuple[MisfireCount, ...]:
        """Misfire counts by cylinder, from the service $06 results."""
        return misfire_counts(self.results)


@dataclass(frozen=True, slots=True)
class Sample:
    """Live values of one unit at one moment; `at_s` is Unix time in seconds."""

    at_s: float
    unit: str
    items: tuple[Item, ...]


@dataclass(frozen=True, slots=True)
class Snapshot:
    """The evidence, before anything erases it. Times are Unix seconds."""

    started_s: float
    ended_s: float
    units: tuple[UnitRecord, ...]
    samples: tuple[Sample, ...] = ()
    remarks: tuple[str, ...] = ()
    form: int = FORM

    @property
    def vin(self) -> str | None:
        """The VIN, from the first unit that gave one."""
        return next((unit.vin for unit in self.units if unit.vin), None)

    @property
    def lamp_on(self) -> bool | None:
        """Whether any unit commands the lamp; None when no unit told."""
        told = [unit.readiness.lamp_on for unit in self.units if unit.readiness]
        return any(told) if told else None

    @property
    def misfires(self) -> tuple[MisfireCount, ...]:
        """Misfire counts by cylinder, from the first unit that has any."""
        return next((unit.misfires for unit in self.units if unit.misfires), ())

    def codes(self, status: CodeStatus) -> tuple[TroubleCode, ...]:
        """All codes of that status over all units, ascending, each once."""
        listed = {text for unit in self.units for text in (getattr(unit, status) or ())}
        return tuple(TroubleCode(text) for text in sorted(listed))

    def freeze_value(self, name: str) -> PlainValue:
        """A value of the freeze frame, from the first unit that has it; None when none has."""
        return next((i.value for unit in self.units for i in unit.freeze_frame if i.name == name), None)

    @property
    def content_hash(self) -> str:
        """SHA-256 of the written form, as 64 hex digits."""
        return hashlib.sha256(self.to_json().encode()).hexdigest()

    def to_json(self) -> str:
        """The whole snapshot as JSON text; the same snapshot always gives the same text."""
        plain = _adapter().dump_python(self, mode="json")
        return json.dumps(plain, sort_keys=True, ensure_ascii=False, separators=(",", ":"), allow_nan=False)

    @classmethod
    def from_json(cls, text: str) -> Snapshot:
        """The snapshot that `to_json` wrote; raises BadSnapshot for anything that it could not have written."""
        from pydantic import ValidationError

        try:
            plain = json.loads(text)
            snapshot = _adapter().validate_python(plain)
        except json.JSONDecodeError as cause:
            raise BadSnapshot(f"it is no whole JSON text ({cause})") from cause
        except ValidationError as cause:
            first = cause.errors()[0]
            where = ".".join(str(step) for step in first["loc"])
            raise BadSnapshot(f"at {where or 'the top'}: {first['msg']}") from cause
        if snapshot.form != FORM:
            raise BadSnapshot(f"it has form {snapshot.form}, this version reads form {FORM}")
        if json.loads(snapshot.to_json()) != plain:
            raise BadSnapshot("it holds entries that this version does not know")
        return snapshot


@dataclass(frozen=True, slots=True)
class SavedSnapshot:
    """The receipt for a snapshot that is safe: its content hash, and where it was put (said to the technician)."""

    content_hash: str
    where: str

    @classmethod
    def of(cls, snapshot: Snapshot, where: str) -> SavedSnapshot:
        """To be called by whoever has just saved it durably, and by nobody else."""
        return cls(snapshot.content_hash, where)


def item_of(reading: Reading) -> Item:
    """A reading in the plain form of the snapshot (a code becomes its text)."""
    value = reading.value
    plain = value.text if isinstance(value, TroubleCode) else None if isinstance(value, Readiness) else value
    return Item(reading.name, plain, reading.unit, reading.note)


def items_of(readings: Iterable[Reading]) -> tuple[Item, ...]:
    """Items of all readings that are plain values; readiness has its own place."""
    return tuple(item_of(reading) for reading in readings if not isinstance(reading.value, Readiness))


@cache
def _adapter() -> TypeAdapter[Snapshot]:
    from pydantic import TypeAdapter

    return TypeAdapter(Snapshot)
