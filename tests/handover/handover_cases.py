"""The written cases of the hand-over's tests, each weighed once, and ways to read what a page says."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from functools import cache
from html.parser import HTMLParser
from pathlib import Path

from firstcause.casebook.case import replay
from firstcause.casebook.events import Body, Event
from firstcause.casebook.people import Person
from firstcause.casebook.weighing import WeighedCase, weigh_case
from firstcause.casebook.written import WrittenCase, read_case
from firstcause.handover import Report, build_report
from firstcause.knowledge.base import Knowledge, load

CASES = Path(__file__).parent / "cases"
NAMES = ("cured_valve", "relieved_oil", "declined_gasket", "not_found_bouts", "referred_driver")
NOW = datetime(2026, 6, 9, 17, 0, tzinfo=UTC)
HEAD = "5ea1" * 16


@cache
def knowledge() -> Knowledge:
    return load()


@cache
def written(name: str) -> WrittenCase:
    return read_case((CASES / f"{name}.toml").read_text(encoding="utf-8"), at=NOW, name=name)


@cache
def weighed(name: str) -> WeighedCase:
    return weigh_case(replay(written(name).events), knowledge())


@cache
def report(name: str) -> Report:
    return build_report(weighed(name), head=HEAD, now=NOW, people=written(name).people)


def with_bodies(name: str, change: Callable[[Body], Body | None]) -> WeighedCase:
    """A case whose events were changed or left out (None), numbered anew and weighed; nothing may name an event."""
    bodies = [(event, change(event.body)) for event in written(name).events]
    kept = [(event, body) for event, body in bodies if body is not None]
    events = [Event(id=f"e{n}", at=event.at, by=event.by, body=body) for n, (event, body) in enumerate(kept, start=1)]
    return weigh_case(replay(events), knowledge())


def papers_of(case: WeighedCase, people: dict[str, Person] | None = None) -> Report:
    return build_report(case, head=HEAD, now=NOW, people=people)


class _Visible(HTMLParser):
    """The texts of a page, one for each innermost element; labels inside pictures and styles are left out."""

    def __init__(self) -> None:
        super().__init__()
        self._hidden = 0
        self.texts: list[str] = []

    def handle_starttag(self, tag: str, attrs: object) -> None:
        self._hidden += tag in ("style", "svg", "title")

    def handle_endtag(self, tag: str) -> None:
        self._hidden -= tag in ("style", "svg", "title")

    def handle_data(self, data: str) -> None:
        if not self._hidden and data.strip():
            self.texts.append(" ".join(data.split()))


def visible_texts(html: str) -> list[str]:
    reader = _Visible()
    reader.feed(html)
    return reader.texts


def squeezed(text: str) -> str:
    """A text without its white space and soft breaks, so that lines broken anywhere compare equal."""
    return "".join(text.split()).replace("\u00ad", "")
