"""Reads a run's workbook with openpyxl and compares it, cell by cell, with the record in SQLite.

Usage: check_xlsx.py RECORD_DIRECTORY WORKBOOK RUN
"""

import datetime
import math
import sqlite3
import sys

import openpyxl

EPOCH = datetime.datetime(1970, 1, 1)


def moment(micros):
    """True UTC as a spreadsheet keeps it: to the millisecond."""
    return EPOCH + datetime.timedelta(milliseconds=(micros + 500) // 1000)


def close(cell, value):
    return cell is not None and math.isclose(cell, value, rel_tol=1e-12, abs_tol=1e-12)


def main(directory, workbook, run):
    record = sqlite3.connect(f"file:{directory}/record.sqlite?mode=ro", uri=True)
    (key,) = record.execute("SELECT id FROM run WHERE name = ?", (run,)).fetchone()
    ((begin,),) = record.execute("SELECT at FROM run_step WHERE run = ? AND step = 'began'", (key,))
    ((end,),) = record.execute("SELECT at FROM run_step WHERE run = ? AND step = 'ended'", (key,))
    book = openpyxl.load_workbook(workbook, read_only=True)
    mark = " (SIMULATED)"
    names = book.sheetnames
    assert names == [word + mark for word in
                     ("summary", "charts", "course", "data", "gaps", "events", "instruments")], names

    compared = data(record, book["data" + mark], begin, end)
    gaps(record, book["gaps" + mark], begin, end)
    summary(record, book["summary" + mark], begin, end, run)
    print(f"{compared} cells of a workbook with SQLite")


def data(record, sheet, begin, end):
    rows = sheet.iter_rows(values_only=True)
    heading = next(rows)
    assert heading[:2] == ("time [UTC]", "elapsed [s]"), heading[:2]
    values = {title.rsplit(" [", 1)[0]: place for place, title in enumerate(heading) if place > 1 and "[" in title}
    words = {title.removesuffix(" quality"): place for place, title in enumerate(heading) if title.endswith(" quality")}
    assert values.keys() == words.keys()
    samples = {}
    for at, name, value, quality in record.execute(
            "SELECT at, channel, value, quality FROM reading WHERE at >= ? AND at < ?", (begin, end)):
        samples.setdefault(at // 1_000_000, {})[name] = (value, quality)
    compared = 0
    first = None
    for row in rows:
        assert isinstance(row[0], datetime.datetime), row[0]
        second = round((row[0] - EPOCH).total_seconds())
        first = second if first is None else first
        assert row[1] == second - first, row[:2]
        held = samples.pop(second, {})
        for name, place in values.items():
            value, quality = held.pop(name, (None, None))
            cell, said = row[place], row[words[name]]
            if value is None or cell is None:
                # No sample, no number, or a fault's number.
                assert cell is None, (row[0], name, cell, value)
                assert value is None or said != "good", (row[0], name, value, said)
            else:
                assert close(cell, value), (row[0], name, cell, value)
            if quality is not None:
                # Beside the flags stands the cause of what is missing in the same second.
                assert set(said.split()) >= set(quality.split()), (row[0], name, said, quality)
            compared += 1
        assert not held, (row[0], held)
    assert not samples, f"{len(samples)} seconds are not in the workbook"
    return compared


def gaps(record, sheet, begin, end):
    rows = list(sheet.iter_rows(min_row=2, values_only=True))
    held = record.execute(
        "SELECT name, from_at, to_at, cause, missed FROM gap JOIN channel ON channel.id = channel"
        " WHERE from_at < ? AND (to_at IS NULL OR to_at > ?) ORDER BY from_at, gap.id", (end, begin)).fetchall()
    assert len(rows) == len(held), (len(rows), len(held))
    for row, (name, since, until, cause, missed) in zip(rows, held):
        wanted = (name, moment(since), None if until is None else moment(until), cause, missed)
        assert row[:5] == wanted, (row, wanted)


def summary(record, sheet, begin, end, run):
    rows = list(sheet.iter_rows(values_only=True))
    facts = {row[0]: row[1] for row in rows}
    assert rows[0][0].startswith("SIMULATED"), rows[0]
    assert facts["run"] == run and facts["from [UTC]"] == moment(begin) and facts["up to [UTC]"] == moment(end)
    table = {row[0]: row for row in rows if row[1] in ("velocity", "temperature", "pressure")}
    count = record.execute("SELECT name, count(*) FROM sample JOIN channel ON channel.id = channel"
                           " WHERE at >= ? AND at < ? GROUP BY name", (begin, end))
    for name, samples in count:
        if name in table:
            assert table[name][3] == samples, (name, table[name], samples)
    # The mean and the spread of one channel, by Python's own exact sums.
    name = next(name for name, row in table.items() if row[1] == "temperature" and not row[10])
    values = [value for (value,) in record.execute(
        "SELECT value FROM reading WHERE channel = ? AND at >= ? AND at < ?", (name, begin, end))]
    mean = math.fsum(values) / len(values)
    spread = math.sqrt(math.fsum((value - mean) ** 2 for value in values) / (len(values) - 1))
    assert math.isclose(table[name][5], mean, rel_tol=1e-12), (table[name][5], mean)
    assert math.isclose(table[name][6], spread, rel_tol=1e-9), (table[name][6], spread)


main(*sys.argv[1:])
