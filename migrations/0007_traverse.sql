-- The moved-probe traverse: what the operator of a run said while one probe went from point to point. Rows are added, never
-- edited; what was read at which point follows from them and from the samples. Each row goes into the file together
-- with an event that says the same, and the seal covers that event.

PRAGMA user_version = 7;

CREATE TABLE run_traverse (
    id      INTEGER PRIMARY KEY,
    run     INTEGER NOT NULL REFERENCES run (id),
    said_at INTEGER NOT NULL, -- when, on the record's axis
    step    TEXT    NOT NULL CHECK (step IN ('laid', 'confirmed', 'ended')),
    point   INTEGER,          -- confirmed: the number of the point at which the probe was put, from 1
    by      TEXT    NOT NULL,
    plan    TEXT              -- laid: layout, channel, dwell and rule of steadiness, as a JSON object
) STRICT;
CREATE INDEX run_traverse_by_run ON run_traverse (run);
