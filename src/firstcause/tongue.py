"""Which language is spoken: English as written in the source, or what the catalogues in `tongues/` say instead.

The key of a text is its English. A text without a translation is said in English. Who speaks another language says so
around what it calls (`with speaking("de"):`); a context variable carries it, so that the rules in between need no
argument for it and give the same English when nobody said anything.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from datetime import date as Date
from datetime import datetime
from functools import cache
from pathlib import Path
from string import Formatter
from typing import Any, TypeVar

ENGLISH = "en"
TONGUES = Path(__file__).parent / "tongues"
_spoken: ContextVar[str] = ContextVar("firstcause_language", default=ENGLISH)
_NOUNS_KEEP_CAPITALS = frozenset({"de"})
Text = TypeVar("Text")


def language() -> str:
    """The short name of the language spoken now, `en` unless somebody said otherwise."""
    return _spoken.get()


@contextmanager
def speaking(name: str) -> Iterator[None]:
    """Speak this language inside the block; one without catalogues is English in every word."""
    before = _spoken.set(name)
    try:
        yield
    finally:
        _spoken.reset(before)


def languages() -> tuple[str, ...]:
    """English, and every language that has catalogues."""
    return (ENGLISH, *sorted(folder.name for folder in TONGUES.glob("*") if any(folder.glob("*.po"))))


@cache
def catalogue(name: str) -> Mapping[str, str]:
    """All texts of a language by their English; empty ones and those marked fuzzy are left out."""
    if name == ENGLISH or not (TONGUES / name).is_dir():
        return {}
    from babel.messages.pofile import read_po

    found: dict[str, str] = {}
    for file in sorted((TONGUES / name).glob("*.po")):
        with file.open("rb") as lines:
            for message in read_po(lines):
                if message.id and message.string and not message.fuzzy:
                    found[str(message.id)] = str(message.string)
    return found


def _(message: str, **values: Any) -> str:
    """A text in the language spoken now. `values` go into its {places}; numbers there as that language writes them."""
    spoken = _spoken.get()
    said = message if spoken == ENGLISH else catalogue(spoken).get(message, message)
    return _Numbers(spoken).format(said, **values) if values else said


def N_(words: Text) -> Text:
    """Marks a text, or a table of texts, that is said later with _()."""
    return words


class Said(Mapping[str, Text]):
    """A table of words: what is looked up comes in the language spoken at that moment. Tuples of words too."""

    def __init__(self, table: Mapping[str, Text]) -> None:
        self._table = table

    def __getitem__(self, key: str) -> Text:
        return _in_words(self._table[key])

    def __iter__(self) -> Iterator[str]:
        return iter(self._table)

    def __len__(self) -> int:
        return len(self._table)


def _in_words(found: Text) -> Text:
    return _translated(found)  # type: ignore[no-any-return]


def _translated(found: Any) -> Any:
    if isinstance(found, tuple):
        return tuple(_translated(each) for each in found)
    return _(found) if isinstance(found, str) and found else found


def small(name: str) -> str:
    """A name inside a sentence: in small letters, unless the language writes its nouns with capitals."""
    return name if _spoken.get() in _NOUNS_KEEP_CAPITALS else name.lower()


def small_first(text: str) -> str:
    """A text inside a sentence: its first letter small, unless the language writes its nouns with capitals."""
    return text if _spoken.get() in _NOUNS_KEEP_CAPITALS else text[:1].lower() + text[1:]


def number(value: float, spec: str = ",.0f") -> str:
    """A number by a format of Python, with the decimal and grouping signs of the language."""
    return _Numbers(_spoken.get()).format_field(value, spec)


class _Numbers(Formatter):
    """Formats as Python does, then writes the signs of the language (Source: Unicode CLDR, by babel)."""

    def __init__(self, spoken: str) -> None:
        self._signs = None if spoken == ENGLISH else _signs(spoken)

    def format_field(self, value: Any, format_spec: str) -> str:
        said = str(format(value, format_spec))
        is_number = isinstance(value, (int, float)) and not isinstance(value, bool)
        return said.translate(self._signs) if self._signs and is_number else said


def date_and_time(moment: datetime) -> str:
    """`4 Mar 16:30`, as the language writes a day of this year in short."""
    if _spoken.get() == ENGLISH:
        return f"{moment.day} {moment:%b %H:%M}"
    from babel.dates import format_skeleton

    return f"{format_skeleton('MMMd', moment, locale=_spoken.get())} {moment:%H:%M}"


def date(moment: datetime | Date) -> str:
    """`4 March 2026`, as the language writes a day in full."""
    if _spoken.get() == ENGLISH:
        return f"{moment.day} {moment:%B %Y}"
    from babel.dates import format_date

    return format_date(moment, "long", locale=_spoken.get())


@cache
def _signs(name: str) -> dict[int, str]:
    from babel import Locale, UnknownLocaleError

    try:
        symbols = Locale.parse(name).number_symbols["latn"]
    except (UnknownLocaleError, ValueError):
        return {}
    return {ord(","): symbols["group"], ord("."): symbols["decimal"]}
