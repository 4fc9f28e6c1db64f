"""A number found at the bench, handed to the judgement that its test names."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from firstcause.bench.compression import judge_dry, judge_wet
from firstcause.bench.leakdown import LeakTester, judge_leakdown
from firstcause.bench.parts import judge_plug_gap, judge_resistance
from firstcause.bench.reading import BenchJudgement, ImpossibleReading
from firstcause.bench.trims import Trims, judge_trims
from firstcause.casebook.events import Found
from firstcause.knowledge.schema import Measures
from firstcause.units import UnknownUnit, convert
from firstcause.vehicle.layout import EngineLayout
from firstcause.vehicle.place import Place

_PERCENT = ("%", "percent", "pct", "percent lost")
_PRESSURE = ("psi", "kPa", "bar", "mbar", "MPa")
UNITS: Mapping[str, tuple[str, ...]] = {
    "compression-dry": _PRESSURE,
    "compression-wet": _PRESSURE,
    "leak-down": (*_PRESSURE, "percent lost"),
    "plug-gap": ("mm", "in"),
    "trims": ("%",),
    "coil-resistance": ("ohm", "kohm"),
    "injector-resistance": ("ohm", "kohm"),
}
_TRIM_POINTS = {"idle": "idle", "at-1500": "at_1500", "at-2500": "at_2500", "load": "load"}


def judge_found(body: Found, measures: Measures, layout: EngineLayout) -> BenchJudgement:
    """The judgement of a number; what each test needs beside `value` and `unit` stands in docs/case-format.md.

    Raises bench's ImpossibleReading when something that the judgement needs is missing or cannot be, or when the unit
    is not one of this test's (`UNITS`).
    """
    try:
        return _JUDGES[measures.judged_by](body, layout)
    except UnknownUnit as error:
        *most, last = UNITS[measures.judged_by]
        known = f"{', '.join(most)} or {last}" if most else last
        raise ImpossibleReading(f"{body.unit!r} is no unit of this test; write {known}") from error


def _compression_dry(body: Found, layout: EngineLayout) -> BenchJudgement:
    return judge_dry(_by_cylinder(body, "kPa"), Place.parse(body.place).numbers[0], layout)


def _compression_wet(body: Found, layout: EngineLayout) -> BenchJudgement:
    _only(body.others, ("dry", "good-dry", "good-wet"))
    dry = _converted(body, "kPa", "dry")
    if dry is None:
        raise ImpossibleReading("the dry reading of the same cylinder is missing (others = { dry = … })")
    return judge_wet(dry, _value(body, "kPa"), _converted(body, "kPa", "good-dry"), _converted(body, "kPa", "good-wet"))


def _leak_down(body: Found, layout: EngineLayout) -> BenchJudgement:
    _only(body.others, ("supply", "orifice-mm", "bore-mm"))
    if body.unit in _PERCENT:
        assert body.value is not None
        return judge_leakdown(100.0 - body.value, None, supply_kpa=100.0)
    shown, supply = _value(body, "kPa"), _converted(body, "kPa", "supply")
    if supply is None:
        raise ImpossibleReading("the supply pressure is missing (others = { supply = … } in the same unit)")
    given = body.others["supply"]
    if body.value is not None and body.value > given:
        raise ImpossibleReading(f"{body.value:.1f} {body.unit} is more than the supply of {given:.1f} {body.unit}")
    bore_mm, orifice_mm = body.others.get("bore-mm"), body.others.get("orifice-mm")
    tester = None if orifice_mm is None else LeakTester(orifice_mm, supply)
    return judge_leakdown(shown, tester, supply_kpa=supply, bore_mm=bore_mm)


def _plug_gap(body: Found, layout: EngineLayout) -> BenchJudgement:
    _only(body.others, ("specified",))
    specified = _converted(body, "mm", "specified")
    if specified is None:
        raise ImpossibleReading("the specified gap is missing (others = { specified = … })")
    return judge_plug_gap(_value(body, "mm"), specified)


def _trims(body: Found, layout: EngineLayout) -> BenchJudgement:
    if body.unit not in _PERCENT:
        raise ImpossibleReading(f"a fuel trim in {body.unit!r}; it is given in %")
    _only(body.others, tuple(_TRIM_POINTS))
    at = str(body.circumstances.get("at", "idle"))
    _only({at: 0.0}, tuple(_TRIM_POINTS))
    assert body.value is not None
    return judge_trims(Trims(**{_TRIM_POINTS[key]: trim for key, trim in {**body.others, at: body.value}.items()}))


def _resistance(body: Found, layout: EngineLayout) -> BenchJudgement:
    return judge_resistance(body.test, _by_cylinder(body, "ohm"), Place.parse(body.place).numbers[0])


_JUDGES: Mapping[str, Callable[[Found, EngineLayout], BenchJudgement]] = {
    "compression-dry": _compression_dry,
    "compression-wet": _compression_wet,
    "leak-down": _leak_down,
    "plug-gap": _plug_gap,
    "trims": _trims,
    "coil-resistance": _resistance,
    "injector-resistance": _resistance,
}


def _in(number: float, unit: str | None, wanted: str) -> float:
    """A number in the wanted unit; an empty unit never gets here, the case refuses it."""
    if unit is None:
        raise UnknownUnit("", wanted)
    if number < 0:
        raise ImpossibleReading(f"{number:.1f} {unit} is below 0")
    return convert(number, {"millimetres": "mm"}.get(unit, unit), wanted)


def _value(body: Found, wanted: str) -> float:
    assert body.value is not None
    return _in(body.value, body.unit, wanted)


def _converted(body: Found, wanted: str, key: str) -> float | None:
    number = body.others.get(key)
    return None if number is None else _in(number, body.unit, wanted)


def _only(given: Mapping[str, float], known: tuple[str, ...]) -> None:
    for key in given:
        if key not in known:
            raise ImpossibleReading(f"{key!r} is not asked for; this test knows {', '.join(known)}")


def _by_cylinder(body: Found, wanted: str) -> dict[int, float]:
    """The value at its cylinder and the others at theirs; keys are `3` or `cylinder 3`."""
    readings = {}
    for key, number in body.others.items():
        bare = key.removeprefix("cylinder ").strip()
        if not (bare.isascii() and bare.isdigit()):
            raise ImpossibleReading(f"{key!r} is no cylinder; write others = {{ 1 = …, 2 = … }}")
        readings[int(bare)] = _in(number, body.unit, wanted)
    here = Place.parse(body.place)
    return {**readings, here.numbers[0]: _value(body, wanted)}
