"""The line of a knowledge file at which a named place stands, found by reading its headings and keys."""

from __future__ import annotations

import re
from collections import Counter

_HEADING = re.compile(r"\s*(\[\[?)\s*([\w.-]+)\s*\]\]?\s*(#.*)?")
_KEY = re.compile(r"\s*([\w-]+)\s*=")
_SAID_BY_TOML = re.compile(r"\(at line (\d+), column \d+\)")


def line_of(text: str, where: str) -> int | None:
    """The line (from 1) of a place such as `shows[2].outcomes`; of what holds it, where the place has no line itself.

    None when nothing of it is in the file. A key that a value over several lines holds is not looked for.
    """
    lines = places_in(text)
    place = where
    while place and place not in lines:
        place = place[: max(place.rfind("."), place.rfind("["), 0)]
    return lines.get(place)


def line_in_message(message: str) -> int | None:
    """The line that the TOML reader names in its own complaint."""
    found = _SAID_BY_TOML.search(message)
    return int(found[1]) if found else None


def places_in(text: str) -> dict[str, int]:
    """Each heading and key of a TOML file, named as the checker names places, with its line from 1."""
    lines: dict[str, int] = {}
    counted: Counter[str] = Counter()
    latest: dict[str, str] = {}  # heading as written -> the place it stands for now
    here = ""
    for number, written in enumerate(text.splitlines(), start=1):
        heading, key = _HEADING.fullmatch(written), _KEY.match(written)
        if heading:
            parent, _, name = heading[2].rpartition(".")
            place = f"{latest.get(parent, parent)}.{name}".removeprefix(".")
            if heading[1] == "[[":
                lines.setdefault(place, number)
                counted[place] += 1
                place = f"{place}[{counted[place]}]"
            latest[heading[2]] = here = place
            lines.setdefault(place, number)
        elif key:
            lines.setdefault(f"{here}.{key[1]}".removeprefix("."), number)
    return lines
