"""Prints what a station recorded, as JSON, read by Python's own SQLite.

    python read_record.py DATA          the samples, the gaps and SQLite's integrity check
    python read_record.py DATA "SELECT" the rows of a query

Opens the record read-only: an older SQLite may read it, and must never write it.
"""

import json
import pathlib
import sqlite3
import sys

SAMPLES = """
    SELECT s.at, c.name, s.code, s.value, s.flags
    FROM sample s JOIN channel c ON c.id = s.channel ORDER BY s.at, s.channel
"""
GAPS = """
    SELECT c.name, g.from_at, g.to_at, g.cause, g.missed, g.detail
    FROM gap g JOIN channel c ON c.id = g.channel ORDER BY g.from_at, g.channel
"""


def open_record(data: str) -> sqlite3.Connection:
    [record] = pathlib.Path(data).glob("*.sqlite")
    return sqlite3.connect(f"{record.resolve().as_uri()}?mode=ro", uri=True)


def read_all(record: sqlite3.Connection) -> dict:
    sample = ("at", "channel", "code", "value", "flags")
    gap = ("channel", "from", "to", "cause", "missed", "detail")
    record.execute("BEGIN")
    return {
        "samples": [dict(zip(sample, row)) for row in record.execute(SAMPLES)],
        "gaps": [dict(zip(gap, row)) for row in record.execute(GAPS)],
        "integrity": record.execute("PRAGMA integrity_check").fetchone()[0],
    }


if __name__ == "__main__":
    record = open_record(sys.argv[1])
    query = sys.argv[2] if len(sys.argv) > 2 else None
    json.dump(record.execute(query).fetchall() if query else read_all(record), sys.stdout)
