"""Hypothesis strategies for every kind of event, made from the models themselves: a new field is covered at once."""

from __future__ import annotations

import types
from datetime import datetime, timedelta, timezone
from typing import Annotated, Any, Literal, Union, get_args, get_origin

from hypothesis import strategies as st
from pydantic import BaseModel
from pydantic.fields import FieldInfo

from firstcause.casebook.events import Corrected, Event, Opened
from firstcause.casebook.people import Person
from firstcause.casebook.written import KINDS

AWKWARD = [
    "",
    'say "hm"',
    '"""',
    "it's\n'''raw'''",
    "line\r\nline\t",
    "\\",
    "ñ ü 火花 🔧",
    "\x7f\x00",
    '\n"',
    '"\n""" """" "',
    "\n\\\\",
]
TEXT = st.text(max_size=12) | st.sampled_from(AWKWARD) | st.text('"\\\n a', max_size=8)
JSON = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats(allow_nan=False, allow_infinity=False) | TEXT,
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(TEXT, inner, max_size=3),
    max_leaves=6,
)
ZONES = st.none() | st.integers(-14 * 60, 14 * 60).map(lambda minutes: timezone(timedelta(minutes=minutes)))
MOMENTS = st.datetimes(min_value=datetime(1, 1, 3), max_value=datetime(9999, 12, 29), timezones=ZONES)


def values(annotation: Any, limits: tuple[Any, ...] = ()) -> st.SearchStrategy[Any]:
    """Any value that a field of this annotation takes."""
    origin, inside = get_origin(annotation), get_args(annotation)
    if origin is Annotated:
        extra = [m for a in inside[1:] for m in (a.metadata if isinstance(a, FieldInfo) else [a])]
        return values(inside[0], (*limits, *extra))
    if origin is Literal:
        return st.sampled_from(inside)
    if origin in (Union, types.UnionType):
        return st.one_of([values(part, limits) for part in inside])
    if origin is tuple:
        return st.lists(values(inside[0]), max_size=3).map(tuple)
    if origin is dict:
        return st.dictionaries(values(inside[0]), values(inside[1]), max_size=3)
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return models(annotation)
    return plain(annotation, {type(m).__name__: m for m in limits}, limits)


def plain(annotation: Any, named: dict[str, Any], limits: tuple[Any, ...]) -> st.SearchStrategy[Any]:
    pattern = next((m.pattern for m in limits if getattr(m, "pattern", None)), None)
    low = named["Ge"].ge if "Ge" in named else named["Gt"].gt if "Gt" in named else None
    high = named["Le"].le if "Le" in named else None
    if annotation is str:
        return st.from_regex(pattern.rstrip("$") + r"\Z") if pattern else TEXT
    if annotation is bool:
        return st.booleans()
    if annotation is int:
        return st.integers(low, high)
    if annotation is float:
        return st.floats(low, high, exclude_min="Gt" in named, allow_nan=False, allow_infinity=False)
    return {type(None): st.none(), Any: JSON}[annotation]


def models(model: type[BaseModel]) -> st.SearchStrategy[Any]:
    """Any value of a model, with any of its optional fields left out."""
    wanted = {name: values(field.annotation, tuple(field.metadata)) for name, field in model.model_fields.items()}
    needed = {name: wanted[name] for name, field in model.model_fields.items() if field.is_required()}
    free = {name: strategy for name, strategy in wanted.items() if name not in needed and name != "kind"}
    return st.fixed_dictionaries(needed, optional=free).map(model.model_validate)


PLAIN_BODIES = st.one_of([models(model) for model in KINDS.values() if model is not Corrected])
CORRECTED = st.deferred(
    lambda: st.builds(
        Corrected, event=TEXT, by=PLAIN_BODIES | st.builds(Corrected, event=TEXT, by=PLAIN_BODIES, why=TEXT), why=TEXT
    )
)
BODIES = PLAIN_BODIES | CORRECTED
PEOPLE = st.dictionaries(TEXT, st.builds(Person, name=TEXT, phone=TEXT, plate=TEXT), max_size=2)


@st.composite
def stories(draw: st.DrawFn) -> list[Event]:
    """Events of a case in order, each of any kind; most of them no case that could stand."""
    bodies = [draw(models(Opened)), *draw(st.lists(BODIES, max_size=4))]
    ids = range(1, len(bodies) + 1)
    return [Event(id=f"e{n}", at=draw(MOMENTS), by=draw(TEXT), body=body) for n, body in zip(ids, bodies, strict=True)]
