"""A pack in another language: every text a reader meets replaced, every id and number as it is."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import replace
from types import MappingProxyType
from typing import Any

from pydantic import BaseModel

from firstcause.knowledge.base import Knowledge
from firstcause.knowledge.model_numbers import ComplaintWords
from firstcause.tongue import _, language

SAID = frozenset(
    {"name", "plain", "watch", "how", "says", "ask", "text", "owner", "do", "say", "quantity", "asks", "what"}
)
"""The fields of an entry that are said to somebody. Grounds (`why`), and sources stay as written. Tools are keys of
the shop's settings, circumstances keys of a finding: they stay too, and the page that shows them says them."""
_SHELVES = ("faults", "tests", "repairs", "parts", "access", "questions", "cautions", "triage")
# Names that the rest of the program looks things up by.
_KEYS = frozenset({("Circumstance", "name")})


def as_spoken(knowledge: Knowledge) -> Knowledge:
    """The same pack in the language spoken now; made once for each language."""
    spoken = language()
    if spoken == "en":
        return knowledge
    key = ("in the language", spoken)
    if key not in knowledge.worked_out:
        shelves: dict[str, Any] = {
            name: MappingProxyType({id_: _said(entry) for id_, entry in getattr(knowledge, name).items()})
            for name in _SHELVES
        }
        knowledge.worked_out[key] = replace(knowledge, model=_said(knowledge.model), **shelves)
    found: Knowledge = knowledge.worked_out[key]
    return found


def texts_of(knowledge: Knowledge) -> Iterator[str]:
    """Every text of a pack that can be said in another language, in reading order, some more than once."""
    for name in _SHELVES:
        for entry in getattr(knowledge, name).values():
            yield from _texts(entry)
    yield from _texts(knowledge.model)
    for test in knowledge.tests.values():
        yield from test.tools
        for each in () if test.measures is None else test.measures.circumstances:
            yield each.name.replace("-", " ").capitalize()
            yield each.value


def _is_said(model: BaseModel, field: str) -> bool:
    if isinstance(model, ComplaintWords):
        return True
    return field in SAID and (type(model).__name__, field) not in _KEYS


def _said(value: Any, words: bool = False) -> Any:
    if isinstance(value, str):
        return _(value) if words and value else value
    if isinstance(value, BaseModel):
        update = {field: _said(inner, _is_said(value, field)) for field, inner in value}
        changed = {field: inner for field, inner in update.items() if inner is not getattr(value, field)}
        return value.model_copy(update=changed) if changed else value
    if isinstance(value, Mapping):
        made = {key: _said(inner, words) for key, inner in value.items()}
        return made if any(made[key] is not value[key] for key in made) else value
    if isinstance(value, (list, tuple)) and any(not isinstance(inner, (int, float)) for inner in value):
        listed = [_said(inner, words) for inner in value]
        if all(new is old for new, old in zip(listed, value, strict=True)):
            return value
        return type(value)(listed)
    return value


def _texts(value: Any, words: bool = False) -> Iterator[str]:
    if isinstance(value, str):
        if words and value:
            yield value
    elif isinstance(value, BaseModel):
        for field, inner in value:
            yield from _texts(inner, _is_said(value, field))
    elif isinstance(value, Mapping):
        for inner in value.values():
            yield from _texts(inner, words)
    elif isinstance(value, (list, tuple)):
        for inner in value:
            yield from _texts(inner, words)
