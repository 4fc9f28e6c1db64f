"""What is wrong with a knowledge file, said in the words of the file instead of the library's."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from difflib import get_close_matches
from typing import Any

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

Context = Mapping[str, Any]
# How each kind of refusal is said: from the value that stands there and the limits that the schema states.
_SAID: Mapping[str, Callable[[object, Context], str]] = {
    "missing": lambda value, limit: "is missing",
    "string_pattern_mismatch": lambda value, limit: f"{value!r} is not an id: lower case, words joined by '-'",
    "literal_error": lambda value, limit: f"{value!r} is not one of {limit['expected']}",
    "greater_than_equal": lambda value, limit: f"{value} is below {limit['ge']:g}",
    "greater_than": lambda value, limit: f"{value} is not above {limit['gt']:g}",
    "less_than_equal": lambda value, limit: f"{value} is above {limit['le']:g}",
    "string_too_short": lambda value, limit: f"{value!r} says nothing: leave it out or say it",
}


def complaints_of(error: ValidationError, kind: type[BaseModel]) -> Iterator[tuple[str, str]]:
    """Each complaint as (where in the file, what is wrong); `kind` is the type that was read."""
    for item in error.errors():
        steps = item["loc"]
        if item["type"] == "extra_forbidden":
            yield _place(steps), f"this key is not known here{_near(str(steps[-1]), kind)}"
        else:
            yield _place(steps), _said(item)


def _said(item: ErrorDetails) -> str:
    say = _SAID.get(item["type"])
    if say is None:
        return item["msg"].removeprefix("Value error, ")
    return say(item["input"], item.get("ctx", {}))


def _place(steps: tuple[int | str, ...]) -> str:
    """`shows[2].outcomes`, counted from 1 as a reader counts."""
    place = ""
    for step in steps:
        place += f"[{step + 1}]" if isinstance(step, int) else f".{step}"
    return place.removeprefix(".") or "the entry"


def _near(key: str, kind: type[BaseModel]) -> str:
    """A hint when the key is nearly one that the entry has."""
    close = get_close_matches(key, kind.model_fields, n=1)
    return f"; {close[0]!r} is" if close else ""
