-- When the coverage and uncertainty asked of an evaluation were reached for the first time, while its run went on. A row goes
-- into the file together with an event that says the same, and the seal covers that event.

PRAGMA user_version = 9;

CREATE TABLE run_reached (
    evaluation INTEGER PRIMARY KEY REFERENCES run_evaluation (id),
    at         INTEGER NOT NULL -- up to where the record had come that it was worked out from
) STRICT;
