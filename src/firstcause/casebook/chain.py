"""The hash chain of a case: each record is sealed together with everything before it."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass

from pydantic import ValidationError

from firstcause.casebook.events import Event
from firstcause.errors import CaseError, RequestError


class DamagedRecord(CaseError):
    """A stored record is no event any more."""

    def __init__(self, event: str) -> None:
        self.event = event
        super().__init__(
            f"The record of {event} cannot be read as an event. The events before it are kept. "
            "Check the case, and fetch it from an exported copy."
        )


@dataclass(frozen=True)
class Link:
    """One record as text, and its seal."""

    record: str
    hash: str


@dataclass(frozen=True)
class Break:
    """The first event whose record and seal do not belong together, and why."""

    event: str
    why: str


def first_link(origin: str) -> str:
    """The seal before the first event; `origin` is the random word a case got when it was opened."""
    return hashlib.sha256(f"firstcause case {origin}".encode()).hexdigest()


def seal(before: str, record: str) -> str:
    """The seal of a record: SHA-256 over the seal before it, a line feed and the record, as 64 hex digits.

    Shows accidental or clumsy edits; somebody who rewrites every later seal too is only caught by a head hash
    that was printed or sent away before.
    """
    return hashlib.sha256(f"{before}\n{record}".encode()).hexdigest()


def linked(origin: str, records: Iterable[str]) -> Iterator[Link]:
    """Each record with its seal."""
    before = first_link(origin)
    for record in records:
        before = seal(before, record)
        yield Link(record, before)


def first_break(origin: str, links: Iterable[Link]) -> Break | None:
    """The first link that does not hold, or None when the whole chain does."""
    before = first_link(origin)
    for number, link in enumerate(links, start=1):
        before = seal(before, link.record)
        if before != link.hash:
            return Break(f"e{number}", "its record or its seal was changed after it was written")
        try:
            event = Event.model_validate_json(link.record)
        except ValidationError:
            return Break(f"e{number}", "its record cannot be read as an event")
        if event.id != f"e{number}":
            return Break(f"e{number}", f"its record calls itself {event.id}")
    return None


SEAL_DIGITS = 64
FEWEST_DIGITS = 12  # of a seal copied by hand: 48 bits, so that no two events of a casebook share them by chance


class NoSeal(RequestError):
    """What was given as a printed seal cannot be one."""

    def __init__(self, given: str) -> None:
        self.given = given
        super().__init__(
            f"{given!r} is no seal: it has {FEWEST_DIGITS} to {SEAL_DIGITS} of the signs 0-9 and a-f. "
            "Copy it from the foot of the owner's page or of the record; its beginning is enough."
        )


def sealed_at(printed: str, links: Sequence[Link]) -> int | None:
    """The number of the event whose seal was printed, or None when no event of the chain has that seal.

    `printed` is a seal or its beginning; spaces, dashes and capitals do not matter. Raises NoSeal for anything else.
    """
    digits = "".join(printed.lower().replace("-", " ").split())
    if not (FEWEST_DIGITS <= len(digits) <= SEAL_DIGITS and set(digits) <= set("0123456789abcdef")):
        raise NoSeal(printed)
    return next((n for n, link in enumerate(links, start=1) if link.hash.startswith(digits)), None)


def record_of(event: Event) -> str:
    """An event as the text that is stored and sealed."""
    return event.model_dump_json()


def event_of(record: str, event: str) -> Event:
    """The event in a record; raises DamagedRecord, naming `event`, when there is none."""
    try:
        return Event.model_validate_json(record)
    except ValidationError as error:
        raise DamagedRecord(event) from error
