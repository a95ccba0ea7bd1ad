-- Runs: named stretches of the record, with who asked for them and why. Rows are added, never edited:
-- what a run is at present follows from its steps, and what is said of it from the newest words. Each
-- row goes into the file together with an event that says the same, and the seal covers that event.

PRAGMA user_version = 5;

CREATE TABLE run (
    id       INTEGER PRIMARY KEY,
    name     TEXT    NOT NULL, -- unique among the runs that are not discarded
    template TEXT,             -- of the configuration, where it was asked for by one
    starts   TEXT    NOT NULL, -- now | at TIME | when CONDITION
    ends     TEXT    NOT NULL, -- by hand | after LENGTH | at TIME | when CONDITION
    layout   TEXT,             -- name of the layout of points it refers to
    asked_at INTEGER NOT NULL
) STRICT;
CREATE INDEX run_by_name ON run (name);

-- In the order in which they were asked for.
CREATE TABLE run_channel (
    run      INTEGER NOT NULL REFERENCES run (id),
    position INTEGER NOT NULL,
    channel  INTEGER NOT NULL REFERENCES channel (id),
    PRIMARY KEY (run, position)
) STRICT, WITHOUT ROWID;

CREATE TABLE run_step (
    id      INTEGER PRIMARY KEY,
    run     INTEGER NOT NULL REFERENCES run (id),
    step    TEXT    NOT NULL CHECK (step IN ('began', 'interrupted', 'ended', 'withdrawn', 'missed', 'discarded')),
    said_at INTEGER NOT NULL, -- when this was written
    at      INTEGER,          -- began, ended: when; interrupted: up to when
    from_at INTEGER,          -- interrupted: from when on
    reason  TEXT,             -- ended: stopped | time_over | condition_met | cut
    by      TEXT,             -- who, where it was somebody
    text    TEXT    NOT NULL, -- why, or nothing
    config  TEXT    NOT NULL REFERENCES config_revision (hash) -- in force when this was written
) STRICT;
CREATE INDEX run_step_by_run ON run_step (run);

-- What is said of it. Of each field the newest holds; what was said before stays.
CREATE TABLE run_word (
    id      INTEGER PRIMARY KEY,
    run     INTEGER NOT NULL REFERENCES run (id),
    said_at INTEGER NOT NULL,
    by      TEXT,
    field   TEXT    NOT NULL CHECK (field IN ('operator', 'purpose', 'object', 'ambient')),
    text    TEXT    NOT NULL
) STRICT;
CREATE INDEX run_word_by_run ON run_word (run);

CREATE TABLE run_note (
    id       INTEGER PRIMARY KEY,
    run      INTEGER NOT NULL REFERENCES run (id),
    said_at  INTEGER NOT NULL,
    about_at INTEGER,         -- the moment that it is about, where that is another
    by       TEXT    NOT NULL,
    text     TEXT    NOT NULL
) STRICT;
CREATE INDEX run_note_by_run ON run_note (run);

-- The evaluations asked of it.
CREATE TABLE run_evaluation (
    id         INTEGER PRIMARY KEY,
    run        INTEGER NOT NULL REFERENCES run (id),
    said_at    INTEGER NOT NULL,
    by         TEXT,
    kind       TEXT    NOT NULL,
    parameters TEXT    NOT NULL -- a JSON object
) STRICT;
CREATE INDEX run_evaluation_by_run ON run_evaluation (run);

-- For people with any SQLite tool.
CREATE VIEW run_list AS
SELECT name,
       coalesce((SELECT step FROM run_step WHERE run_step.run = run.id AND step <> 'interrupted'
                 ORDER BY run_step.id DESC LIMIT 1), 'asked') AS state,
       (SELECT strftime('%Y-%m-%dT%H:%M:%SZ', (at - coalesce((SELECT axis_minus_utc_us FROM clock WHERE clock.at <= run_step.at
                        ORDER BY clock.at DESC, clock.id DESC LIMIT 1), 0)) / 1000000, 'unixepoch')
        FROM run_step WHERE run_step.run = run.id AND step = 'began') AS utc_from,
       (SELECT strftime('%Y-%m-%dT%H:%M:%SZ', (at - coalesce((SELECT axis_minus_utc_us FROM clock WHERE clock.at <= run_step.at
                        ORDER BY clock.at DESC, clock.id DESC LIMIT 1), 0)) / 1000000, 'unixepoch')
        FROM run_step WHERE run_step.run = run.id AND step = 'ended') AS utc_to,
       (SELECT text FROM run_word WHERE run_word.run = run.id AND field = 'operator'
        ORDER BY run_word.id DESC LIMIT 1) AS operator,
       (SELECT text FROM run_word WHERE run_word.run = run.id AND field = 'purpose'
        ORDER BY run_word.id DESC LIMIT 1) AS purpose,
       id
FROM run;
