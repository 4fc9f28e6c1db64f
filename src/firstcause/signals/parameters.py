"""The parameters (PIDs) of services $01 and $02: one table row each, decoded and encoded by the same row."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from firstcause.errors import RequestError
from firstcause.signals.fields import Choice, CodeField, Field, Flags, Number, ReadinessField, Value
from firstcause.signals.malformed import OutOfRange, require_length


@dataclass(frozen=True, slots=True)
class Reading:
    """One value that the car sent. `value` is None when the car says there is none; `note` then says why.

    `raw` holds the bytes as they came. A parameter that the car does not support has no Reading at all.
    """

    pid: int
    name: str
    value: Value | None
    unit: str
    raw: bytes
    note: str = ""


@dataclass(frozen=True, slots=True)
class Parameter:
    """One row of the table: the parameter's number, what it is in words, and its fields in order of bytes."""

    pid: int
    title: str
    fields: tuple[Field, ...]
    size: int

    def decode(self, data: bytes) -> tuple[Reading, ...]:
        """One Reading a field, from the bytes after the PID; wrong lengths raise AnswerTooShort or AnswerTooLong."""
        require_length(f"Parameter {self.pid:02X} ({self.title})", data, self.size)
        readings, at = [], 0
        for field in self.fields:
            raw = data[at : at + field.size]
            value, note = field.decode(raw)
            readings.append(Reading(self.pid, field.name, value, field.unit, raw, note))
            at += field.size
        return tuple(readings)

    def encode(self, *values: Value | None) -> bytes:
        """The data bytes for one value a field, in order.

        Raises OutOfRange when a value does not fit its bytes or the number of values is wrong.
        """
        if len(values) != len(self.fields):
            raise OutOfRange(self.title, values, f"it takes {len(self.fields)} value(s)")
        return b"".join(field.encode(value) for field, value in zip(self.fields, values, strict=True))


def _row(pid: int, title: str, *fields: Field) -> Parameter:
    return Parameter(pid, title, fields, sum(field.size for field in fields))


def _percent(pid: int, name: str, title: str) -> Parameter:
    return _row(pid, title, Number(name, "%", 1, 100, 255))


def _trim(name: str, unused: int | None = None) -> Number:
    return Number(name, "%", 1, 100, 128, -100, unused=unused)


def _temperature(pid: int, name: str, title: str) -> Parameter:
    return _row(pid, title, Number(name, "°C", 1, offset=-40))


_FUEL_SYSTEM = {
    0x00: "not reported",
    0x01: "open loop, engine cold",
    0x02: "closed loop",
    0x04: "open loop, load or deceleration",
    0x08: "open loop, fault",
    0x10: "closed loop, sensor fault",
}
_SECONDARY_AIR = {  # from memory
    0x01: "before the first catalyst",
    0x02: "after the first catalyst",
    0x04: "to the open air, or off",
    0x08: "pump on for a check",
}
_REQUIREMENT = {  # from memory
    0x01: "OBD II (California)",
    0x02: "OBD (US federal)",
    0x03: "OBD and OBD II",
    0x04: "OBD I",
    0x05: "none",
    0x06: "EOBD",
    0x07: "EOBD and OBD II",
    0x08: "EOBD and OBD",
    0x09: "EOBD, OBD and OBD II",
    0x0A: "JOBD",
    0x0B: "JOBD and OBD II",
    0x0C: "JOBD and EOBD",
    0x0D: "JOBD, EOBD and OBD II",
}
_FUEL = {  # from memory
    0x01: "petrol",
    0x02: "methanol",
    0x03: "ethanol",
    0x04: "diesel",
    0x05: "LPG",
    0x06: "CNG",
    0x07: "propane",
    0x08: "electric",
}
_SENSORS = tuple(f"b{bank}s{sensor}" for bank in (1, 2) for sensor in (1, 2, 3, 4))

# Source of sizes and scalings: SAE J1979-DA / ISO 15031-5. Rows 04–09, 0A–11 and 13–15 read in a stored copy of
# Wikipedia, "OBD-II PIDs"; the others from memory (reference/regulation-and-protocol 2.7).
_ROWS: tuple[Parameter, ...] = (
    _row(0x01, "monitor status since the codes were erased", ReadinessField("readiness", "since-erase")),
    _row(0x02, "code that stored the freeze frame", CodeField("freeze_code")),
    _row(
        0x03,
        "fuel system status",
        Choice("fuel_system_1", _FUEL_SYSTEM),
        Choice("fuel_system_2", _FUEL_SYSTEM),
    ),
    _percent(0x04, "load_pct", "calculated load"),
    _temperature(0x05, "coolant_c", "coolant temperature"),
    _row(0x06, "short-term fuel trim bank 1 (+ adds fuel)", _trim("short_trim_b1_pct")),
    _row(0x07, "long-term fuel trim bank 1 (+ adds fuel)", _trim("long_trim_b1_pct")),
    _row(0x08, "short-term fuel trim bank 2 (+ adds fuel)", _trim("short_trim_b2_pct")),
    _row(0x09, "long-term fuel trim bank 2 (+ adds fuel)", _trim("long_trim_b2_pct")),
    _row(0x0A, "fuel pressure (gauge)", Number("fuel_gauge_kpa", "kPa", 1, 3)),
    _row(0x0B, "intake manifold absolute pressure", Number("manifold_kpa", "kPa", 1)),
    _row(0x0C, "engine speed", Number("engine_rpm", "rpm", 2, 1, 4)),
    _row(0x0D, "vehicle speed", Number("speed_kmh", "km/h", 1)),
    _row(0x0E, "ignition advance cylinder 1", Number("advance_deg", "°", 1, 1, 2, -64)),
    _temperature(0x0F, "intake_air_c", "intake air temperature"),
    _row(0x10, "air flow", Number("air_flow_g_s", "g/s", 2, 1, 100)),
    _percent(0x11, "throttle_pct", "throttle position"),
    _row(0x12, "secondary air status", Choice("secondary_air", _SECONDARY_AIR)),
    _row(0x13, "oxygen sensors present", Flags("oxygen_sensors", _SENSORS)),
    *(
        _row(
            0x14 + place,
            f"oxygen sensor {sensor}",
            Number(f"o2_{sensor}_v", "V", 1, 1, 200),
            _trim(f"o2_{sensor}_trim_pct", unused=0xFF),
        )
        for place, sensor in enumerate(_SENSORS)
    ),
    _row(0x1C, "OBD requirement that the car was built to", Choice("obd_requirement", _REQUIREMENT)),
    _row(0x1F, "run time since start", Number("run_time_s", "s", 2)),
    _row(0x21, "distance with the lamp on", Number("distance_lamp_on_km", "km", 2)),
    _row(0x22, "fuel rail pressure above manifold", Number("rail_above_manifold_kpa", "kPa", 2, 79, 1000)),
    _row(0x23, "fuel rail gauge pressure", Number("rail_gauge_kpa", "kPa", 2, 10)),
    *(
        _row(
            0x24 + place,
            f"wide-range oxygen sensor {sensor}, voltage",
            Number(f"wide_{sensor}_lambda", "", 2, 2, 65536),
            Number(f"wide_{sensor}_v", "V", 2, 8, 65536),
        )
        for place, sensor in enumerate(_SENSORS)
    ),
    _percent(0x2C, "egr_commanded_pct", "commanded exhaust gas recirculation"),
    _row(0x2D, "exhaust gas recirculation error", _trim("egr_error_pct")),
    _percent(0x2E, "purge_commanded_pct", "commanded vapour purge"),
    _percent(0x2F, "fuel_level_pct", "fuel level"),
    _row(0x30, "warm-ups since the codes were erased (stops at 255)", Number("warm_ups_since_erase", "", 1)),
    _row(0x31, "distance since the codes were erased", Number("distance_since_erase_km", "km", 2)),
    _row(0x32, "fuel vapour pressure", Number("vapour_pa", "Pa", 2, 1, 4, signed=True)),
    _row(0x33, "barometric pressure", Number("barometric_kpa", "kPa", 1)),
    *(
        _row(
            0x34 + place,
            f"wide-range oxygen sensor {sensor}, current",
            Number(f"wide_current_{sensor}_lambda", "", 2, 2, 65536),
            Number(f"wide_current_{sensor}_ma", "mA", 2, 1, 256, -128),
        )
        for place, sensor in enumerate(_SENSORS)
    ),
    *(
        _row(0x3C + place, f"catalyst temperature {sensor}", Number(f"catalyst_{sensor}_c", "°C", 2, 1, 10, -40))
        for place, sensor in enumerate(("b1s1", "b2s1", "b1s2", "b2s2"))
    ),
    _row(0x41, "monitor status this driving cycle", ReadinessField("readiness_this_cycle", "this-cycle")),
    _row(0x42, "control unit supply voltage", Number("supply_v", "V", 2, 1, 1000)),
    _row(0x43, "absolute load", Number("absolute_load_pct", "%", 2, 100, 255)),
    _row(0x44, "commanded lambda", Number("commanded_lambda", "", 2, 2, 65536)),
    _percent(0x45, "relative_throttle_pct", "relative throttle position"),
    _temperature(0x46, "ambient_c", "ambient temperature"),
    _percent(0x49, "pedal_d_pct", "accelerator pedal D"),
    _percent(0x4A, "pedal_e_pct", "accelerator pedal E"),
    _percent(0x4B, "pedal_f_pct", "accelerator pedal F"),
    _percent(0x4C, "commanded_throttle_pct", "commanded throttle"),
    _row(0x4D, "time with the lamp on", Number("time_lamp_on_min", "min", 2)),
    _row(0x4E, "time since the codes were erased", Number("time_since_erase_min", "min", 2)),
    _row(0x51, "fuel type", Choice("fuel_type", _FUEL)),
    _percent(0x52, "ethanol_pct", "ethanol share of the fuel"),
    _row(0x53, "fuel vapour absolute pressure", Number("vapour_absolute_kpa", "kPa", 2, 1, 200)),
    _row(0x59, "fuel rail absolute pressure", Number("rail_absolute_kpa", "kPa", 2, 10)),
    _temperature(0x5C, "oil_c", "oil temperature"),
    _row(0x5D, "injection timing", Number("injection_deg", "°", 2, 1, 128, -210)),
    _row(0x5E, "fuel rate", Number("fuel_rate_l_h", "L/h", 2, 1, 20)),
    _row(0x61, "demanded torque", Number("demanded_torque_pct", "%", 1, offset=-125)),
    _row(0x62, "actual torque", Number("actual_torque_pct", "%", 1, offset=-125)),
    _row(0x63, "reference torque", Number("reference_torque_nm", "N·m", 2)),
    _row(0xA6, "odometer", Number("odometer_km", "km", 4, 1, 10)),
)

PARAMETERS: Mapping[int, Parameter] = {row.pid: row for row in _ROWS}
_BY_NAME: Mapping[str, tuple[Parameter, int]] = {
    field.name: (row, at) for row in _ROWS for at, field in enumerate(row.fields)
}


def parameter(pid: int) -> Parameter:
    """The table row of a PID; raises RequestError when our table has none."""
    row = PARAMETERS.get(pid)
    if row is None:
        raise RequestError(
            f"Parameter {pid:02X} is not in our table. Nothing was converted; read its raw bytes instead."
        )
    return row


def parameter_of(name: str) -> Parameter:
    """The row that holds the field called `name`, for example `coolant_c`; raises RequestError for an unknown name."""
    if name not in _BY_NAME:
        raise RequestError(
            f"No parameter has a value called {name!r}. Nothing was converted; see PARAMETERS for names."
        )
    return _BY_NAME[name][0]
