-- The collection of public records. What a line says stands in `words` once, however many models and years it names.
CREATE TABLE source (
    sha256 TEXT PRIMARY KEY, name TEXT NOT NULL, kind TEXT, size_bytes INTEGER NOT NULL,
    read_to_byte INTEGER NOT NULL DEFAULT 0, read_to_line INTEGER NOT NULL DEFAULT 0, taken_in_at TEXT
) STRICT;
CREATE TABLE words (id INTEGER PRIMARY KEY, digest BLOB NOT NULL UNIQUE, component TEXT NOT NULL, text TEXT NOT NULL) STRICT;
CREATE TABLE record (
    id INTEGER PRIMARY KEY, kind TEXT NOT NULL, key TEXT NOT NULL, digest BLOB NOT NULL, number TEXT NOT NULL,
    make TEXT NOT NULL COLLATE NOCASE, model TEXT NOT NULL COLLATE NOCASE, year_from INTEGER, year_to INTEGER,
    engine TEXT NOT NULL COLLATE NOCASE, published TEXT, built_from TEXT, built_to TEXT, units INTEGER,
    distance_km REAL, until TEXT, until_km REAL, words INTEGER NOT NULL REFERENCES words(id),
    UNIQUE (kind, key)
) STRICT;
CREATE INDEX record_of_car ON record (make, model, year_from);
CREATE INDEX record_of_words ON record (words);
CREATE TABLE set_aside (
    sha256 TEXT NOT NULL REFERENCES source(sha256), line INTEGER NOT NULL, why TEXT NOT NULL, raw TEXT NOT NULL,
    PRIMARY KEY (sha256, line)
) STRICT;
CREATE VIRTUAL TABLE wording USING fts5(
    component, text, content='words', content_rowid='id', tokenize='unicode61 remove_diacritics 2'
);
PRAGMA user_version = 1;
