-- Loop checks: a known signal was put on a channel's loop, point by point, and what arrived was compared
-- with it. An event in the same commit carries the hash, so that the seal covers the record of the check.

PRAGMA user_version = 4;

CREATE TABLE loop_check (
    id        INTEGER PRIMARY KEY,
    at        INTEGER NOT NULL, -- when its last point was taken, on the record's axis
    channel   INTEGER NOT NULL REFERENCES channel (id),
    mapping   INTEGER NOT NULL, -- the version in force
    operator  TEXT    NOT NULL, -- who did it
    source    TEXT    NOT NULL, -- where the signal came from: a calibrator, or the meter's own output test
    serial    TEXT    NOT NULL, -- its number; empty where none was given
    signal    TEXT    NOT NULL, -- the loop's span, such as `4-20 mA`
    range     TEXT    NOT NULL, -- what its ends stand for, such as `0-50 m/s`
    tolerance REAL    NOT NULL, -- the largest error that passes, as a share of the span, as all that follow
    gain      REAL    NOT NULL, -- found per applied
    gain_u    REAL    NOT NULL, -- standard uncertainty
    zero      REAL    NOT NULL, -- offset at the beginning of the span
    zero_u    REAL    NOT NULL,
    error_max REAL    NOT NULL, -- the largest error, with its sign
    is_passed INTEGER NOT NULL, -- 1 where every error is within the tolerance
    note      TEXT    NOT NULL,
    hash      TEXT    NOT NULL  -- BLAKE3 over all of this but `id`, and the points; docs/loop-check.md has the bytes
) STRICT;

CREATE INDEX loop_check_by_channel ON loop_check (channel, at);

CREATE TABLE loop_check_point (
    loop_check INTEGER NOT NULL REFERENCES loop_check (id),
    place      INTEGER NOT NULL, -- 0, 1, 2 … in the order in which they were taken
    at         INTEGER NOT NULL,
    share      REAL    NOT NULL, -- where it lies in the span
    target     REAL    NOT NULL, -- what was applied, A or V
    found      REAL    NOT NULL, -- the mean of what arrived, A or V
    found_u    REAL    NOT NULL, -- standard uncertainty
    error      REAL    NOT NULL, -- (found - target) as a share of the span
    samples    INTEGER NOT NULL,
    PRIMARY KEY (loop_check, place)
) STRICT, WITHOUT ROWID;
