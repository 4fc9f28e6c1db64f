"""A number found at the bench, handed to the judgement that its test names."""

from __future__ import annotations

from collections.abc import Callable, Mapping

from firstcause.bench.bands import measures_of
from firstcause.bench.compression import judge_dry, judge_wet
from firstcause.bench.leakdown import LeakTester, judge_leakdown
from firstcause.bench.parts import judge_distance, judge_readings, judge_share
from firstcause.bench.reading import BenchJudgement, ImpossibleReading
from firstcause.bench.trims import Trims, judge_trims
from firstcause.casebook.events import Found
from firstcause.knowledge.schema import TestEntry
from firstcause.units import UnknownUnit, convert, like
from firstcause.vehicle.layout import EngineLayout
from firstcause.vehicle.place import Place

_PERCENT = ("%", "percent", "pct", "percent lost")
_TRIM_POINTS = {"idle": "idle", "at-1500": "at_1500", "at-2500": "at_2500", "load": "load"}
# Circumstances that are numbers themselves, by the judgement that reckons with them.
NUMBERS_UNDER: Mapping[str, Mapping[str, str]] = {
    "compression-dry": {"cranking-rpm": "Cranking speed, rpm"},
    "compression-wet": {"oil-ml": "Oil put in, ml"},
}
BY_CYLINDER = frozenset({"compression-dry", "distance", "distance-in-unit"})


def units_of(test: TestEntry) -> tuple[str, ...]:
    """The units in which a number of this test may be given, the usual one first; empty for a test without numbers."""
    if test.measures is None:
        return ()
    usual = test.measures.unit
    if test.measures.judged_by == "leak-down":
        return (usual, *(unit for unit in ("%", *like("kPa")) if unit != usual))
    return (usual, *(unit for unit in like(usual) if unit != usual))


def circumstances_of(test: TestEntry) -> dict[str, tuple[str, ...]]:
    """The circumstances that change what a number of this test means, with the values that are known of each."""
    named: dict[str, tuple[str, ...]] = {}
    for each in () if test.measures is None else test.measures.circumstances:
        named[each.name] = (*named.get(each.name, ()), each.value)
    return named


def judge_found(body: Found, test: TestEntry, layout: EngineLayout) -> BenchJudgement:
    """The judgement of a number; what each test needs beside `value` and `unit` stands in docs/case-format.md.

    Raises bench's ImpossibleReading when something that the judgement needs is missing or cannot be, or when the unit
    is not one of this test's (`units_of`).
    """
    try:
        return _JUDGES[measures_of(test).judged_by](body, test, layout)
    except UnknownUnit as error:
        *most, last = units_of(test)
        known = f"{', '.join(most)} or {last}" if most else last
        raise ImpossibleReading(f"{body.unit!r} is no unit of this test; write {known}") from error


def _compression_dry(body: Found, test: TestEntry, layout: EngineLayout) -> BenchJudgement:
    here = Place.parse(body.place).numbers[0]
    return judge_dry(test, _by_cylinder(body, "kPa"), here, layout, body.circumstances)


def _compression_wet(body: Found, test: TestEntry, layout: EngineLayout) -> BenchJudgement:
    _only(body.others, ("dry", "good-dry", "good-wet"))
    dry = _converted(body, "kPa", "dry")
    if dry is None:
        raise ImpossibleReading("the dry reading of the same cylinder is missing (others = { dry = … })")
    good_dry, good_wet = _converted(body, "kPa", "good-dry"), _converted(body, "kPa", "good-wet")
    if (good_dry is None) != (good_wet is None):
        raise ImpossibleReading("of the good cylinder only one of its two readings is given")
    good = None if good_dry is None or good_wet is None else (good_dry, good_wet)
    return judge_wet(
        test, dry, _value(body, "kPa"), good,
        oil_ml=_number(body, "oil-ml"), layout=layout, circumstances=body.circumstances,
    )  # fmt: skip


def _leak_down(body: Found, test: TestEntry, layout: EngineLayout) -> BenchJudgement:
    _only(body.others, ("supply", "orifice-mm", "bore-mm"))
    under = body.circumstances
    if body.unit in _PERCENT:
        assert body.value is not None
        return judge_leakdown(test, 100.0 - body.value, None, supply_kpa=100.0, circumstances=under)
    shown, supply = _value(body, "kPa"), _converted(body, "kPa", "supply")
    if supply is None:
        raise ImpossibleReading("the supply pressure is missing (others = { supply = … } in the same unit)")
    given = body.others["supply"]
    if body.value is not None and body.value > given:
        raise ImpossibleReading(f"{body.value:.1f} {body.unit} is more than the supply of {given:.1f} {body.unit}")
    bore_mm, orifice_mm = body.others.get("bore-mm"), body.others.get("orifice-mm")
    tester = None if orifice_mm is None else LeakTester(orifice_mm, supply)
    return judge_leakdown(test, shown, tester, supply_kpa=supply, bore_mm=bore_mm, circumstances=under)


def _share(body: Found, test: TestEntry, layout: EngineLayout) -> BenchJudgement:
    measures = measures_of(test)
    _only(body.others, tuple(measures.asks))
    key, words = next(iter(measures.asks.items()))
    whole = _converted(body, measures.unit, key)
    if whole is None:
        raise ImpossibleReading(f"one number is missing: {words.lower()} (others = {{ {key} = … }} in the same unit)")
    return judge_share(test, _value(body, measures.unit), whole, measures.unit, body.circumstances)


def _distance(body: Found, test: TestEntry, layout: EngineLayout) -> BenchJudgement:
    unit, here = measures_of(test).unit, Place.parse(body.place).numbers[0]
    return judge_distance(test, _by_cylinder(body, unit), here, unit, body.circumstances)


def _readings(body: Found, test: TestEntry, layout: EngineLayout) -> BenchJudgement:
    unit = measures_of(test).unit
    _only(body.others, tuple(measures_of(test).asks))
    also = {key: _in(number, body.unit, unit, signed=True) for key, number in body.others.items()}
    assert body.value is not None
    return judge_readings(test, _in(body.value, body.unit, unit, signed=True), also, body.circumstances)


def _trims(body: Found, test: TestEntry, layout: EngineLayout) -> BenchJudgement:
    if body.unit not in _PERCENT:
        raise ImpossibleReading(f"a fuel trim in {body.unit!r}; it is given in %")
    _only(body.others, tuple(_TRIM_POINTS))
    at = str(body.circumstances.get("at", "idle"))
    _only({at: 0.0}, tuple(_TRIM_POINTS))
    assert body.value is not None
    points = {_TRIM_POINTS[key]: trim for key, trim in {**body.others, at: body.value}.items()}
    return judge_trims(test, Trims(**points), body.circumstances)


_JUDGES: Mapping[str, Callable[[Found, TestEntry, EngineLayout], BenchJudgement]] = {
    "compression-dry": _compression_dry,
    "compression-wet": _compression_wet,
    "leak-down": _leak_down,
    "share": _share,
    "distance": _distance,
    "distance-in-unit": _distance,
    "reading": _readings,
    "trims": _trims,
}


def _number(body: Found, key: str) -> float | None:
    """A number among the circumstances; None when it is not told. Raises ImpossibleReading when it is none."""
    told = body.circumstances.get(key)
    try:
        return None if told is None else float(told)
    except ValueError as error:
        raise ImpossibleReading(f"{key} is {told!r}, no number") from error


def _in(number: float, unit: str | None, wanted: str, *, signed: bool = False) -> float:
    """A number in the wanted unit; an empty unit never gets here, the case refuses it."""
    if unit is None:
        raise UnknownUnit("", wanted)
    if number < 0 and not signed:
        raise ImpossibleReading(f"{number:.1f} {unit} is below 0")
    return convert(number, unit, wanted)


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
