-- The case log: events only ever grow; personal data stand beside them and may go.
CREATE TABLE cases (
    case_id TEXT PRIMARY KEY,
    origin  TEXT NOT NULL UNIQUE,   -- random; the first link of the hash chain
    title   TEXT NOT NULL,          -- title and state are what replay says, kept for the list of cases
    state   TEXT NOT NULL
);

CREATE TABLE events (
    case_id TEXT NOT NULL REFERENCES cases (case_id),
    seq     INTEGER NOT NULL,
    record  TEXT NOT NULL,          -- the event as JSON, exactly as it was hashed
    hash    TEXT NOT NULL,          -- SHA-256 over the hash before it and the record
    PRIMARY KEY (case_id, seq)
) WITHOUT ROWID;

CREATE TRIGGER events_never_change BEFORE UPDATE ON events
BEGIN
    SELECT RAISE(ABORT, 'a recorded event is never changed');
END;

CREATE TRIGGER events_never_go BEFORE DELETE ON events
BEGIN
    SELECT RAISE(ABORT, 'a recorded event is never deleted');
END;

CREATE TRIGGER events_leave_no_gap BEFORE INSERT ON events
WHEN NEW.seq <> 1 + coalesce((SELECT max(seq) FROM events WHERE case_id = NEW.case_id), 0)
BEGIN
    SELECT RAISE(ABORT, 'an event follows the last one');
END;

CREATE TABLE people (
    case_id TEXT NOT NULL REFERENCES cases (case_id),
    ref     TEXT NOT NULL,          -- the word by which events refer to the person
    data    TEXT NOT NULL,
    PRIMARY KEY (case_id, ref)
);
