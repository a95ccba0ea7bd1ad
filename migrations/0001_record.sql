-- The record. Times are microseconds since 1970-01-01T00:00:00Z on the record's own axis, which
-- never runs backwards; the table `clock` says how far it is from UTC. Values are in SI, with
-- temperatures in °C. Any SQLite tool may read this file; none but the daemon may write it.

CREATE TABLE config_revision (
    hash     TEXT PRIMARY KEY,      -- BLAKE3 of the text, hexadecimal
    text     TEXT NOT NULL,
    first_at INTEGER NOT NULL
) STRICT;

-- One row for each time the daemon ran.
CREATE TABLE session (
    id         INTEGER PRIMARY KEY,
    boot       TEXT NOT NULL,       -- the kernel's boot id: two sessions of one boot share a clock
    version    TEXT NOT NULL,
    config     TEXT NOT NULL REFERENCES config_revision (hash),
    started_at INTEGER NOT NULL,
    alive_at   INTEGER NOT NULL,    -- moved on with every commit
    ended_at   INTEGER,
    ended      TEXT                 -- 'stopped', or 'interrupted' as the next session found it
) STRICT;

CREATE TABLE channel (
    id        INTEGER PRIMARY KEY,
    name      TEXT NOT NULL UNIQUE,
    quantity  TEXT NOT NULL,
    unit      TEXT NOT NULL,        -- in which people speak of it; values are in SI all the same
    period_us INTEGER NOT NULL      -- the tick
) STRICT;

-- How a channel's codes become values. Versions are added, never edited.
CREATE TABLE mapping (
    channel  INTEGER NOT NULL REFERENCES channel (id),
    version  INTEGER NOT NULL,
    since_at INTEGER NOT NULL,
    config   TEXT NOT NULL REFERENCES config_revision (hash),
    text     TEXT NOT NULL,
    PRIMARY KEY (channel, version)
) STRICT, WITHOUT ROWID;

-- Clustered by time: a commit then touches a handful of pages whatever the number of channels.
CREATE TABLE sample (
    at      INTEGER NOT NULL,
    channel INTEGER NOT NULL,
    code    ANY,                    -- INTEGER of a register or converter, REAL of a text line, NULL for a status word
    value   REAL,                   -- NULL where the code stands for no number
    flags   INTEGER NOT NULL,       -- the quality; 0 is good. Words: table `flag`
    PRIMARY KEY (at, channel)
) STRICT, WITHOUT ROWID;

-- Missing time, and why. `to_at` is NULL while the gap is open.
CREATE TABLE gap (
    id      INTEGER PRIMARY KEY,
    channel INTEGER NOT NULL REFERENCES channel (id),
    from_at INTEGER NOT NULL,
    to_at   INTEGER,
    cause   TEXT NOT NULL,
    missed  INTEGER NOT NULL,       -- ticks without a sample
    detail  TEXT NOT NULL
) STRICT;
CREATE INDEX gap_by_time ON gap (from_at);
CREATE INDEX gap_open ON gap (channel) WHERE to_at IS NULL;

CREATE TABLE event (
    id       INTEGER PRIMARY KEY,
    at       INTEGER NOT NULL,
    severity TEXT NOT NULL,         -- info, warning, alarm
    kind     TEXT NOT NULL,
    subject  TEXT NOT NULL,         -- the line, channel or part it is about
    text     TEXT NOT NULL
) STRICT;
CREATE INDEX event_by_time ON event (at);

-- From `at` on, true UTC = axis − axis_minus_utc_us.
CREATE TABLE clock (
    at                INTEGER PRIMARY KEY,
    axis_minus_utc_us INTEGER NOT NULL,
    cause             TEXT NOT NULL
) STRICT;

-- Kept as data comes in; can be rebuilt from the samples at any time.
CREATE TABLE rollup (
    channel INTEGER NOT NULL,
    step_us INTEGER NOT NULL,
    at      INTEGER NOT NULL,       -- where the bucket begins
    count   INTEGER NOT NULL,       -- samples
    valued  INTEGER NOT NULL,       -- samples with a value: what mean, min and max are of
    good    INTEGER NOT NULL,       -- samples with a value and nothing against it
    mean    REAL,
    min     REAL,
    max     REAL,
    flags   INTEGER NOT NULL,       -- every flag that was seen
    PRIMARY KEY (channel, step_us, at)
) STRICT, WITHOUT ROWID;

CREATE TABLE flag (
    bit  INTEGER PRIMARY KEY,
    word TEXT NOT NULL UNIQUE
) STRICT;

-- For people with any SQLite tool.
CREATE VIEW reading AS
SELECT strftime('%Y-%m-%dT%H:%M:%S', (at - offset_us) / 1000000, 'unixepoch')
           || printf('.%06dZ', (at - offset_us) % 1000000)                               AS utc,
       name, value, unit, quality, code, at
FROM (SELECT s.at, s.value, s.code, c.name,
             CASE c.quantity
                 WHEN 'velocity' THEN 'm/s' WHEN 'temperature' THEN '°C' WHEN 'temperature_difference' THEN 'K'
                 WHEN 'pressure' THEN 'Pa' WHEN 'humidity' THEN '1' WHEN 'volume_flow' THEN 'm³/s'
                 WHEN 'mass_flow' THEN 'kg/s' WHEN 'density' THEN 'kg/m³' WHEN 'power' THEN 'W'
                 WHEN 'voltage' THEN 'V' WHEN 'current' THEN 'A' WHEN 'resistance' THEN 'Ω' WHEN 'length' THEN 'm'
                 WHEN 'area' THEN 'm²' WHEN 'volume' THEN 'm³' WHEN 'frequency' THEN 'Hz' ELSE '1'
             END AS unit,
             coalesce((SELECT group_concat(f.word, ' ') FROM flag f WHERE s.flags >> f.bit & 1), 'good') AS quality,
             coalesce((SELECT k.axis_minus_utc_us FROM clock k WHERE k.at <= s.at ORDER BY k.at DESC LIMIT 1), 0) AS offset_us
      FROM sample s JOIN channel c ON c.id = s.channel);
