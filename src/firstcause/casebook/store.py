"""The casebook on disk: append-only events in SQLite, durable before they are acknowledged."""

from __future__ import annotations

import re
import secrets
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from threading import RLock
from typing import Self

from firstcause.casebook.blobs import BlobFolder, sync_folder
from firstcause.casebook.case import Case, replay
from firstcause.casebook.chain import Link, event_of, first_break, first_link, linked, record_of, seal
from firstcause.casebook.events import Attached, Body, Event, Opened
from firstcause.casebook.people import Person
from firstcause.errors import CaseError, RequestError

MIGRATIONS = Path(__file__).parent / "migrations"
PATIENCE_S = 20.0  # how long to wait for another process that is writing
_ENTRY_ID = re.compile(r"[0-9A-Za-z-]{8,64}")


class NoSuchCase(CaseError):
    """The casebook has no case of that id."""

    def __init__(self, case_id: str) -> None:
        self.case_id = case_id
        super().__init__(f"There is no case {case_id!r} in this casebook. Nothing was changed. List the cases.")


class WrittenInBetween(CaseError):
    """Another device recorded something after the caller last looked.

    `bodies` are what was not recorded, `since` the events that the caller has not seen.
    """

    def __init__(
        self, case_id: str, bodies: Sequence[Body], expected_head: str, head: str, since: tuple[Event, ...]
    ) -> None:
        self.case_id, self.bodies, self.expected_head, self.head = case_id, tuple(bodies), expected_head, head
        self.since = since
        news = ", ".join(f"{event.id} ({event.body.kind})" for event in since) or "a history that you have not seen"
        super().__init__(
            f"Not recorded: case {case_id} has got {news} since you looked. Nothing is lost on either side. "
            "Look at what is new, then record again."
        )


class NotRecorded(CaseError):
    """The disk or the database refused; what was acknowledged before is safe."""

    def __init__(self, cause: sqlite3.Error) -> None:
        self.cause = cause
        super().__init__(
            f"Not recorded: {cause}. Every event acknowledged before is kept. "
            "Check the disk, look at the case again, then record again."
        )


class NotReadable(CaseError):
    """The database could not be read just now."""

    def __init__(self, cause: sqlite3.Error) -> None:
        self.cause = cause
        super().__init__(
            f"The casebook could not be read: {cause}. Nothing was changed. "
            "Check the disk and try again; if it stays so, open a copy or import the exported cases."
        )


class StillReading(CaseError):
    """Personal data were deleted, but another program still holds the old pages."""

    def __init__(self, case_id: str, ref: str) -> None:
        self.case_id, self.ref = case_id, ref
        super().__init__(
            f"The data of {ref!r} in {case_id} are deleted, but another program reads the casebook and their bytes "
            "are still in its log. The case is kept. Close the other program and forget them once more."
        )


class DifferentHistory(CaseError):
    """Two copies of one case were both continued, each in its own way."""

    def __init__(self, case_id: str, event: str) -> None:
        self.case_id, self.event = case_id, event
        super().__init__(
            f"Nothing was taken in: case {case_id} here and the copy have gone different ways from {event} on. "
            "Record what is missing by hand in the one you go on with."
        )


class NoEntryId(RequestError):
    """An entry was called by something that is no id of an entry."""

    def __init__(self, entry_id: str) -> None:
        self.entry_id = entry_id
        super().__init__("An entry's id has 8 to 64 letters, digits or hyphens. Nothing was recorded. Send it again.")


class NotACasebook(CaseError):
    """The file is no casebook, or one of a later version."""

    def __init__(self, path: Path, why: str) -> None:
        self.path, self.why = path, why
        super().__init__(
            f"{path.name} was not opened as a casebook: {why}. Nothing was changed. Choose another file or folder."
        )


@dataclass(frozen=True)
class CaseLine:
    """One case in the list of cases."""

    case_id: str
    title: str
    state: str
    events: int
    opened_at: datetime
    changed_at: datetime


@dataclass(frozen=True)
class Recorded:
    """What one entry made: its events in order, the head just before them and just after."""

    events: tuple[Event, ...]
    before: str
    head: str


@dataclass(frozen=True)
class Checked:
    """What a check of one case found; `broken` is the first event that does not hold."""

    case_id: str
    events: int
    head: str
    broken: str | None = None
    why: str | None = None
    lost_attachments: tuple[str, ...] = ()

    @property
    def is_whole(self) -> bool:
        return self.broken is None and not self.lost_attachments


class CaseStore:
    """Cases in one SQLite file, and their photos and recordings in the folder `<name>.files` beside it.

    `clock` says when an event is recorded and must know its time zone; `word` makes a random word for a new case. One
    store may be used from several threads, and several stores, in several processes, may share a file. Every method
    that writes returns only after the data were forced to disk (write-ahead log, synchronous=FULL).
    """

    def __init__(
        self,
        path: Path | str,
        *,
        clock: Callable[[], datetime],
        word: Callable[[], str] = lambda: secrets.token_hex(16),
    ) -> None:
        self.path = Path(path)
        self.blobs = BlobFolder(self.path.with_name(self.path.name + ".files"))
        self._clock, self._word = clock, word
        self._lock = RLock()
        self._known: dict[str, tuple[str, Case]] = {}  # case as replayed, by the head it had
        try:
            self._db = sqlite3.connect(self.path, timeout=PATIENCE_S, isolation_level=None, check_same_thread=False)
        except sqlite3.Error as error:
            raise NotACasebook(self.path, str(error)) from error
        try:
            _prepare(self._db)
            self._migrate()
            sync_folder(self.path.parent)
        except sqlite3.Error as error:
            self._db.close()
            raise NotACasebook(self.path, str(error)) from error
        except BaseException:
            self._db.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Close the file; what was acknowledged is on disk already."""
        with self._lock:
            self._db.close()

    # --- reading ---

    def cases(self) -> tuple[CaseLine, ...]:
        """Every case, in the order of their ids."""
        with self._reading():
            rows = self._db.execute(
                "SELECT case_id, title, state FROM cases ORDER BY length(case_id), case_id"
            ).fetchall()
            lines = []
            for case_id, title, state in rows:
                ends = self._db.execute(
                    "SELECT record, seq FROM events WHERE case_id = ? AND (seq = 1 OR seq ="
                    " (SELECT max(seq) FROM events WHERE case_id = ?)) ORDER BY seq",
                    (case_id, case_id),
                ).fetchall()
                first, last = (event_of(record, f"e{seq}") for record, seq in (ends[0], ends[-1]))
                lines.append(CaseLine(case_id, title, state, ends[-1][1], first.at, last.at))
        return tuple(lines)

    def events(self, case_id: str) -> tuple[Event, ...]:
        """The events of a case, in order; raises NoSuchCase, or DamagedRecord for one that is no event any more."""
        return tuple(event_of(link.record, f"e{n}") for n, link in enumerate(self.links(case_id), start=1))

    def case(self, case_id: str) -> Case:
        """The case as it stands: its events replayed."""
        with self._lock:
            head = self.head(case_id)
            known = self._known.get(case_id)
            if known is not None and known[0] == head:
                return known[1]
            links = self.links(case_id)
            case = replay(event_of(link.record, f"e{n}") for n, link in enumerate(links, start=1))
            self._known[case_id] = (links[-1].hash, case)
            return case

    def head(self, case_id: str) -> str:
        """The seal of the last event: 64 hex digits that stand for the whole story so far."""
        with self._reading():
            row = self._db.execute(
                "SELECT hash FROM events WHERE case_id = ? ORDER BY seq DESC LIMIT 1", (case_id,)
            ).fetchone()
        if row is None:
            raise NoSuchCase(case_id)
        return str(row[0])

    def links(self, case_id: str) -> tuple[Link, ...]:
        """The records of a case as stored, with their seals."""
        with self._reading():
            rows = self._db.execute(
                "SELECT record, hash FROM events WHERE case_id = ? ORDER BY seq", (case_id,)
            ).fetchall()
        if not rows:
            raise NoSuchCase(case_id)
        return tuple(Link(record, hash_) for record, hash_ in rows)

    def origin(self, case_id: str) -> str:
        """The random word that a case got when it was opened; the same wherever the case is copied."""
        with self._reading():
            row = self._db.execute("SELECT origin FROM cases WHERE case_id = ?", (case_id,)).fetchone()
        if row is None:
            raise NoSuchCase(case_id)
        return str(row[0])

    def find_origin(self, origin: str) -> str | None:
        """The id that a case of this origin has here, if it is here."""
        with self._reading():
            row = self._db.execute("SELECT case_id FROM cases WHERE origin = ?", (origin,)).fetchone()
        return None if row is None else str(row[0])

    def recorded(self, case_id: str, entry_id: str) -> Recorded | None:
        """What an entry of this id made when it came the first time; None when it has not come yet."""
        with self._reading():
            row = self._db.execute(
                "SELECT first_seq, last_seq FROM entries WHERE case_id = ? AND entry_id = ?", (case_id, entry_id)
            ).fetchone()
        if row is None:
            return None
        first, last = row
        links = self.links(case_id)
        events = tuple(event_of(links[n - 1].record, f"e{n}") for n in range(first, last + 1))
        before = links[first - 2].hash if first > 1 else first_link(self.origin(case_id))
        return Recorded(events, before, links[last - 1].hash)

    def since(self, case_id: str, head: str) -> tuple[Event, ...]:
        """The events after the one that `head` seals; none when this story never had that head."""
        links = self.links(case_id)
        at = next((n for n, link in enumerate(links, start=1) if link.hash == head), None)
        return () if at is None else self.events(case_id)[at:]

    def opened_by(self, entry_id: str) -> str | None:
        """The case that an entry of this id opened; None when it has not come yet."""
        with self._reading():
            row = self._db.execute(
                "SELECT case_id FROM entries WHERE entry_id = ? AND first_seq = 1", (entry_id,)
            ).fetchone()
        return None if row is None else str(row[0])

    def check(self, case_id: str) -> Checked:
        """Whether every event is as it was written and every attachment still there; names the first broken event."""
        links = self.links(case_id)
        broken = first_break(self.origin(case_id), links)
        if broken is not None:
            return Checked(case_id, len(links), links[-1].hash, broken.event, broken.why)
        events = [event_of(link.record, "") for link in links]
        lost = tuple(sha256 for sha256 in attachments_of(events) if not self.blobs.is_whole(sha256))
        return Checked(case_id, len(links), links[-1].hash, lost_attachments=lost)

    # --- writing ---

    def open_case(
        self,
        opened: Opened,
        by: str,
        people: Mapping[str, Person] | None = None,
        *,
        told: Sequence[Body] = (),
        entry_id: str | None = None,
    ) -> str:
        """Open a case, with what was `told` at once, and return its id (`c-0001`, `c-0002`, …).

        `people` are kept beside the events, by reference. An entry that opened a case already opens no second one.
        """
        _require_entry_id(entry_id)
        with self._writing():
            here = None if entry_id is None else self.opened_by(entry_id)
            if here is not None:
                return here
            now = self._now()
            events = [Event(id=f"e{n}", at=now, by=by, body=body) for n, body in enumerate((opened, *told), start=1)]
            here = self._adopt_records([record_of(event) for event in events], self._word(), people or {}, None)
            self._put_entry(here, entry_id, 1, len(events))
        return here

    def adopt(self, events: Sequence[Event], people: Mapping[str, Person], case_id: str | None = None) -> str:
        """Take in a case recorded elsewhere, with its own times and names, as a new case; returns its id here.

        Raises an EventRefused when the events make no case; then nothing was taken in.
        """
        return self.adopt_records([record_of(event) for event in events], self._word(), people, case_id)

    def adopt_records(
        self, records: Sequence[str], origin: str, people: Mapping[str, Person], case_id: str | None = None
    ) -> str:
        """Take in sealed records as they are: a new case, or, when the origin is here already, what is new in them.

        Keeps `case_id` when that is free. People come in with a new case only: what was forgotten here stays forgotten.
        Raises DifferentHistory when both copies went on by themselves.
        """
        with self._writing():
            return self._adopt_records(records, origin, people, case_id)

    def append(self, case_id: str, body: Body, by: str, expected_head: str | None = None) -> Event:
        """Record one event that happened, see `append_all`."""
        return self.append_all(case_id, (body,), by, expected_head).events[0]

    def append_all(
        self,
        case_id: str,
        bodies: Sequence[Body],
        by: str,
        expected_head: str | None = None,
        entry_id: str | None = None,
    ) -> Recorded:
        """Record what happened, all of it or nothing; on return it is on disk. The clock gives the time.

        An `entry_id` that was recorded already is answered with what it made then. With `expected_head`, raises
        WrittenInBetween when the case has grown since the caller read that head. Raises an EventRefused when an event
        cannot stand, NotRecorded when the disk refuses. Nothing is recorded then.
        """
        _require_entry_id(entry_id)
        with self._writing():
            earlier = None if entry_id is None else self.recorded(case_id, entry_id)
            if earlier is not None:
                return earlier
            after, head = self.case(case_id), self.head(case_id)
            before, events = head, []
            if expected_head is not None and expected_head != head:
                raise WrittenInBetween(case_id, bodies, expected_head, head, self.since(case_id, expected_head))
            now = self._now()
            for body in bodies:
                record = record_of(Event(id=after.next_id, at=now, by=by, body=body))
                link = Link(record, seal(head, record))
                events.append(event_of(record, after.next_id))
                after, head = replay((*after.events, events[-1])), link.hash
                self._insert(case_id, len(after.events), link)
            self._put_entry(case_id, entry_id, len(after.events) - len(events) + 1, len(after.events))
            self._list(case_id, after)
        with self._lock:
            self._known[case_id] = (head, after)
        return Recorded(tuple(events), before, head)

    def keep(self, data: bytes | Iterable[bytes], name: str, media_type: str, about: str = "") -> Attached:
        """Keep a photo or recording on disk; the event that says so is still to be recorded."""
        kept = self.blobs.keep([data] if isinstance(data, bytes) else data)
        return Attached(sha256=kept.sha256, name=name, media_type=media_type, size_bytes=kept.size_bytes, about=about)

    def attach(
        self, case_id: str, data: bytes | Iterable[bytes], name: str, media_type: str, about: str = "", by: str = ""
    ) -> Event:
        """Keep a photo or recording, then record that it was attached. The file is on disk before the event is."""
        self.head(case_id)
        return self.append(case_id, self.keep(data, name, media_type, about), by)

    # --- people ---

    def people(self, case_id: str) -> dict[str, Person]:
        """The personal data of a case, by the word with which its events refer to them."""
        with self._reading():
            rows = self._db.execute(
                "SELECT ref, data FROM people WHERE case_id = ? ORDER BY ref", (case_id,)
            ).fetchall()
        return {ref: Person.model_validate_json(data) for ref, data in rows}

    def set_person(self, case_id: str, ref: str, person: Person) -> None:
        """Keep or replace what is known of a person; no event is touched."""
        self.head(case_id)
        with self._writing():
            self._put_person(case_id, ref, person)

    def forget_person(self, case_id: str, ref: str) -> None:
        """Delete personal data for good: overwritten in the file and gone from the write-ahead log.

        The events stay as they are. Raises StillReading when another program still reads the old pages: the data are
        deleted then, but their bytes leave the log only when this is done again.
        """
        with self._writing():
            self._db.execute("DELETE FROM people WHERE case_id = ? AND ref = ?", (case_id, ref))
        with self._reading():
            busy, _, _ = self._db.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
        if busy:
            raise StillReading(case_id, ref)

    # --- inside ---

    def _adopt_records(
        self, records: Sequence[str], origin: str, people: Mapping[str, Person], case_id: str | None
    ) -> str:
        coming = tuple(linked(origin, records))
        case = replay(event_of(link.record, f"e{n}") for n, link in enumerate(coming, start=1))
        here = self.find_origin(origin)
        have = () if here is None else self.links(here)
        for number, (ours, theirs) in enumerate(zip(have, coming, strict=False), start=1):
            if ours != theirs:
                raise DifferentHistory(str(here), f"e{number}")
        if here is None:
            here = self._free_id(case_id)
            self._db.execute("INSERT INTO cases VALUES (?, ?, ?, ?)", (here, origin, case.title, case.state))
        for seq, link in enumerate(coming[len(have) :], start=len(have) + 1):
            self._insert(here, seq, link)
        if len(coming) > len(have):
            self._list(here, case)
        if not have:
            for ref, person in people.items():
                self._put_person(here, ref, person)
        return here

    def _put_entry(self, case_id: str, entry_id: str | None, first_seq: int, last_seq: int) -> None:
        if entry_id is not None:
            self._db.execute("INSERT INTO entries VALUES (?, ?, ?, ?)", (case_id, entry_id, first_seq, last_seq))

    def _now(self) -> datetime:
        now = self._clock()
        if now.tzinfo is None:
            raise ValueError("the clock of a CaseStore must know its time zone")
        return now

    def _free_id(self, wished: str | None) -> str:
        taken = {str(row[0]) for row in self._db.execute("SELECT case_id FROM cases")}
        if wished is not None and wished not in taken:
            return wished
        numbers = [
            int(name[2:]) for name in taken if name.startswith("c-") and name[2:].isascii() and name[2:].isdigit()
        ]
        return f"c-{max(numbers, default=0) + 1:04d}"

    def _insert(self, case_id: str, seq: int, link: Link) -> None:
        self._db.execute("INSERT INTO events VALUES (?, ?, ?, ?)", (case_id, seq, link.record, link.hash))

    def _list(self, case_id: str, case: Case) -> None:
        self._db.execute("UPDATE cases SET title = ?, state = ? WHERE case_id = ?", (case.title, case.state, case_id))

    def _put_person(self, case_id: str, ref: str, person: Person) -> None:
        self._db.execute(
            "INSERT INTO people VALUES (?, ?, ?) ON CONFLICT (case_id, ref) DO UPDATE SET data = excluded.data",
            (case_id, ref, person.model_dump_json()),
        )

    def _migrate(self) -> None:
        files = sorted(MIGRATIONS.glob("*.sql"))
        if self._version() == len(files):
            return
        with self._writing():
            version = self._version()
            if version > len(files):
                raise NotACasebook(self.path, f"it was written by a later version (layout {version})")
            if version == 0 and self._db.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]:
                raise NotACasebook(self.path, "it is a database, but no casebook")
            for number, file in enumerate(files[version:], start=version + 1):
                for statement in _statements(file.read_text(encoding="utf-8")):
                    self._db.execute(statement)
                self._db.execute(f"PRAGMA user_version = {number}")

    def _version(self) -> int:
        return int(self._db.execute("PRAGMA user_version").fetchone()[0])

    @contextmanager
    def _reading(self) -> Iterator[None]:
        with self._lock:
            try:
                yield
            except sqlite3.Error as error:
                raise NotReadable(error) from error

    @contextmanager
    def _writing(self) -> Iterator[None]:
        """One transaction that holds the write lock from its first line on; all of it lands, or nothing."""
        with self._lock:
            try:
                self._db.execute("BEGIN IMMEDIATE")
                try:
                    yield
                    self._db.execute("COMMIT")
                except BaseException:
                    self._known.clear()
                    if self._db.in_transaction:
                        self._db.execute("ROLLBACK")
                    raise
            except NotReadable as error:
                raise NotRecorded(error.cause) from error
            except sqlite3.Error as error:
                raise NotRecorded(error) from error


def _require_entry_id(entry_id: str | None) -> None:
    if entry_id is not None and not _ENTRY_ID.fullmatch(entry_id):
        raise NoEntryId(entry_id)


def attachments_of(events: Iterable[Event]) -> tuple[str, ...]:
    """The hashes of everything ever attached, withdrawn or not, each once."""
    bodies = (event.body for event in events)
    return tuple(dict.fromkeys(body.sha256 for body in bodies if isinstance(body, Attached)))


def _prepare(db: sqlite3.Connection) -> None:
    """Durable before acknowledged, deleted means overwritten, and REPLACE cannot slip past the triggers."""
    for attempt in range(round(PATIENCE_S * 100)):
        try:
            db.execute("PRAGMA journal_mode = WAL")
            break
        except sqlite3.OperationalError as error:  # SQLite does not wait here while another process does the same
            if "locked" not in str(error) or attempt + 1 == round(PATIENCE_S * 100):
                raise
            time.sleep(0.01)
    for setting in (
        "synchronous = FULL",
        "fullfsync = ON",
        "secure_delete = ON",
        "recursive_triggers = ON",
        "foreign_keys = ON",
    ):
        db.execute(f"PRAGMA {setting}")


def _statements(script: str) -> Iterator[str]:
    """The statements of a script one by one, so that they can share a transaction."""
    pending = ""
    for line in script.splitlines(keepends=True):
        pending += line
        if sqlite3.complete_statement(pending):
            yield pending
            pending = ""
