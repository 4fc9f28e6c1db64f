-- What a device calls each of its entries: one that is sent again, because the answer was lost, is not recorded again.
CREATE TABLE entries (
    case_id   TEXT NOT NULL REFERENCES cases (case_id),
    entry_id  TEXT NOT NULL,          -- random, made on the device
    first_seq INTEGER NOT NULL,       -- the events that the entry made, first to last
    last_seq  INTEGER NOT NULL,
    PRIMARY KEY (case_id, entry_id)
) WITHOUT ROWID;

CREATE INDEX entries_that_opened ON entries (entry_id) WHERE first_seq = 1;
