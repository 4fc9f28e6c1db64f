"""The local collection of public records: taken in without doubling, resumable, searched by word and component."""

from __future__ import annotations

import hashlib
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date
from itertools import islice
from pathlib import Path
from typing import Any, Self

from firstcause.bulletins.reading import Place, read_file
from firstcause.bulletins.records import Damaged, Kind, Record
from firstcause.errors import RequestError

SCHEMA = Path(__file__).with_name("schema.sql")
BATCH = 5_000
CACHE_KB = 64_000  # the indexes on digests are hit at random: kept in memory, the disk is not asked each time
PATIENCE_S = 20.0
Progress = Callable[[int, int], None]


@dataclass(frozen=True, slots=True)
class TakenIn:
    """What became of a file: lines read now, records new and changed, lines set aside, and whether it was known."""

    lines: int
    new: int
    changed: int
    set_aside: int
    known_already: bool


@dataclass(frozen=True, slots=True)
class Hit:
    """A record that was found, and where its words match, between marks `[` and `]`."""

    record: Record
    excerpt: str


class Collection:
    """One SQLite file. Opening makes it where there is none."""

    def __init__(self, path: Path) -> None:
        self.path = path
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            self._db = sqlite3.connect(path, timeout=PATIENCE_S, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA synchronous = NORMAL")  # a cut of power may cost a batch, never the file
            self._db.execute(f"PRAGMA cache_size = -{CACHE_KB}")
            if self._db.execute("PRAGMA user_version").fetchone()[0] == 0:
                self._db.executescript("BEGIN IMMEDIATE;" + SCHEMA.read_text("utf-8") + "COMMIT;")
        except (sqlite3.Error, OSError) as error:
            raise RequestError(f"The collection {path} cannot be opened: {error}. Nothing was changed.") from error

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """Let go of the file."""
        self._db.close()

    # ------------------------------------------------------------ taking in

    def take_in(self, path: Path, kind: Kind | None, today: date, progress: Progress | None = None) -> TakenIn:
        """Take a file in: a flat file of this kind, or a plain table (None).

        Every batch is safe before the next is read: after a kill the same call goes on where it was. A file taken in
        before (the same bytes) changes nothing; a newer one adds what is new and renews what changed. `progress` is
        told bytes done and bytes in all. Raises RequestError where the file cannot be read or the disk refuses.
        """
        digest, size = _sha256(path)
        try:
            place, known = self._begin(digest, path.name, kind, size)
            if known:
                return TakenIn(0, 0, 0, 0, True)
            start, before, changes = place, self._count("record"), 0
            aside = self._count("set_aside")
            lines = read_file(path, kind, place)
            while batch := list(islice(lines, BATCH)):
                place = batch[-1][1]
                changes += self._keep(digest, [item for item, _ in batch], place)
                if progress is not None:
                    progress(place.byte, size)
            self._index()
            self._db.execute("UPDATE source SET taken_in_at = ? WHERE sha256 = ?", (today.isoformat(), digest))
        except sqlite3.Error as error:
            raise RequestError(f"{path} was not read to its end: {error}. What was read is kept; try again.") from error
        new = self._count("record") - before
        return TakenIn(place.line - start.line, new, changes - new, self._count("set_aside") - aside, False)

    def _begin(self, digest: str, name: str, kind: Kind | None, size: int) -> tuple[Place, bool]:
        self._db.execute(
            "INSERT INTO source (sha256, name, kind, size_bytes) VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
            (digest, name, kind, size),
        )
        byte, line, done, was = self._db.execute(
            "SELECT read_to_byte, read_to_line, taken_in_at, kind FROM source WHERE sha256 = ?", (digest,)
        ).fetchone()
        if was != kind:
            begun = was or "a plain table"
            raise RequestError(f"{name} was begun as {begun}; take it in as that. Nothing was changed.")
        return Place(byte, line), done is not None

    def _keep(self, digest: str, items: Sequence[Record | Damaged], place: Place) -> int:
        """One batch in one transaction; returns how many records were new or changed."""
        records = [item for item in items if isinstance(item, Record)]
        damaged = [item for item in items if isinstance(item, Damaged)]
        digests: dict[tuple[str, str], bytes] = {}
        rows = [_row(record, digests) for record in records]
        words = {digest: told for told, digest in digests.items()}
        self._db.execute("BEGIN IMMEDIATE")
        try:
            self._db.executemany(
                "INSERT INTO words (digest, component, text) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
                ((key, *value) for key, value in words.items()),
            )
            before = self._db.total_changes
            self._db.executemany(_PUT, rows)
            changed = self._db.total_changes - before
            self._db.executemany(
                "INSERT INTO set_aside VALUES (?, ?, ?, ?) ON CONFLICT DO NOTHING",
                ((digest, bad.line, bad.why, bad.raw) for bad in damaged),
            )
            self._db.execute(
                "UPDATE source SET read_to_byte = ?, read_to_line = ? WHERE sha256 = ?",
                (place.byte, place.line, digest),
            )
            self._db.execute("COMMIT")
        except BaseException:
            self._db.execute("ROLLBACK")
            raise
        return changed

    def _index(self) -> None:
        """Bring the word index up to date; words are only ever added."""
        last = self._db.execute("SELECT max(id) FROM wording_docsize").fetchone()[0] or 0
        self._db.execute("BEGIN IMMEDIATE")
        self._db.execute(
            "INSERT INTO wording (rowid, component, text) SELECT id, component, text FROM words WHERE id > ?", (last,)
        )
        self._db.execute("COMMIT")

    # ------------------------------------------------------------ looking

    def _count(self, table: str) -> int:
        return int(self._db.execute(f"SELECT count(*) FROM {table}").fetchone()[0])

    def __len__(self) -> int:
        return self._count("record")

    def set_aside(self) -> list[tuple[str, Damaged]]:
        """Lines that could not be read, with the name of their file."""
        rows = self._db.execute(
            "SELECT name, line, why, raw FROM set_aside JOIN source USING (sha256) ORDER BY name, line"
        )
        return [(name, Damaged(line, why, raw)) for name, line, why, raw in rows]

    def of_car(self, make: str, model: str | None = None) -> Iterator[Record]:
        """All records of a make (and a model: one that begins with these words, such as with a trim level behind)."""
        where, values = "make = ?", [make]
        if model is not None:
            where, values = f"{where} AND (model = ? OR model LIKE ? ESCAPE '!')", [make, model, _like(model) + " %"]
        yield from map(_record, self._db.execute(f"{_GET} WHERE {where} ORDER BY published DESC, record.id", values))

    def of_make_or_engine(self, make: str, engine: str) -> Iterator[Record]:
        """All records of a make, and those of any make that name this engine."""
        where, values = ("make = ?", [make]) if not engine else ("(make = ? OR engine = ?)", [make, engine])
        yield from map(_record, self._db.execute(f"{_GET} WHERE {where} ORDER BY published DESC, record.id", values))

    def search(self, words: str, component: str = "", kind: Kind | None = None, most: int = 50) -> list[Hit]:
        """Records in whose component or text all these words stand, the best match first; words match from their start.

        `component` narrows to components that contain it. An empty search finds nothing.
        """
        query = " ".join(f'"{word}"*' for word in words.replace('"', " ").split())
        if not query:
            return []
        self._index()
        narrowed, values = "", [query]
        if component:
            narrowed, values = "AND words.component LIKE ? ESCAPE '!'", [query, f"%{_like(component)}%"]
        if kind is not None:
            narrowed, values = f"{narrowed} AND record.kind = ?", [*values, kind]
        rows = self._db.execute(
            f"SELECT snippet(wording, 1, '[', ']', ' … ', 24), {_FIELDS} FROM wording "
            "JOIN words ON words.id = wording.rowid JOIN record ON record.words = words.id "
            f"WHERE wording MATCH ? {narrowed} ORDER BY bm25(wording), record.published DESC, record.id LIMIT ?",
            [*values, most],
        )
        return [Hit(_record(row[1:]), row[0]) for row in rows]

    def complaints_by_year(self, make: str, model: str) -> dict[int, int]:
        """How many owners complained, by model year. Unverified: nobody has looked at these cars."""
        rows = self._db.execute(
            "SELECT year_from, count(DISTINCT number) FROM record WHERE kind = 'complaint' AND make = ? AND "
            "(model = ? OR model LIKE ? ESCAPE '!') AND year_from IS NOT NULL GROUP BY year_from ORDER BY year_from",
            (make, model, _like(model) + " %"),
        )
        return dict(rows.fetchall())


_FIELDS = (
    "record.kind, record.key, record.number, record.make, record.model, record.year_from, record.year_to, "
    "words.component, words.text, record.published, record.engine, record.built_from, record.built_to, record.units, "
    "record.distance_km, record.until, record.until_km"
)
_GET = f"SELECT {_FIELDS} FROM record JOIN words ON words.id = record.words"
_PUT = (
    "INSERT INTO record (kind, key, digest, number, make, model, year_from, year_to, engine, published, built_from, "
    "built_to, units, distance_km, until, until_km, words) "
    "VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, (SELECT id FROM words WHERE digest = ?)) "
    "ON CONFLICT (kind, key) DO UPDATE SET digest = excluded.digest, number = excluded.number, make = excluded.make, "
    "model = excluded.model, year_from = excluded.year_from, year_to = excluded.year_to, engine = excluded.engine, "
    "published = excluded.published, built_from = excluded.built_from, built_to = excluded.built_to, "
    "units = excluded.units, distance_km = excluded.distance_km, until = excluded.until, "
    "until_km = excluded.until_km, words = excluded.words WHERE digest <> excluded.digest"
)


def _row(record: Record, digests: dict[tuple[str, str], bytes]) -> tuple[object, ...]:
    """A row for _PUT; `digests` of words already seen in this batch are kept there."""
    first, last = record.years or (None, None)
    days = [None if day is None else day.isoformat() for day in (record.published, *record.built, record.until)]
    told = (record.component, record.text)
    words = digests.get(told)
    if words is None:
        words = hashlib.blake2b("\0".join(told).encode(), digest_size=16).digest()
        digests[told] = words
    facts = (
        record.number, record.make, record.model, first, last, record.engine, *days, record.units, record.distance_km,
        record.until_km, words,
    )  # fmt: skip
    digest = hashlib.blake2b(repr(facts).encode(), digest_size=16).digest()
    return (
        record.kind, record.key, digest, record.number, record.make, record.model, first, last, record.engine, days[0],
        days[1], days[2], record.units, record.distance_km, days[3], record.until_km, words,
    )  # fmt: skip


def _record(row: Sequence[Any]) -> Record:
    kind, key, number, make, model, first, last, component, text, published, engine, *rest = row
    built_from, built_to, units, distance_km, until, until_km = rest
    return Record(
        kind, key, number, make, model, None if first is None else (first, last), component, text, _day(published),
        engine, (_day(built_from), _day(built_to)), units, distance_km, _day(until), until_km,
    )  # fmt: skip


def _day(text: str | None) -> date | None:
    return None if text is None else date.fromisoformat(text)


def _like(text: str) -> str:
    return text.replace("!", "!!").replace("%", "!%").replace("_", "!_")


def _sha256(path: Path) -> tuple[str, int]:
    try:
        with path.open("rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest(), path.stat().st_size
    except OSError as error:
        raise RequestError(f"{path} cannot be read: {error.strerror}. Nothing was taken in.") from error
