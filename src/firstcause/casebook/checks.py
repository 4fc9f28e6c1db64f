"""What is wrong with one event: by itself, or on the engine of the case."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from math import isfinite
from typing import Any

from firstcause.casebook.events import (
    Body,
    Counted,
    Drove,
    Event,
    Found,
    Moved,
    Renewed,
    Repaired,
    Reseated,
    Snapshot,
)
from firstcause.casebook.readings import firings_of
from firstcause.casebook.refusals import EventRefused, ImpossibleReading, NotOnThisEngine
from firstcause.signals.codes import NotACode, TroubleCode
from firstcause.vehicle.layout import EngineLayout
from firstcause.vehicle.place import Place


def check_alone(event: str, body: Body) -> None:
    """What is wrong with an event whatever the case says."""
    bad = _not_finite(body.model_dump())
    if bad is not None:
        raise ImpossibleReading(event, body.kind, f"{bad} is not a number", "Leave out what was not measured.")
    if isinstance(body, Found):
        if body.outcome is None and body.value is None:
            why = f"{body.test!r} has neither an outcome nor a value"
            raise ImpossibleReading(event, "found", why, "Say what was seen; if nothing was, record a note.")
        if body.outcome is None and body.unit is None:
            raise ImpossibleReading(event, "found", f"the value {body.value:g} has no unit", "Give its unit.")
    if isinstance(body, Moved) and body.first == body.second:
        why = f"the {body.part} of cylinder {body.first} cannot change places with itself"
        raise ImpossibleReading(event, "moved", why, "Name two cylinders; for the same place record 'reseated'.")
    if isinstance(body, Snapshot):
        frame = body.freeze_frame
        framed = () if frame is None or frame.code is None else (frame.code,)
        for code in (*body.stored, *body.pending, *body.permanent, *framed):
            try:
                TroubleCode(code.strip().upper())
            except NotACode as error:
                why = f"{code!r} is no trouble code"
                raise ImpossibleReading(event, "snapshot", why, "Type it as the read-out shows it.") from error


def _not_finite(value: Any, where: str = "") -> str | None:
    """The path of the first number that is infinite or NaN."""
    if isinstance(value, float):
        return None if isfinite(value) else where
    if isinstance(value, Mapping):
        pairs: Iterable[tuple[Any, Any]] = value.items()
    elif isinstance(value, list | tuple):
        pairs = enumerate(value, start=1)
    else:
        return None
    found = (_not_finite(item, f"{where}.{key}" if where else str(key)) for key, item in pairs)
    return next((path for path in found if path is not None), None)


def check_on_engine(event: Event, layout: EngineLayout) -> None:
    """Whether the engine has every place that an event names, and could have given its counts."""
    body = event.body
    cylinders: list[int] = []
    if isinstance(body, Counted | Drove):
        cylinders = list(body.misfires)
    elif isinstance(body, Moved):
        cylinders = [body.first, body.second]
    elif isinstance(body, Renewed | Reseated):
        cylinders = [body.cylinder]
    elif isinstance(body, Found | Repaired):
        place = Place.parse(body.place)
        if place.kind == "bank" and place.numbers[0] > len(layout.banks):
            raise _off_engine(event, f"this engine has {len(layout.banks)} bank(s), so there is no {place}")
        if place.kind in ("cylinder", "joint"):
            cylinders = list(place.numbers)
        if place.kind == "joint" and not _has_joint(layout, place):
            raise _off_engine(event, f"{place} is not between two neighbouring cylinders of this engine")
    for number in cylinders:
        if number not in layout.cylinders:
            raise _off_engine(event, f"this engine has cylinders 1 to {layout.count}, so there is no cylinder {number}")
    if isinstance(body, Counted | Drove) and body.misfires:
        impossible = firings_of(body, layout).impossible
        if impossible is not None:
            raise ImpossibleReading(event.id, body.kind, impossible, "Check counts, minutes and firings.")


def _has_joint(layout: EngineLayout, place: Place) -> bool:
    first, second = place.numbers
    return first in layout.cylinders and second in layout.neighbours(first)


def _off_engine(event: Event, why: str) -> EventRefused:
    return NotOnThisEngine(event.id, event.body.kind, why, "Correct the place, or the engine in e1 if that is wrong.")
