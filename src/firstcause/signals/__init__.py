"""What the car's bytes mean, pure: bytes in, values out. No clock, no bus; the rules are tables.

- `codes`: trouble codes: two bytes <-> "P0303", short meanings, cylinder, coil, bank
- `parameters`: about 80 PIDs, one row each, decoded and encoded by the same row (kinds of field: fields)
- `bitmap`: which identifiers a unit supports
- `readiness`: lamp, code count, monitors of spark and compression engines (PID 01 and 41)
- `monitors`: service $06: results with unit and scale, misfire counts of each cylinder
- `identity`: service $09: VIN, calibration ids, checksums, in-use counters
- `answers`: the values that a unit can answer, refusals among them
- `services`: requests, `decode_answer`, and the encoders that a control unit uses
- `snapshot`: the evidence snapshot as one value, written and read as JSON, with its receipt
- `malformed`: what can be wrong with the bytes, as typed errors
"""

from firstcause.signals.answers import (
    Answer,
    Codes,
    CodeStatus,
    CurrentData,
    Erased,
    FreezeFrame,
    MonitorResults,
    Refused,
    SupportedIds,
    VehicleInfo,
)
from firstcause.signals.bitmap import decode_bitmap, encode_bitmap
from firstcause.signals.codes import NotACode, TroubleCode, code_from_bytes
from firstcause.signals.fields import Value
from firstcause.signals.identity import InUseCounters, MonitorUse
from firstcause.signals.malformed import AnswerTooLong, AnswerTooShort, BadAnswer, OutOfRange, WrongEcho
from firstcause.signals.monitors import MisfireCount, MonitorResult, misfire_counts, misfire_results
from firstcause.signals.parameters import PARAMETERS, Parameter, Reading, parameter, parameter_of
from firstcause.signals.readiness import Monitor, Readiness
from firstcause.signals.services import (
    ERASE,
    READ_SERVICES,
    decode_answer,
    encode_codes,
    encode_current,
    encode_erased,
    encode_freeze,
    encode_info,
    encode_supported,
    encode_tests,
    request_codes,
    request_current,
    request_freeze,
    request_info,
    request_tests,
)
from firstcause.signals.snapshot import BadSnapshot, Gap, Item, Sample, SavedSnapshot, Snapshot, UnitRecord

__all__ = [
    "ERASE",
    "PARAMETERS",
    "READ_SERVICES",
    "Answer",
    "AnswerTooLong",
    "AnswerTooShort",
    "BadAnswer",
    "BadSnapshot",
    "CodeStatus",
    "Codes",
    "CurrentData",
    "Erased",
    "FreezeFrame",
    "Gap",
    "InUseCounters",
    "Item",
    "MisfireCount",
    "Monitor",
    "MonitorResult",
    "MonitorResults",
    "MonitorUse",
    "NotACode",
    "OutOfRange",
    "Parameter",
    "Readiness",
    "Reading",
    "Refused",
    "Sample",
    "SavedSnapshot",
    "Snapshot",
    "SupportedIds",
    "TroubleCode",
    "UnitRecord",
    "Value",
    "VehicleInfo",
    "WrongEcho",
    "code_from_bytes",
    "decode_answer",
    "decode_bitmap",
    "encode_bitmap",
    "encode_codes",
    "encode_current",
    "encode_erased",
    "encode_freeze",
    "encode_info",
    "encode_supported",
    "encode_tests",
    "misfire_counts",
    "misfire_results",
    "parameter",
    "parameter_of",
    "request_codes",
    "request_current",
    "request_freeze",
    "request_info",
    "request_tests",
]
