"""The shop's units: which a form asks in, how a typed number comes back to ours, how our own words are shown."""

from __future__ import annotations

import re

from firstcause.casebook.shop_settings import Units
from firstcause.units import convert, find_unit

IMPERIAL = {"km": "mi", "km/h": "mph", "degC": "degF", "kPa": "psi", "bar": "psi"}
"""What a shop with imperial units reads instead; every other unit stays."""
SHOWN = {"degC": "°C", "degF": "°F"}
_MEASURED = re.compile(r"(?<![\w.])(-?\d[\d,]*(?:\.\d+)?) (km/h|km|°C)(?!\w|/)")


def asked_in(unit: str, units: Units) -> str:
    """The unit a form asks in for a number that is kept in `unit`."""
    return IMPERIAL.get(unit, unit) if units == "imperial" else unit


def shown(unit: str) -> str:
    """A unit as people write it."""
    return SHOWN.get(unit, unit)


def kept_as(value: float | None, unit: str, typed_in: str) -> float | None:
    """A number typed in one unit as ours; kept to six figures, so that 88000 mi and back is 88000 mi."""
    if value is None or not typed_in or typed_in == unit:
        return value
    return float(f"{convert(value, typed_in, unit):.7g}")


def in_units(words: str, units: Units) -> str:
    """Our own words with distances, speeds and temperatures as the shop reads them, rounded to the whole unit."""
    if units == "metric":
        return words

    def read(found: re.Match[str]) -> str:
        unit = find_unit(found[2])
        assert unit is not None
        there = IMPERIAL[unit.symbol]
        return f"{convert(float(found[1].replace(',', '')), unit.symbol, there):,.0f} {shown(there)}"

    return _MEASURED.sub(read, words)
