-- Corrections: a channel's values over a stretch, worked out anew from the codes by another mapping.
-- Codes never change. What was there before is kept until the correction is undone.

PRAGMA user_version = 3;

-- What was asked for. Rows are added; only `done_to` moves. A row with `undoes` takes another one back.
CREATE TABLE correction (
    id      INTEGER PRIMARY KEY,
    at      INTEGER NOT NULL,                     -- when it was asked for
    channel INTEGER NOT NULL REFERENCES channel (id),
    from_at INTEGER NOT NULL,
    to_at   INTEGER NOT NULL,                     -- not included
    undoes  INTEGER UNIQUE REFERENCES correction (id),
    mapping TEXT    NOT NULL,                     -- how codes become values in the stretch; of an undo, empty
    reason  TEXT    NOT NULL,
    by_whom TEXT    NOT NULL,
    done_to INTEGER NOT NULL                      -- samples before this are done; `to_at` where all are
) STRICT;

-- The channels whose values or flags it changes: its own, and those that are judged by it.
CREATE TABLE corrected_channel (
    correction INTEGER NOT NULL REFERENCES correction (id),
    channel    INTEGER NOT NULL REFERENCES channel (id),
    PRIMARY KEY (correction, channel)
) STRICT, WITHOUT ROWID;

-- Values and flags as they were before, of the samples that a correction changed.
CREATE TABLE superseded (
    correction INTEGER NOT NULL,
    at         INTEGER NOT NULL,
    channel    INTEGER NOT NULL,
    value      REAL,
    flags      INTEGER NOT NULL,
    PRIMARY KEY (correction, at, channel)
) STRICT, WITHOUT ROWID;
