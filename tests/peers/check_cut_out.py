"""Reads a run that was cut out of a record with Python's own SQLite and compares it, row by row, with the record.

    python check_cut_out.py RECORD_DIRECTORY CUT_OUT RUN

Nothing of the station's own code is used. Every row of the cut-out must be a row of the record, and what belongs to
the run must all be there. Prints how many rows were compared; ends with 1 at the first difference.
"""

import pathlib
import sqlite3
import sys

OWN = {"cut_out", "cut_out_piece", "_sqlx_migrations"}
"""Tables that say what the file is."""
MADE = {"rollup", "rollup_front"}
"""Summaries, which are made of the samples that are there."""


def main(directory, cut_out, run):
    record = sqlite3.connect(f"{pathlib.Path(cut_out).resolve().as_uri()}?mode=ro", uri=True)
    record.execute("ATTACH ? AS original", (f"{pathlib.Path(directory, 'record.sqlite').resolve().as_uri()}?mode=ro",))
    assert record.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
    assert record.execute("PRAGMA foreign_key_check").fetchall() == []
    compared = 0
    for (table,) in record.execute("SELECT name FROM main.sqlite_schema WHERE type = 'table'").fetchall():
        if table not in OWN | MADE:
            strange = f"SELECT * FROM main.{table} EXCEPT SELECT * FROM original.{table}"
            assert record.execute(strange).fetchone() is None, table
            compared += record.execute(f"SELECT count(*) FROM main.{table}").fetchone()[0]

    (key,) = record.execute("SELECT id FROM original.run WHERE name = ?", (run,)).fetchone()
    begin, end = (record.execute("SELECT at FROM original.run_step WHERE run = ? AND step = ?", (key, step)).fetchone()[0]
                  for step in ("began", "ended"))
    belongs = [
        ("sample", "at >= ? AND at < ?"),
        ("event", "at >= ? AND at < ?"),
        ("gap", "coalesce(to_at, 9e18) > ? AND from_at < ?"),
    ]
    for table, condition in belongs:
        lacking = f"SELECT * FROM original.{table} WHERE {condition} EXCEPT SELECT * FROM main.{table}"
        assert record.execute(lacking, (begin, end)).fetchone() is None, table
    for table in ("run_step", "run_word", "run_note", "run_evaluation", "run_channel"):
        lacking = f"SELECT * FROM original.{table} WHERE run = ? EXCEPT SELECT * FROM main.{table}"
        assert record.execute(lacking, (key,)).fetchone() is None, table
    assert record.execute("SELECT name FROM main.run_list").fetchall() == [(run,)]
    whole = record.execute("SELECT count(*) FROM original.sample").fetchone()[0]
    kept = record.execute("SELECT count(*) FROM main.sample").fetchone()[0]
    assert kept < whole / 4, f"{kept} of {whole} samples are no cut-out of an hour"
    print(f"{compared} rows of a cut-out with the record")


main(*sys.argv[1:])
