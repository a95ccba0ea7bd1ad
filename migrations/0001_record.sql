-- The record of one station. Any SQLite tool may read this file; none but the daemon may write it.
--
-- Times named `at`, `…_at` are microseconds since 1970-01-01T00:00:00Z on the record's own axis, which
-- never runs backwards; the table `clock` says how far that axis was from UTC, and the views apply it.
-- Values are in the SI unit that `channel.si_unit` names. The tables are STRICT, so that no program
-- can put a text where a number belongs.

PRAGMA application_id = 1517184097; -- "Znda": what kind of file this is
PRAGMA user_version = 1;            -- the newest migration that made it; a program refuses a higher one

-- The states of the configuration that the record was made under.
CREATE TABLE config_revision (
    hash     TEXT    NOT NULL PRIMARY KEY, -- BLAKE3 of the text, hexadecimal
    text     TEXT    NOT NULL,
    first_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

-- One row for each time the daemon ran. `batch` counts its commits: one that reported an error may
-- have reached the disk all the same, and this number tells.
CREATE TABLE session (
    id         INTEGER PRIMARY KEY,
    boot       TEXT    NOT NULL, -- the kernel's boot id: two sessions of one boot share a clock
    version    TEXT    NOT NULL,
    config     TEXT    NOT NULL REFERENCES config_revision (hash),
    started_at INTEGER NOT NULL,
    alive_at   INTEGER NOT NULL, -- moved on with every commit: nothing later is in the file
    batch      INTEGER NOT NULL DEFAULT 0,
    ended_at   INTEGER,
    ended      TEXT CHECK (ended IN ('stopped', 'interrupted')) -- the latter as the next session found it
) STRICT;

-- What is recorded. A channel keeps its key, name and quantity for ever; `position` is its place in
-- the configuration in force, NULL where that no longer names it.
CREATE TABLE channel (
    id        INTEGER PRIMARY KEY,
    name      TEXT    NOT NULL UNIQUE,
    quantity  TEXT    NOT NULL,
    si_unit   TEXT    NOT NULL, -- of every stored value
    unit      TEXT    NOT NULL, -- in which people speak of it
    period_us INTEGER NOT NULL, -- the tick
    position  INTEGER
) STRICT;

-- How a channel's codes become values. Versions are added, never edited.
CREATE TABLE mapping (
    channel  INTEGER NOT NULL REFERENCES channel (id),
    version  INTEGER NOT NULL,
    since_at INTEGER NOT NULL,
    config   TEXT    NOT NULL REFERENCES config_revision (hash),
    text     TEXT    NOT NULL,
    PRIMARY KEY (channel, version)
) STRICT, WITHOUT ROWID;

-- Clustered by time: a commit then touches a handful of pages whatever the number of channels
-- (17 times fewer bytes written than by channel). No foreign key: the keys come from `channel` by
-- construction, and a look-up for every row would slow the one path that must be fast.
CREATE TABLE sample (
    at      INTEGER NOT NULL,
    channel INTEGER NOT NULL,
    code    ANY,              -- INTEGER of a register or converter, REAL of a text line, NULL for a status word
    value   REAL,             -- NULL where the code stands for no number
    flags   INTEGER NOT NULL, -- the quality, bits of the table `flag`; 0 is good
    PRIMARY KEY (at, channel)
) STRICT, WITHOUT ROWID;

-- The words of the bits in `flags`, written by the program that knows them.
CREATE TABLE flag (
    bit  INTEGER PRIMARY KEY, -- its value, a power of two
    word TEXT    NOT NULL UNIQUE
) STRICT;

-- Where a channel has no samples, and why: one row a stretch, from `from_at` up to, not including, `to_at`.
CREATE TABLE gap (
    id      INTEGER PRIMARY KEY,
    channel INTEGER NOT NULL REFERENCES channel (id),
    from_at INTEGER NOT NULL,
    to_at   INTEGER,          -- NULL while it lasts
    cause   TEXT    NOT NULL,
    missed  INTEGER NOT NULL, -- ticks without a sample
    detail  TEXT    NOT NULL
) STRICT;
CREATE INDEX gap_by_end ON gap (to_at);

CREATE TABLE event (
    id       INTEGER PRIMARY KEY,
    at       INTEGER NOT NULL,
    severity TEXT    NOT NULL CHECK (severity IN ('info', 'warning', 'alarm')),
    kind     TEXT    NOT NULL,
    subject  TEXT    NOT NULL, -- the line, channel or part it is about
    text     TEXT    NOT NULL
) STRICT;
CREATE INDEX event_by_time ON event (at);

-- From `at` on, true UTC = axis − axis_minus_utc_us. Rows are added, never edited: where two have the
-- same `at` the later one knows better (a board without a battery clock learns afterwards how wrong it began).
CREATE TABLE clock (
    id                INTEGER PRIMARY KEY,
    at                INTEGER NOT NULL,
    axis_minus_utc_us INTEGER NOT NULL,
    cause             TEXT    NOT NULL
) STRICT;
CREATE INDEX clock_by_time ON clock (at, id, axis_minus_utc_us);

-- Summaries for charts; can be made anew from the samples at any time. By channel, because a chart
-- reads one channel over hours.
CREATE TABLE rollup (
    channel INTEGER NOT NULL,
    step_us INTEGER NOT NULL,
    at      INTEGER NOT NULL, -- where the bucket begins
    count   INTEGER NOT NULL, -- samples
    used    INTEGER NOT NULL, -- samples with a number and no fault: what mean, min and max are of
    good    INTEGER NOT NULL, -- samples with a number and nothing against it
    mean    REAL,
    min     REAL,
    max     REAL,
    flags   INTEGER NOT NULL, -- every flag that was seen
    PRIMARY KEY (channel, step_us, at)
) STRICT, WITHOUT ROWID;

-- Buckets that begin before `at` are in `rollup`; later ones have to be taken from the samples.
CREATE TABLE rollup_front (
    step_us INTEGER PRIMARY KEY,
    at      INTEGER NOT NULL
) STRICT;

-- For people with any SQLite tool: names, units, words and UTC.

CREATE VIEW reading AS
SELECT strftime('%Y-%m-%dT%H:%M:%S', utc_us / 1000000, 'unixepoch') || printf('.%06dZ', utc_us % 1000000) AS utc,
       channel.name AS channel,
       value,
       si_unit AS unit,
       coalesce((SELECT group_concat(word, ' ') FROM flag WHERE stamped.flags & bit), 'good') AS quality,
       code,
       stamped.at AS at
FROM (SELECT *, sample.at - coalesce((SELECT axis_minus_utc_us FROM clock WHERE clock.at <= sample.at
                                      ORDER BY clock.at DESC, clock.id DESC LIMIT 1), 0) AS utc_us
      FROM sample) AS stamped
JOIN channel ON channel.id = stamped.channel;

CREATE VIEW outage AS
SELECT strftime('%Y-%m-%dT%H:%M:%S', from_us / 1000000, 'unixepoch') || printf('.%06dZ', from_us % 1000000) AS utc_from,
       strftime('%Y-%m-%dT%H:%M:%S', to_us / 1000000, 'unixepoch') || printf('.%06dZ', to_us % 1000000)     AS utc_to,
       name AS channel,
       cause,
       missed,
       detail
FROM (SELECT *,
             from_at - coalesce((SELECT axis_minus_utc_us FROM clock WHERE clock.at <= from_at
                                 ORDER BY clock.at DESC, clock.id DESC LIMIT 1), 0) AS from_us,
             to_at - coalesce((SELECT axis_minus_utc_us FROM clock WHERE clock.at <= to_at
                               ORDER BY clock.at DESC, clock.id DESC LIMIT 1), 0)   AS to_us
      FROM gap) AS stamped
JOIN channel ON channel.id = stamped.channel;

CREATE VIEW journal AS
SELECT strftime('%Y-%m-%dT%H:%M:%S', utc_us / 1000000, 'unixepoch') || printf('.%06dZ', utc_us % 1000000) AS utc,
       severity,
       kind,
       subject,
       text
FROM (SELECT *, event.at - coalesce((SELECT axis_minus_utc_us FROM clock WHERE clock.at <= event.at
                                     ORDER BY clock.at DESC, clock.id DESC LIMIT 1), 0) AS utc_us
      FROM event) AS stamped;
