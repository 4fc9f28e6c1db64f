"""Values as TOML text, the way a person would type them."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from datetime import UTC, datetime, timedelta
from math import isfinite

from firstcause.errors import CaseError

_BARE_KEY = re.compile(r"[A-Za-z0-9_-]+")
_CONTROL = re.compile(r"[\x00-\x1f\x7f]")
_SHORT = {"\b": "\\b", "\t": "\\t", "\n": "\\n", "\f": "\\f", "\r": "\\r", '"': '\\"', "\\": "\\\\"}
_TO_ESCAPE = re.compile(r'[\x00-\x1f\x7f"\\]')
_TO_ESCAPE_IN_LINES = re.compile(r'[\x00-\x09\x0b-\x1f\x7f\\]|"(?="|\Z)')
_LARGEST_PLAIN = 1e15  # below this, a whole number reads the same with and without its point


class NotWritable(CaseError):
    """A value has no form in TOML."""

    def __init__(self, value: object) -> None:
        self.value = value
        super().__init__(
            f"{value!r} cannot be written into a case file. Nothing was written. Correct the event that holds it."
        )


def toml_key(text: str) -> str:
    """A key, bare where that is allowed."""
    return text if _BARE_KEY.fullmatch(text) else _quoted(text)


def toml_value(value: object) -> str:
    """A value on one line; raises NotWritable for None, infinity, NaN and what TOML does not know."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, int):
        return str(value)
    if isinstance(value, float):
        return _number(value)
    if isinstance(value, str):
        return _string(value)
    if isinstance(value, datetime):
        return _moment(value)
    if isinstance(value, Mapping):
        inside = ", ".join(f"{toml_key(str(key))} = {toml_value(item)}" for key, item in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(toml_value(item) for item in value)}]"
    raise NotWritable(value)


def toml_lines(values: Mapping[str, object]) -> Iterable[str]:
    """`key = value`, one each; words of several lines stay words of several lines."""
    for key, value in values.items():
        text = _string_in_lines(value) if isinstance(value, str) and "\n" in value else toml_value(value)
        yield f"{toml_key(key)} = {text}"


def _number(value: float) -> str:
    if not isfinite(value):
        raise NotWritable(value)
    plain = value.is_integer() and abs(value) < _LARGEST_PLAIN and str(value) != "-0.0"
    return str(int(value)) if plain else repr(value)


def _string(text: str) -> str:
    literal = ('"' in text or "\\" in text) and "'" not in text and not _CONTROL.search(text)
    return f"'{text}'" if literal else _quoted(text)


def _quoted(text: str) -> str:
    return f'"{_TO_ESCAPE.sub(_escape, text)}"'


def _string_in_lines(text: str) -> str:
    return f'"""\n{_TO_ESCAPE_IN_LINES.sub(_escape, text)}"""'


def _escape(match: re.Match[str]) -> str:
    return _SHORT.get(match[0]) or f"\\u{ord(match[0]):04X}"


def _moment(value: datetime) -> str:
    offset = value.utcoffset()
    if offset is not None and offset % timedelta(minutes=1):
        value = value.astimezone(UTC)  # TOML has no seconds in an offset; the moment is the same
    return value.isoformat().replace("+00:00", "Z")
