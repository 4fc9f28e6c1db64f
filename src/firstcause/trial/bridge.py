"""Between the words of the knowledge and the virtual car: a test done, a repair done, a fault rightly named."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from fnmatch import fnmatchcase
from functools import cache
from importlib import resources
from statistics import median
from typing import Any

from firstcause.casebook.events import Found
from firstcause.errors import RequestError
from firstcause.vehicle.layout import EngineLayout
from firstcause.vehicle.place import Place
from firstcause.virtualcar.fault_table import RECIPES
from firstcause.virtualcar.shopday import Answer, ShopDay
from firstcause.virtualcar.workshop import Shown

NOT_RUNNING = "does-not-run"


@dataclass(frozen=True)
class Bridge:
    """The data file as it stands: see its comments for what each key means."""

    tests: Mapping[str, Mapping[str, Any]]
    no_instrument: Mapping[str, str]
    repairs: Mapping[str, Mapping[str, list[str]]]
    names: Mapping[str, tuple[str, ...]]

    def is_right(self, physical: str, at: int | None, fault: str, place: Place, layout: EngineLayout) -> bool:
        """Whether `fault` at `place` is a right name for the physical fault that sits at cylinder `at` (None: engine).

        A name for a bank or the whole engine is right when the fault is in it; a joint when the cylinder is at it.
        """
        if fault not in self.names.get(physical, ()):
            return False
        if at is None or place.kind == "engine":
            return True
        if place.kind == "bank":
            return layout.bank_of(at) == place.numbers[0]
        return at in place.numbers


@cache
def bridge() -> Bridge:
    """The bridge that is shipped."""
    text = resources.files("firstcause.trial").joinpath("bridge.toml").read_text(encoding="utf-8")
    table = tomllib.loads(text)
    names = {physical: tuple(words) for physical, words in table["names"].items()}
    return Bridge(table["tests"], table["no_instrument"], table["repairs"], names)


def cylinders_at(place: Place, layout: EngineLayout) -> tuple[int, ...]:
    """The cylinders a place holds."""
    if place.kind == "engine":
        return layout.cylinders
    return layout.banks[place.numbers[0] - 1] if place.kind == "bank" else place.numbers


def measure(day: ShopDay, test: str, place: Place) -> Found | None:
    """Do a test of the knowledge on the car; None when it cannot be done now (the engine does not keep running).

    Raises KeyError when the virtual car has no instrument for it.
    """
    how, layout = bridge().tests[test], day.car.layout
    here = cylinders_at(place, layout)[0]
    before = {}
    for key, (instrument, value_name) in how.get("before", {}).items():
        before[key] = _number(day.do(f"{instrument} {here}").values, value_name)
    answer = _seen(day, how["instrument"], here)
    if answer.outcome == NOT_RUNNING:
        return None
    where = str(place)
    found = _in_words(how, answer, here)
    if found is not None:
        return Found(test=test, place=where, outcome=found, note=answer.words)
    scale = float(how.get("scale", 1.0))
    at = {"n": here, "b": layout.bank_of(here)}
    value = _number(answer.values, how["value"].format(**at)) * scale
    if value <= 0 and "zero" in how:
        return Found(test=test, place=where, outcome=how["zero"], note=answer.words)
    others = dict(before)
    if how.get("sisters"):
        for number in layout.cylinders:
            if number != here:
                sister = _seen(day, how["instrument"], number)
                others[str(number)] = _number(sister.values, how["value"]) * scale
    for key, told in how.get("others", {}).items():
        others[key] = _number(answer.values, told.format(**at)) if isinstance(told, str) else float(told)
    return Found(test=test, place=where, value=value, unit=how["unit"], others=others,
                 circumstances=dict(how.get("circumstances", {})), note=answer.words)  # fmt: skip


def _seen(day: ShopDay, instrument: str, cylinder: int) -> Answer:
    return day.do(f"{instrument} {cylinder}")


def _in_words(how: Mapping[str, Any], answer: Answer, cylinder: int) -> str | None:
    """The outcome of the test in its own word; None where a number has to be judged."""
    assert answer.outcome is not None
    if answer.outcome in how.get("words_first", {}):
        return str(how["words_first"][answer.outcome])
    if "of_median" in how:
        names = [name for name in answer.values if fnmatchcase(name, how["of_median"])]
        drops = [_number(answer.values, name) for name in names]
        usual = median(drops)
        share = _number(answer.values, how["value"].format(n=cylinder)) / usual if usual > 0 else 1.0
        return str(next((word for below, word in how["steps"] if share < below), how["otherwise"]))
    if "value" in how:
        return None
    if "among" in how:
        signs = answer.values[how["among"]]
        assert isinstance(signs, tuple)
        for pattern, word in how["signs"]:
            if any(fnmatchcase(sign, pattern.format(n=cylinder)) for sign in signs):
                return str(word)
        return str(how["otherwise"])
    return str(how.get("words", {}).get(answer.outcome, answer.outcome))


def _number(values: Mapping[str, Shown], name: str) -> float:
    value = values[name]
    if not isinstance(value, int | float):
        raise RequestError(f"The virtual instrument gave no number for {name!r}. Nothing was recorded.")
    return float(value)


def mend(day: ShopDay, repair: str, place: Place) -> None:
    """Do a repair of the knowledge on the car, whatever it then helps."""
    how, layout = bridge().repairs[repair], day.car.layout
    here = cylinders_at(place, layout)
    banks = dict.fromkeys(layout.bank_of(number) for number in here)
    one_of_each = [layout.banks[each - 1][0] for each in banks]
    day.car.stop()
    for words in (*(f"work {work}" for work in how.get("works", ())), *how.get("acts", ())):
        each: list[int | None] = [None]
        if "{n}" in words:
            each = [*here]
        elif "{b}" in words:
            each = [*one_of_each]
        for number in each:
            day.do(words.format(n=number, b=number))
    for number in here:
        for fault in how.get("cleans", ()):
            day.car.condition.cure(fault, number)


def puts_right(repair: str) -> frozenset[str]:
    """The physical faults that a repair of the knowledge would take away where they sit."""
    from firstcause.virtualcar.works import WORKS

    how = bridge().repairs[repair]
    right = set(how.get("cleans", ()))
    for work in how.get("works", ()):
        right |= set(WORKS[work.split()[0]].puts_right)
    for act in how.get("acts", ()):
        words = act.split()
        if words[0] == "replace":
            right |= {recipe.id for recipe in RECIPES.values() if recipe.holder == words[1]}
            right |= {"plug-loose"} if words[1] == "plug" else set()  # a new one is tightened
        elif act == "drain tank":
            right.add("fuel-bad")
    return frozenset(right)
