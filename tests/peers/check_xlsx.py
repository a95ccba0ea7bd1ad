"""Reads a run's workbook with openpyxl and compares it, cell by cell, with the record in SQLite.

Usage: check_xlsx.py RECORD_DIRECTORY WORKBOOK RUN OUTCOMES

OUTCOMES is what `zonda evaluate RUN --json` says.
"""

import datetime
import json
import math
import pathlib
import sqlite3
import sys

import openpyxl

EPOCH = datetime.datetime(1970, 1, 1)


def moment(micros):
    """True UTC as a spreadsheet keeps it: to the millisecond."""
    return EPOCH + datetime.timedelta(milliseconds=(micros + 500) // 1000)


def close(cell, value):
    return cell is not None and math.isclose(cell, value, rel_tol=1e-12, abs_tol=1e-12)


def main(directory, workbook, run, outcomes):
    record = sqlite3.connect(f"file:{directory}/record.sqlite?mode=ro", uri=True)
    (key,) = record.execute("SELECT id FROM run WHERE name = ?", (run,)).fetchone()
    ((begin,),) = record.execute("SELECT at FROM run_step WHERE run = ? AND step = 'began'", (key,))
    ((end,),) = record.execute("SELECT at FROM run_step WHERE run = ? AND step = 'ended'", (key,))
    book = openpyxl.load_workbook(workbook, read_only=True)
    mark = " (SIMULATED)"
    names = book.sheetnames
    assert names == [word + mark for word in
                     ("summary", "results", "charts", "course", "data", "gaps", "events", "instruments")], names

    compared = data(record, book["data" + mark], begin, end)
    gaps(record, book["gaps" + mark], begin, end)
    summary(record, book["summary" + mark], begin, end, run)
    results(book["results" + mark], json.loads(pathlib.Path(outcomes).read_text()))
    looks(workbook)
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


def results(sheet, answers):
    """Every figure and every verdict has its row, with its uncertainty and what the readings behind it cover."""
    rows = sheet.iter_rows(values_only=True)
    heading = next(rows)
    found = [dict(zip(heading, row)) for row in rows]
    wanted = []
    for answer in answers if isinstance(answers, list) else [answers]:
        outcome = answer["outcome"]
        covered = {given["channel"]: given["tally"]["coverage"] for given in outcome["inputs"]}
        for figure in outcome["results"]:
            coverage = covered.get(figure["of"], min(covered.values()))
            wanted.append((answer["title"], figure["name"], figure["of"], figure["value"], figure["unit"],
                           figure["expanded"], None, coverage))
        for judged in outcome["verdicts"]:
            words = {"conforms": "conforms", "does_not": "does not conform", "undecided": "undecided"}
            wanted.append((answer["title"], judged["what"], None, judged["value"], judged["unit"],
                           None, words[judged["verdict"]], None))
    names = ("evaluation", "result", "of", "value", "unit", "U (95.45 %)", "verdict", "coverage")
    assert [tuple(row[name] for name in names) for row in found] == wanted
    assert any(row["U (95.45 %)"] for row in found) and any(row["verdict"] for row in found)


def looks(workbook):
    """Headings stay in sight, and each chart's numbers are where it says."""
    book = openpyxl.load_workbook(workbook)
    for word, frozen in (("data", "B2"), ("gaps", "A2"), ("events", "A2"), ("results", "A2"), ("instruments", "A2")):
        assert book[f"{word} (SIMULATED)"].freeze_panes == frozen, word
    charts = book["charts (SIMULATED)"]._charts
    assert len(charts) >= 3, "velocity, temperature and pressure at least"
    course = book["course (SIMULATED)"]
    for chart in charts:
        for series in chart.series:
            place, cells = series.yVal.numRef.f.rsplit("!", 1)
            assert place.strip("'") == course.title, place
            (first,), *rest = course[cells.replace("$", "")]
            assert rest and first.row == 2, cells


main(*sys.argv[1:])
