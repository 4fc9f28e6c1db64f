"""The casebook on disk: durable, append-only, chained, shared between processes, and whole after every accident."""

from __future__ import annotations

import os
import random
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from datetime import datetime
from pathlib import Path
from typing import Any

import pytest
from tests.casebook.case_values import MORNING, minute_clock, opened, story

from firstcause.casebook.blobs import LostAttachment, NotKept
from firstcause.casebook.case import replay
from firstcause.casebook.chain import DamagedRecord, first_link, seal
from firstcause.casebook.events import Closed, Corrected, Moved, Noted, Withdrawn
from firstcause.casebook.people import Person
from firstcause.casebook.refusals import CaseIsClosed, EventRefused, NotOnThisEngine
from firstcause.casebook.store import (
    CaseStore,
    DifferentHistory,
    NoSuchCase,
    NotACasebook,
    NotRecorded,
    WrittenInBetween,
)

WORKER = Path(__file__).with_name("store_worker.py")
REPOSITORY = Path(__file__).parents[2]


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "cases.db"


@pytest.fixture
def store(path: Path) -> Iterator[CaseStore]:
    with CaseStore(path, clock=minute_clock()) as store:
        yield store


def child(*arguments: object) -> subprocess.Popen[str]:
    environment = {**os.environ, "PYTHONPATH": str(REPOSITORY / "src")}
    command = [sys.executable, str(WORKER), *map(str, arguments)]
    return subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environment)


def tamper(path: Path, statement: str) -> None:
    """Change the file as a stranger would, with the triggers out of the way."""
    db = sqlite3.connect(path)
    for trigger in ("events_never_change", "events_never_go", "events_leave_no_gap"):
        db.execute(f"DROP TRIGGER {trigger}")
    db.execute(statement)
    db.commit()
    db.close()


def test_what_was_recorded_is_read_back_by_another_store(path: Path, store: CaseStore):
    case_id = store.open_case(opened(), by="Ada")
    event = store.append(case_id, Noted(words="Zündspule fühlt sich heiß an ✓"), by="Bela")
    assert (event.id, event.by, event.at.tzinfo is not None) == ("e2", "Bela", True)
    with CaseStore(path, clock=minute_clock()) as other:
        assert other.events(case_id) == store.events(case_id)
        assert other.events(case_id)[1] == event
        assert other.case(case_id) == replay(store.events(case_id))


def test_several_cases_share_a_file_and_are_listed_with_title_and_state(store: CaseStore):
    first, second = store.open_case(opened(), by="Ada"), store.open_case(opened("V6"), by="Ada")
    store.append(second, Noted(words="a"), by="Ada")
    store.append(second, Closed(state="referred"), by="Ada")
    assert (first, second) == ("c-0001", "c-0002")
    lines = store.cases()
    assert [(line.case_id, line.title, line.state, line.events) for line in lines] == [
        ("c-0001", "2016 Velmora Tessin VT20", "open", 1),
        ("c-0002", "2016 Velmora Tessin VT20", "referred", 3),
    ]
    assert lines[1].opened_at < lines[1].changed_at
    with pytest.raises(NoSuchCase):
        store.events("c-0009")
    with pytest.raises(NoSuchCase):
        store.append("c-0009", Noted(words="a"), by="Ada")


def test_an_event_that_cannot_stand_is_not_recorded(store: CaseStore):
    case_id = store.open_case(opened(), by="Ada")
    head = store.head(case_id)
    with pytest.raises(NotOnThisEngine):
        store.append(case_id, Moved(part="coil", first=1, second=7), by="Ada")
    assert store.head(case_id) == head
    store.append(case_id, Closed(state="referred"), by="Ada")
    with pytest.raises(CaseIsClosed):
        store.append(case_id, Noted(words="a"), by="Ada")
    assert len(store.events(case_id)) == 2


def test_another_device_that_wrote_in_between_is_noticed_and_nothing_is_lost(path: Path, store: CaseStore):
    case_id = store.open_case(opened(), by="Ada")
    seen = store.head(case_id)
    with CaseStore(path, clock=minute_clock()) as phone:
        theirs = phone.append(case_id, Noted(words="from the phone"), by="Bela")
    with pytest.raises(WrittenInBetween, match="e2") as caught:
        store.append(case_id, Noted(words="from the desk"), by="Ada", expected_head=seen)
    assert caught.value.since == (theirs,)
    assert caught.value.bodies == (Noted(words="from the desk"),)
    store.append(case_id, caught.value.bodies[0], by="Ada", expected_head=caught.value.head)
    assert [event.by for event in store.events(case_id)] == ["Ada", "Bela", "Ada"]


def test_events_can_be_neither_changed_nor_deleted_nor_replaced_nor_skipped(path: Path, store: CaseStore):
    case_id = store.open_case(opened(), by="Ada")
    db = sqlite3.connect(path)
    for statement in (
        "UPDATE events SET record = '{}'",
        "DELETE FROM events",
        f"INSERT OR REPLACE INTO events VALUES ('{case_id}', 1, '{{}}', 'x')",
        f"INSERT INTO events VALUES ('{case_id}', 3, '{{}}', 'x')",
    ):
        with pytest.raises(sqlite3.IntegrityError):
            db.execute(statement)
    db.close()
    assert store.check(case_id).is_whole


def test_the_chain_is_sha256_over_the_seal_before_and_the_record():
    """Computed by coreutils: printf 'firstcause case x' | sha256sum, then that, a line feed and the record."""

    def sha256sum(text: str) -> str:
        return subprocess.run(["sha256sum"], input=text, capture_output=True, text=True, check=True).stdout[:64]

    assert first_link("x") == sha256sum("firstcause case x")
    assert seal(first_link("x"), "record ü") == sha256sum(f"{first_link('x')}\nrecord ü")


@pytest.mark.parametrize(
    ("statement", "broken"),
    [
        ("UPDATE events SET record = replace(record, 'second', 'zecond') WHERE seq = 3", "e3"),
        ("UPDATE events SET hash = replace(hash, substr(hash, 1, 1), 'f') || 'x' WHERE seq = 2", "e2"),
        ("DELETE FROM events WHERE seq = 2", "e2"),
        ("UPDATE cases SET origin = 'another'", "e1"),
    ],
)
def test_check_names_the_first_broken_event(path: Path, store: CaseStore, statement: str, broken: str):
    case_id = store.open_case(opened(), by="Ada")
    for word in ("first", "second", "third"):
        store.append(case_id, Noted(words=word), by="Ada")
    assert store.check(case_id).is_whole
    assert store.check(case_id).head == store.head(case_id)
    tamper(path, statement)
    checked = store.check(case_id)
    assert (checked.is_whole, checked.broken) == (False, broken)


def test_a_record_that_is_no_event_is_named_when_read(path: Path, store: CaseStore):
    case_id = store.open_case(opened(), by="Ada")
    store.append(case_id, Noted(words="a"), by="Ada")
    tamper(path, "UPDATE events SET record = substr(record, 1, 20) WHERE seq = 2")
    with pytest.raises(DamagedRecord, match="e2"):
        store.events(case_id)


def test_attachments_are_kept_once_under_their_hash_and_checked(store: CaseStore):
    case_id = store.open_case(opened(), by="Ada")
    photo = bytes(range(256)) * 5000
    event = store.attach(case_id, photo, "plug 3.jpg", "image/jpeg", about="e1")
    store.attach(case_id, photo, "again.jpg", "image/jpeg")
    body = store.case(case_id).attachments[0]
    assert (event.body, body.size_bytes) == (body, len(photo))
    assert store.blobs.read(body.sha256) == photo
    files = [file for file in store.blobs.folder.rglob("*") if file.is_file()]
    assert len(files) == 1
    files[0].write_bytes(b"other")
    with pytest.raises(LostAttachment, match="no longer"):
        store.blobs.read(body.sha256)
    assert store.check(case_id).lost_attachments == (body.sha256,)
    files[0].unlink()
    with pytest.raises(LostAttachment, match="cannot be read"):
        store.blobs.read(body.sha256)


@pytest.mark.parametrize("call", ["fsync", "replace"])
def test_a_photo_that_the_disk_refuses_leaves_neither_file_nor_event(
    store: CaseStore, monkeypatch: pytest.MonkeyPatch, call: str
):
    case_id = store.open_case(opened(), by="Ada")

    def fail(*_: object) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as broken:
        broken.setattr(os, call, fail)
        with pytest.raises(NotKept, match="No space left"):
            store.attach(case_id, b"photo", "p.jpg", "image/jpeg")
    assert [file for file in store.blobs.folder.rglob("*") if file.is_file()] == []
    assert len(store.events(case_id)) == 1
    assert store.attach(case_id, b"photo", "p.jpg", "image/jpeg").id == "e2"


def test_personal_data_can_be_forgotten_down_to_the_last_byte(path: Path, store: CaseStore):
    whole = opened().model_copy(update={"person": "owner"})
    person = Person(name="Quirina Xylander", phone="555 0199", plate="QX 41")
    case_id = store.open_case(whole, by="Ada", people={"owner": person})
    assert store.people(case_id) == {"owner": person}
    before = store.links(case_id)
    store.set_person(case_id, "owner", Person(name="Quirina Xylander-Voss", plate="QX 41"))
    store.forget_person(case_id, "owner")
    assert store.people(case_id) == {}
    assert store.links(case_id) == before
    assert store.check(case_id).is_whole
    for file in path.parent.rglob("*"):
        if file.is_file():
            assert b"Xylander" not in file.read_bytes()


def test_a_file_that_is_no_casebook_is_refused_and_left_alone(tmp_path: Path):
    text = tmp_path / "notes.db"
    text.write_text("coil 3 is hot\n" * 100, encoding="utf-8")
    with pytest.raises(NotACasebook, match=r"notes\.db"):
        CaseStore(text, clock=minute_clock())
    assert text.read_text(encoding="utf-8") == "coil 3 is hot\n" * 100
    other = tmp_path / "other.db"
    db = sqlite3.connect(other)
    db.execute("CREATE TABLE songs (name TEXT)")
    db.close()
    with pytest.raises(NotACasebook, match="no casebook"):
        CaseStore(other, clock=minute_clock())
    later = tmp_path / "later.db"
    db = sqlite3.connect(later)
    db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(NotACasebook, match="later version"):
        CaseStore(later, clock=minute_clock())
    with pytest.raises(NotACasebook):
        CaseStore(tmp_path / "no such folder" / "cases.db", clock=minute_clock())


def test_the_clock_must_know_its_time_zone(path: Path):
    with (
        CaseStore(path, clock=lambda: datetime(2026, 3, 2)) as store,
        pytest.raises(ValueError, match="time zone"),
    ):
        store.open_case(opened(), by="Ada")


def test_a_case_recorded_elsewhere_keeps_its_times_and_names(store: CaseStore):
    events = story(opened(), Noted(words="a"), Corrected(event="e2", by=Noted(words="b"), why="?"))
    case_id = store.adopt(events, {"owner": Person(name="Quirina")})
    assert store.events(case_id) == tuple(events)
    assert store.people(case_id)["owner"].name == "Quirina"
    with pytest.raises(EventRefused):
        store.adopt(story(opened(), Withdrawn(event="e9", why="?")), {})
    assert len(store.cases()) == 1


def test_a_copy_brings_only_what_is_new_and_a_fork_is_refused(tmp_path: Path, store: CaseStore):
    case_id = store.open_case(opened(), by="Ada")
    records = [link.record for link in store.links(case_id)]
    origin = store.origin(case_id)
    with CaseStore(tmp_path / "other.db", clock=minute_clock()) as other:
        other.open_case(opened("V6"), by="Bela")
        there = other.adopt_records(records, origin, {}, case_id)
        assert there == "c-0002"
        store.append(case_id, Noted(words="a"), by="Ada")
        records = [link.record for link in store.links(case_id)]
        for _ in range(2):
            assert other.adopt_records(records, origin, {}, case_id) == there
            assert other.links(there) == store.links(case_id)
        assert other.adopt_records(records[:1], origin, {}, case_id) == there
        other.append(there, Noted(words="theirs"), by="Bela")
        store.append(case_id, Noted(words="ours"), by="Ada")
        with pytest.raises(DifferentHistory, match="e3"):
            other.adopt_records([link.record for link in store.links(case_id)], origin, {}, case_id)
        assert other.events(there)[-1].body == Noted(words="theirs")


def test_two_processes_and_this_one_append_without_gap_or_fork(path: Path, store: CaseStore):
    case_id = store.open_case(opened(), by="Ada")
    children = [child("beside", path, case_id, name, 60) for name in ("desk", "phone")]
    for number in range(60):
        store.append(case_id, Noted(words=f"here {number}"), by="here")
    for process in children:
        _, errors = process.communicate(timeout=120)
        assert (process.returncode, errors) == (0, "")
    events = store.events(case_id)
    assert len(events) == 181
    assert store.check(case_id).is_whole
    for name in ("desk", "phone", "here"):
        mine = [event.body.words for event in events if event.by == name and isinstance(event.body, Noted)]
        assert mine == [f"{name} {number}" for number in range(60)]


def test_processes_may_create_the_same_file_at_once(path: Path):
    children = [child("beside", path, "c-0001", name, 0) for name in "abcd"]
    for process in children:
        _, errors = process.communicate(timeout=120)
        assert (process.returncode, errors) == (0, "")


def test_kill_at_any_moment_loses_nothing_acknowledged(path: Path):
    """SIGKILL a dozen times while a process writes; power loss is not tested, for that stands synchronous=FULL."""
    moment = random.Random(20260302)
    with CaseStore(path, clock=minute_clock()) as store:
        case_id = store.open_case(opened(), by="Ada")
    acknowledged = 1
    for _ in range(12):
        process = child("forever", path, case_id)
        assert process.stdout is not None
        first = process.stdout.readline()
        assert first.startswith("e"), process.communicate()[1]
        time.sleep(moment.uniform(0.0, 0.15))
        process.send_signal(signal.SIGKILL)
        out = process.stdout.read()  # not communicate: it reads past what readline has already taken into its buffer
        process.communicate(timeout=300)
        said = [first.strip(), *(line for line in out.split("\n")[:-1] if line)]
        assert process.returncode == -signal.SIGKILL
        with CaseStore(path, clock=minute_clock()) as store:
            events = store.events(case_id)
            assert store.check(case_id).is_whole
        assert [f"e{n}" for n in range(acknowledged + 1, acknowledged + 1 + len(said))] == said
        assert len(events) - (acknowledged + len(said)) in (0, 1)  # one may be written and not yet acknowledged
        acknowledged = len(events)
    assert acknowledged > 24


def test_a_disk_that_is_full_at_any_point_keeps_everything_acknowledged(path: Path):
    """The kernel refuses to let files grow past a limit; the limit falls in the middle of pages and frames."""
    with CaseStore(path, clock=minute_clock()) as store:
        case_id = store.open_case(opened(), by="Ada")
    known = 1
    for most_bytes in (30_000, 70_001, 104_503, 150_000, 199_999):
        out, errors = child("small", path, case_id, most_bytes).communicate(timeout=120)
        *said, last = out.splitlines()
        assert last.startswith("NotRecorded: Not recorded:"), (out, errors)
        with CaseStore(path, clock=minute_clock()) as store:
            assert [event.id for event in store.events(case_id)][known : known + len(said)] == said
            assert len(store.events(case_id)) == known + len(said)
            assert store.check(case_id).is_whole
            known += len(said)
            store.append(case_id, Noted(words="room again"), by="Ada")
            known += 1
    assert known > 10


class FailingConnection(sqlite3.Connection):
    """A database whose n-th statement fails with an I/O error."""

    fails_at: int | None = None

    def execute(self, sql: str, parameters: Any = (), /) -> sqlite3.Cursor:
        if self.fails_at is not None and not sql.startswith("ROLLBACK"):
            self.fails_at -= 1
            if self.fails_at == 0:
                raise sqlite3.OperationalError("disk I/O error")
        return super().execute(sql, parameters)


def test_every_statement_failing_in_turn_leaves_the_log_whole(path: Path, monkeypatch: pytest.MonkeyPatch):
    """As SQLite's own tests do: fail the first call, then the second, … until the whole act gets through."""
    real = sqlite3.connect
    monkeypatch.setattr(sqlite3, "connect", lambda *a, **k: real(*a, **k, factory=FailingConnection))
    with CaseStore(path, clock=minute_clock()) as store:
        case_id = store.open_case(opened(), by="Ada")
        db = store._db
        assert isinstance(db, FailingConnection)
        for turn in range(1, 50):
            before = store.links(case_id)
            db.fails_at = turn
            try:
                store.append(case_id, Noted(words=f"turn {turn}"), by="Ada")
            except NotRecorded:
                db.fails_at = None
                assert store.links(case_id) == before
                assert store.check(case_id).is_whole
            else:
                break
        else:
            pytest.fail("the append never got through")
        assert turn > 5
        db.fails_at = None
        assert [event.body for event in store.events(case_id)[1:]] == [Noted(words=f"turn {turn}")]


def test_ids_keep_their_order_past_ten_thousand_cases(store: CaseStore):
    store.adopt(story(opened()), {}, case_id="c-9999")
    assert store.open_case(opened(), by="Ada") == "c-10000"
    assert [line.case_id for line in store.cases()] == ["c-9999", "c-10000"]
    assert store.cases()[0].opened_at == story(opened())[0].at > MORNING


def test_a_casebook_written_before_entries_had_ids_goes_on(path: Path):
    """Layout 1 had no table of entries: it is added, and every seal stands as it was."""
    with CaseStore(path, clock=minute_clock()) as store:
        case_id = store.open_case(opened(), "Ada")
        head = store.head(case_id)
    db = sqlite3.connect(path)
    db.execute("DROP TABLE entries")
    db.execute("PRAGMA user_version = 1")
    db.close()

    with CaseStore(path, clock=minute_clock()) as store:
        first = store.append_all(case_id, [Noted(words="wet"), Noted(words="oily")], "Ada", head, "entry-number-1")
        assert (first.before, len(first.events)) == (head, 2)
        assert store.append_all(case_id, [Noted(words="wet")], "Ada", head, "entry-number-1") == first
        assert store.check(case_id).is_whole


def test_of_several_events_of_one_entry_all_stand_or_none(store: CaseStore):
    case_id = store.open_case(opened(), "Ada")
    head = store.head(case_id)
    with pytest.raises(EventRefused):
        store.append_all(case_id, [Noted(words="wet"), Withdrawn(event="e9", why="no")], "Ada", None, "entry-number-1")
    assert store.head(case_id) == head
    assert store.recorded(case_id, "entry-number-1") is None
    assert store.append(case_id, Noted(words="oily"), "Ada", head).id == "e2"
