"""A case written by hand: a plain TOML file, read into events and written back without loss.

The form is described, with an example of every kind of event, in docs/case-format.md.
"""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime, time
from pathlib import Path
from typing import Any, TypeVar, get_args

from pydantic import BaseModel, ValidationError

from firstcause.casebook.events import Body, Car, Corrected, Event, Opened, Told
from firstcause.casebook.people import Person
from firstcause.casebook.refusals import near
from firstcause.casebook.toml_text import toml_key, toml_lines
from firstcause.errors import CaseError

FORMAT = 1
M = TypeVar("M", bound=BaseModel)
KINDS: Mapping[str, type[BaseModel]] = {
    model.model_fields["kind"].default: model for model in get_args(get_args(Body)[0])
}
_TOP = ("format", "recorded_by", "event_count", "opened", "car", "people", "story", "event")
_ENVELOPE = ("id", "at", "recorded_by")
_AS_JSON = ("record", "judgement")  # the car's full answer and a judgement may hold anything JSON can
_HEADER = re.compile(r"\s*\[\[?\s*(event\s*\]\]|opened|story|car|people)")
_AT_LINE = re.compile(r"\s*\(at (?:line (\d+), column \d+|end of document)\)$")


class BadCaseFile(CaseError):
    """A case file cannot be read; says where, why, and how much of it was whole."""

    def __init__(self, name: str, line: int | None, why: str, todo: str, whole_events: int | None = None) -> None:
        self.name, self.line, self.why, self.whole_events = name, line, why, whole_events
        where = "" if line is None else f", line {line}"
        up_to = "" if not whole_events else f" Before that stand {whole_events} whole event(s)."
        super().__init__(f"{name}{where}: {why}.{up_to} Nothing was taken over and the file is untouched. {todo}")


@dataclass(frozen=True)
class WrittenCase:
    """What a case file holds: the events in order, and the personal data that stand beside them."""

    events: tuple[Event, ...]
    people: Mapping[str, Person]


def read_case(text: str, *, at: datetime, name: str = "the case file") -> WrittenCase:
    """The events written in a case file.

    `at` is the time of events that give none and follow none that does; `name` is how errors call the file. Ids follow
    the order: the opening is e1, [story] (if there) e2, then each [[event]]. Whether the events make a case is for
    `replay` to say.

    Raises BadCaseFile for text that is no TOML or was cut off, an unknown key or kind, a missing or impossible value.
    """
    return _Reader(text, at, name).read()


def read_case_file(path: Path, *, at: datetime) -> WrittenCase:
    """The events of a case file on disk, read as `read_case` does.

    Raises BadCaseFile for bytes that are no UTF-8 too, and OSError for a file that cannot be opened.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        raise BadCaseFile(path.name, None, "it is not UTF-8 text", "Save it as UTF-8 and read it again.") from error
    return read_case(text, at=at, name=path.name)


def write_case(events: Sequence[Event], people: Mapping[str, Person] | None = None) -> str:
    """The case file of these events; `read_case` gives the same events and people back.

    Raises CaseError when the events do not begin with `opened` or are not e1, e2, e3 …, NotWritable for a number that
    is infinite or NaN.
    """
    if not events or not isinstance(events[0].body, Opened):
        raise CaseError("The case was not written: it has no 'opened' event at its beginning. Put one there.")
    if [event.id for event in events] != [f"e{n}" for n in range(1, len(events) + 1)]:
        raise CaseError("The case was not written: its events are not e1, e2, e3 … in order. Give the whole case.")
    return "\n".join(_file_lines(events, people or {})) + "\n"


# --- writing ---


def event_text(body: Body) -> str:
    """One event as a block that may be added to a case file."""
    return "\n".join(_table("[[event]]", {"kind": body.kind, **_said(body)})).lstrip()


def _file_lines(events: Sequence[Event], people: Mapping[str, Person]) -> Iterator[str]:
    opening, *rest = events
    body = opening.body
    assert isinstance(body, Opened)
    yield from toml_lines({"format": FORMAT, "event_count": len(events)})
    if opening.by:
        yield from toml_lines({"recorded_by": opening.by})
    yield from _table("[opened]", {"at": opening.at, **_said(body, "car")})
    yield from _table("[car]", _said(body.car, "engine"))
    yield from _table("[car.engine]", _said(body.car.engine))
    for ref, person in people.items():
        yield from _table(f"[people.{toml_key(ref)}]", _said(person))
    before = opening
    for event in rest:
        envelope: dict[str, object] = {}
        if event.at.isoformat() != before.at.isoformat():
            envelope["at"] = event.at
        if event.by != opening.by:
            envelope["recorded_by"] = event.by
        if event.id == "e2" and isinstance(event.body, Told):
            yield from _table("[story]", {**envelope, **_said(event.body)})
        else:
            yield from _event_block(event, envelope)
        before = event


def _event_block(event: Event, envelope: Mapping[str, object]) -> Iterator[str]:
    body = event.body
    yield from _table("[[event]]", {"id": event.id, "kind": body.kind, **envelope, **_said(body)})
    header = "event"
    while isinstance(body, Corrected):
        body, header = body.by, f"{header}.by"
        yield from _table(f"[{header}]", {"kind": body.kind, **_said(body)})


def _table(header: str, values: Mapping[str, object]) -> Iterator[str]:
    yield ""
    yield header
    yield from toml_lines(values)


def _said(model: BaseModel, *leave_out: str) -> dict[str, object]:
    """What a model says beyond its defaults, nested parts as inline tables, free parts as JSON."""
    skip = {"kind", *leave_out, *(("by",) if isinstance(model, Corrected) else ())}
    said = model.model_dump(mode="json", exclude_defaults=True, exclude=skip)
    return {key: _as_json(value) if key in _AS_JSON else value for key, value in said.items()}


def _as_json(value: object) -> str:
    return json.dumps(value, ensure_ascii=False)


# --- reading ---


class _Reader:
    """One pass over one file; knows the line of every block for its complaints."""

    def __init__(self, text: str, at: datetime, name: str) -> None:
        self._text, self._at, self._name = text, at, name
        self._lines = list(_headers(text))
        self._recorded_by = ""
        self._events: list[Event] = []

    def read(self) -> WrittenCase:
        raw = self._parsed()
        self._check_top(raw)
        self._recorded_by = raw.get("recorded_by", "")
        opened = self._block(raw.get("opened", {}), "opened")
        car = raw.get("car")
        if car is None:
            raise self._bad(None, "it has no [car]", "Describe the car under [car] and [car.engine].")
        self._take({"kind": "opened", **opened, "car": self._valid(Car, self._block(car, "car"), "car")}, "opened")
        if "story" in raw:
            self._take({"kind": "told", **self._block(raw["story"], "story")}, "story")
        blocks = raw.get("event", [])
        if not isinstance(blocks, list):
            raise self._bad(self._line_of("event"), "[event] stands in single brackets", "Write [[event]].")
        for number, block in enumerate(blocks):
            self._take(self._block(block, "event", number), "event", number)
        self._check_count(raw)
        people = self._block(raw.get("people", {}), "people")
        return WrittenCase(
            tuple(self._events),
            {ref: self._valid(Person, self._block(data, "people"), "people") for ref, data in people.items()},
        )

    def _parsed(self) -> dict[str, Any]:
        try:
            return tomllib.loads(self._text)
        except tomllib.TOMLDecodeError as error:
            found = _AT_LINE.search(str(error))
            why = _AT_LINE.sub("", str(error))
            last = self._text.rstrip("\n").count("\n") + 1
            line = int(found[1]) if found and found[1] else last
            if line >= last:
                why = f"the file seems to be cut off here ({why})"
            todo = f"Complete or delete line {line} and what hangs on it, then read the file again."
            raise self._bad(line, why, todo, self._whole_events_before(line)) from error

    def _check_top(self, raw: Mapping[str, Any]) -> None:
        for key in raw:
            if key not in _TOP:
                raise self._bad(None, f"unknown key {key!r}{near(key, _TOP)}", "Correct or remove it.")
        if raw.get("format", FORMAT) != FORMAT:
            why = f"it is written in format {raw['format']!r}, and this tool reads format {FORMAT}"
            raise self._bad(None, why, "Read it with a newer firstcause.")
        if not isinstance(raw.get("recorded_by", ""), str):
            raise self._bad(None, "recorded_by is no text", 'Write recorded_by = "name".')

    def _check_count(self, raw: Mapping[str, Any]) -> None:
        count = raw.get("event_count", len(self._events))
        if count != len(self._events):
            why = f"event_count says {count!r}, but {len(self._events)} event(s) stand in it"
            todo = "If it was cut off, fetch the whole file; if you added or removed events, remove event_count."
            raise self._bad(None, why, todo, len(self._events))

    def _take(self, block: dict[str, Any], header: str, number: int = 0) -> None:
        due = f"e{len(self._events) + 1}"
        said = {key: block.pop(key) for key in _ENVELOPE if key in block}
        if said.get("id", due) != due:
            why = f"the event in place {len(self._events) + 1} calls itself {said['id']!r}; ids follow the order"
            raise self._bad(self._line_of(header, number), why, f"Write {due}, or leave the id out.")
        at = said.get("at", self._events[-1].at if self._events else self._at)
        if isinstance(at, date) and not isinstance(at, datetime):
            at = datetime.combine(at, time())
        by = said.get("recorded_by", self._recorded_by)
        if not isinstance(at, datetime) or not isinstance(by, str):
            wrong = "recorded_by is no text" if isinstance(at, datetime) else f"at = {at!r} is no date and time"
            raise self._bad(self._line_of(header, number), wrong, "Write it like at = 2026-03-02T08:30:00Z.")
        body = self._body(block, header, number)
        self._events.append(Event(id=due, at=at, by=by, body=body))

    def _body(self, block: dict[str, Any], header: str, number: int) -> Any:
        line = self._line_of(header, number)
        kind = block.pop("kind", None)
        if kind is None:
            raise self._bad(line, "the event has no kind", f'Write kind = "…", one of {", ".join(KINDS)}.')
        model = KINDS.get(kind) if isinstance(kind, str) else None
        if model is None:
            hint = near(str(kind), KINDS)
            raise self._bad(line, f"kind {kind!r} is not known{hint}", f"Write one of {', '.join(KINDS)}.")
        if model is Corrected and isinstance(block.get("by"), dict):
            block["by"] = self._body(dict(block["by"]), header, number)
        for key in _AS_JSON:
            if isinstance(block.get(key), str) and key in model.model_fields:
                block[key] = self._json(block[key], key, line)
        return self._valid(model, block, header, number)

    def _json(self, text: str, key: str, line: int | None) -> Any:
        try:
            return json.loads(text)
        except ValueError as error:
            raise self._bad(
                line, f"{key} is no JSON text ({error})", "Copy it whole, or write it as a table."
            ) from error

    def _block(self, value: object, header: str, number: int = 0) -> dict[str, Any]:
        if not isinstance(value, dict):
            raise self._bad(
                self._line_of(header, number), f"{header!r} is no table", f"Write [{header}] above its lines."
            )
        return dict(value)

    def _valid(self, model: type[M], block: dict[str, Any], header: str, number: int = 0) -> M:
        try:
            return model.model_validate(block)
        except ValidationError as error:
            complaints = "; ".join(_complaint(item, model) for item in error.errors())
            kind = f"{model.model_fields['kind'].default}: " if "kind" in model.model_fields else ""
            line = self._line_of(header, number)
            raise self._bad(line, f"{kind}{complaints}", "Correct that and read the file again.") from error

    def _line_of(self, header: str, number: int = 0) -> int | None:
        """The line of the n-th block of a name; None when it has no line of its own."""
        lines = [line for line, name in self._lines if name == header]
        return lines[number] if number < len(lines) else None

    def _whole_events_before(self, line: int) -> int:
        """How many events are complete before the block that holds a line."""
        *before, cut = ["", *(name for at, name in self._lines if at <= line)]
        opening = "car" in before and cut not in ("opened", "car")
        return opening + sum(name in ("event", "story") for name in before)

    def _bad(self, line: int | None, why: str, todo: str, whole_events: int | None = None) -> BadCaseFile:
        return BadCaseFile(self._name, line, why, todo, whole_events)


def _complaint(item: Any, model: type[BaseModel]) -> str:
    """One complaint of the schema in the file's own words."""
    path = [str(step) for step in item["loc"] if step != "[key]"]
    where = ".".join(path)
    if item["type"] == "extra_forbidden":
        known = [*model.model_fields, *_ENVELOPE] if len(path) == 1 else _keys_inside(model, path[0])
        return f"unknown key {where!r}{near(path[-1], known)}"
    if item["type"] == "missing":
        return f"{where} is missing"
    return f"{where}: {item['msg'][:1].lower()}{item['msg'][1:]}"


def _keys_inside(model: type[BaseModel], field: str) -> list[str]:
    """The keys of a part of a model, where that part is a model itself."""
    annotation = model.model_fields[field].annotation if field in model.model_fields else None
    parts = [
        part for part in (annotation, *get_args(annotation)) if isinstance(part, type) and issubclass(part, BaseModel)
    ]
    return [key for part in parts for key in part.model_fields]


def _headers(text: str) -> Iterator[tuple[int, str]]:
    """Line and name of every block; a header inside words of several lines is none."""
    inside = ""
    for number, line in enumerate(text.split("\n"), start=1):
        if not inside and (match := _HEADER.match(line)):
            yield number, match[1].rstrip("] \t")
        inside = _open_quote(line, inside)


def _open_quote(line: str, inside: str) -> str:
    """Which triple quote is open at the end of a line that began inside `inside`."""
    at = 0
    while at < len(line):
        if inside:
            if line[at] == "\\" and inside == '"""':
                at += 2
            elif line.startswith(inside, at):
                at, inside = at + 3, ""
            else:
                at += 1
        elif line.startswith(('"""', "'''"), at):
            at, inside = at + 3, line[at : at + 3]
        elif line[at] == "#":
            return ""
        elif line[at] in "\"'":
            at = _after_string(line, at)
        else:
            at += 1
    return inside


def _after_string(line: str, at: int) -> int:
    """The place after a string of one line that begins at `at`."""
    quote = line[at]
    at += 1
    while at < len(line) and line[at] != quote:
        at += 2 if line[at] == "\\" and quote == '"' else 1
    return at + 1
