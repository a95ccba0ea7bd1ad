-- The seal: a chain of hashes over what was recorded, one link a commit, written in the commit's own
-- transaction. A change made afterwards breaks it; `zonda verify` says where. docs/seal.md says byte
-- for byte what a link is the hash of, and what the chain cannot show.

PRAGMA user_version = 2;

-- A link covers rows that are found again by their keys: the samples later than the last link's
-- `sample_to`, up to its own, but for those that a later link names; and the events, gaps and clock
-- rows with keys beyond the last link's, up to its own.
CREATE TABLE seal (
    id        INTEGER PRIMARY KEY, -- 1, 2, 3 … without a hole
    kind      INTEGER NOT NULL,    -- 0 the chain begins here, 1 a commit, 2 a session begins
    session   INTEGER,             -- of 0: the last one that is not sealed, NULL where there was none
    batch     INTEGER NOT NULL,    -- the number of the commit in its session, else 0
    at        INTEGER NOT NULL,    -- `alive_at` of the session as of this link
    samples   INTEGER NOT NULL,    -- how many samples it covers
    sample_to INTEGER,             -- NULL before the first
    event_to  INTEGER,
    gap_to    INTEGER,
    clock_to  INTEGER,
    named     BLOB,                -- pairs of numbers: of 1 (at, channel) of samples that came late, of 2 (channel, version) of the mappings in force
    closed    BLOB,                -- keys of the gaps that ended
    marks     BLOB,                -- a byte for each sample, so that the one that was changed can be told
    hash      BLOB NOT NULL        -- 32 bytes, over all of these, the rows, and the hash before
) STRICT;
