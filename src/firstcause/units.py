"""Units of the workshop: one table, exact definitions, one way to convert."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from firstcause.errors import RequestError

# Exact by definition: pound, standard gravity, inch, mile (NIST SP 811 (2008), appendix B; from memory).
POUND_KG = 0.45359237
STANDARD_GRAVITY = 9.80665
INCH_MM = 25.4
MILE_KM = 1.609344
QUART_L = 231 * 2.54**3 / 4 / 1000
# Conventional inch of water and of mercury, at 39.2 and 32 degF (NIST SP 811 (2008), appendix B; from memory).
INH2O_KPA = 0.249082
INHG_KPA = 3.38638
KPA_PER_PSI = POUND_KG * STANDARD_GRAVITY / (INCH_MM / 1000) ** 2 / 1000
KPA_PER_BAR = 100.0
STANDARD_ATMOSPHERE_KPA = 101.325

Value = TypeVar("Value", float, NDArray[np.float64])


@dataclass(frozen=True, slots=True)
class Unit:
    """A unit of one quantity: base value = (value + offset) x scale."""

    symbol: str
    quantity: str
    scale: float
    offset: float = 0.0


_UNITS: tuple[tuple[Unit, tuple[str, ...]], ...] = (
    # quantity base units: kPa, degC, km/h, km, s, rpm, percent, mm, ohm, V, A, ml, L/1000 km, count, degree
    (Unit("kPa", "pressure", 1.0), ("kpa", "kilopascal")),
    (Unit("psi", "pressure", KPA_PER_PSI), ("psi", "psig", "lbf/in2", "lb/in2")),
    (Unit("bar", "pressure", KPA_PER_BAR), ("bar",)),
    (Unit("mbar", "pressure", KPA_PER_BAR / 1000), ("mbar", "hpa")),
    (Unit("MPa", "pressure", 1000.0), ("mpa",)),
    (Unit("degC", "temperature", 1.0), ("c", "degc", "°c", "ºc", "celsius", "deg c", "℃")),
    (Unit("degF", "temperature", 5 / 9, -32.0), ("f", "degf", "°f", "ºf", "fahrenheit", "deg f", "℉")),
    (Unit("K", "temperature", 1.0, -273.15), ("k", "kelvin")),
    (Unit("km/h", "speed", 1.0), ("km/h", "kmh", "kph", "km/hr", "kmph", "kilometers per hour", "kilometres per hour")),
    (Unit("mph", "speed", MILE_KM), ("mph", "mi/h", "miles/h", "miles per hour")),
    (
        Unit("m/s", "speed", 3.6),
        ("m/s", "mps", "ms-1", "meters/second", "metres/second", "meters per second", "metres per second"),
    ),
    (Unit("km", "distance", 1.0), ("km", "kilometers", "kilometres")),
    (Unit("mi", "distance", MILE_KM), ("mi", "mile", "miles")),
    (Unit("m", "distance", 0.001), ("m", "meters", "metres")),
    (Unit("ft", "distance", INCH_MM * 12 / 1e6), ("ft", "feet")),
    (Unit("s", "time", 1.0), ("s", "sec", "secs", "second", "seconds")),
    (Unit("ms", "time", 1e-3), ("ms", "msec", "millis", "milliseconds")),
    (Unit("us", "time", 1e-6), ("us", "µs", "microseconds")),
    (Unit("ns", "time", 1e-9), ("ns", "nanoseconds")),
    (Unit("min", "time", 60.0), ("min", "mins", "minutes")),
    (Unit("h", "time", 3600.0), ("h", "hr", "hours")),
    (Unit("rpm", "engine speed", 1.0), ("rpm", "1/min", "rev/min", "r/min", "min-1", "u/min")),
    (Unit("%", "share", 1.0), ("%", "percent", "pct")),
    (Unit("mm", "length", 1.0), ("mm", "millimeters", "millimetres")),
    (Unit("in", "length", INCH_MM), ("in", "inch", "inches")),
    (Unit("ohm", "resistance", 1.0), ("ohm", "ohms", "Ω", "ω")),
    (Unit("kohm", "resistance", 1000.0), ("kohm", "kohms", "kω")),
    (Unit("V", "voltage", 1.0), ("v", "volt", "volts")),
    (Unit("mV", "voltage", 1e-3), ("mv", "millivolt", "millivolts")),
    (Unit("kV", "voltage", 1000.0), ("kv", "kilovolt", "kilovolts")),
    (Unit("A", "current", 1.0), ("a", "amp", "amps", "ampere", "amperes")),
    (Unit("mA", "current", 1e-3), ("ma", "milliamp", "milliamps")),
    (Unit("ml", "volume", 1.0), ("ml", "cm3", "ccm", "cc")),
    (Unit("L", "volume", 1000.0), ("l", "litre", "litres", "liter", "liters")),
    (Unit("L/1000 km", "consumption", 1.0), ("l/1000 km", "l/1000km", "litres per 1000 km")),
    (Unit("qt/1000 mi", "consumption", QUART_L / MILE_KM), ("qt/1000 mi", "qt/1000mi", "quarts per 1000 miles")),
    (Unit("count", "number", 1.0), ("count", "counts", "times")),
    (Unit("deg", "angle", 1.0), ("deg", "degree", "degrees", "°")),
    (Unit("inH2O", "pressure", INH2O_KPA), ("inh2o", "in h2o", "inches of water")),
    (Unit("inHg", "pressure", INHG_KPA), ("inhg", "in hg", "inches of mercury")),
)
_BY_SPELLING = {spelling: unit for unit, spellings in _UNITS for spelling in spellings}


class UnknownUnit(RequestError):
    """No such unit is in the table, or two units measure different things."""

    def __init__(self, spelling: str, other: str | None = None) -> None:
        self.spelling, self.other = spelling, other
        why = f"{spelling!r} is not a unit in the table" if other is None else f"{spelling!r} cannot become {other!r}"
        super().__init__(
            f"The value was not converted: {why}. Write the unit as km/h, mph, degC, degF, kPa, psi or bar."
        )


def find_unit(spelling: str) -> Unit | None:
    """The unit a spelling stands for, or None. Case and outer blanks do not matter."""
    return _BY_SPELLING.get(spelling.strip().lower())


def like(spelling: str) -> tuple[str, ...]:
    """The units of the same quantity as this one, in the order of the table; empty when it is no unit."""
    unit = find_unit(spelling)
    return () if unit is None else tuple(each.symbol for each, _ in _UNITS if each.quantity == unit.quantity)


def convert(value: Value, from_unit: str, to_unit: str) -> Value:
    """A number (or array) in another unit of the same quantity; shape is kept.

    Raises UnknownUnit for a spelling outside the table or two different quantities.

    Source: exact definitions above; degF = 9/5 degC + 32.
    """
    source, target = find_unit(from_unit), find_unit(to_unit)
    if source is None:
        raise UnknownUnit(from_unit)
    if target is None:
        raise UnknownUnit(to_unit)
    if source.quantity != target.quantity:
        raise UnknownUnit(from_unit, to_unit)
    return (value + source.offset) * source.scale / target.scale - target.offset
