"""Reads exports back with pandas and DuckDB and compares each, cell by cell, with the record in SQLite.

    python check_tables.py DATA STEP_SECONDS LONG WIDE GAPS

LONG, WIDE and GAPS are each there as `.csv` and as `.parquet`. Nothing of the station's own code is used: SQLite is
Python's, CSV is read by pandas' and by DuckDB's own reader, Parquet by pyarrow for pandas and by DuckDB's own reader.
Times and values must be equal, not close: the export promises digits that read back as the same number. The
channels' units must be SI. Prints what was compared, as JSON; ends with 1 at the first difference.
"""

import json
import pathlib
import re
import sqlite3
import sys

import duckdb
import numpy
import pandas
import pyarrow.parquet

SAMPLES = """
    SELECT s.at, c.name, s.code, s.value, s.flags,
           coalesce((SELECT k.axis_minus_utc_us FROM clock k WHERE k.at <= s.at
                     ORDER BY k.at DESC, k.id DESC LIMIT 1), 0)
    FROM sample s JOIN channel c ON c.id = s.channel ORDER BY s.at, s.channel
"""
GAPS = """
    SELECT c.name, g.from_at, g.to_at, g.cause, g.missed, g.detail
    FROM gap g JOIN channel c ON c.id = g.channel ORDER BY g.from_at, g.id
"""
FAULTS = {"open_loop", "short", "no_number"}
"""Qualities whose number the wide layout leaves out."""


def by_duckdb(reader: str):
    return lambda path: duckdb.sql(f"SELECT * FROM {reader.format(path)}").df()


READERS = [
    (".csv", "pandas", pandas.read_csv),
    (".parquet", "pandas", pandas.read_parquet),
    (".csv", "DuckDB", by_duckdb("read_csv('{}', header = true, sample_size = -1)")),
    (".parquet", "DuckDB", by_duckdb("read_parquet('{}')")),
]


def read_record(data: str):
    [path] = pathlib.Path(data).glob("*.sqlite")
    record = sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro", uri=True)
    names = ["at", "channel", "code", "value", "flags", "offset"]
    samples = pandas.DataFrame(record.execute(SAMPLES).fetchall(), columns=names)
    samples["value"] = samples["value"].astype(float)
    words = dict(record.execute("SELECT bit, word FROM flag"))
    samples["quality"] = [quality(flags, words) for flags in samples["flags"]]
    samples["utc"] = samples["at"] - samples["offset"]
    units = dict(record.execute("SELECT name, unit FROM channel"))
    offsets = set(samples["offset"])
    assert len(offsets) == 1, "a stepped clock: gaps would have to be shifted piece by piece"
    [offset] = offsets
    gaps = [
        (channel, begin - offset, None if end is None else end - offset, *about)
        for channel, begin, end, *about in record.execute(GAPS)
    ]
    return samples, gaps, units


def quality(flags: int, words: dict) -> str:
    standing = [word for bit, word in sorted(words.items()) if flags & bit]
    return " ".join(standing) or "good"


def micros(times: pandas.Series) -> pandas.Series:
    """Times, or RFC 3339 text, to microseconds since the epoch; none is NaN."""
    stamps = pandas.to_datetime(times, format="ISO8601", utc=True)
    return stamps.astype("datetime64[us, UTC]").astype("int64").where(stamps.notna())


def same(name: str, found, expected):
    found, expected = numpy.asarray(found), numpy.asarray(expected)
    assert found.shape == expected.shape, f"{name}: {found.shape} cells, expected {expected.shape}"
    if found.dtype.kind == "f" or expected.dtype.kind == "f":
        equal = (found == expected) | (pandas.isna(found) & pandas.isna(expected))
    else:
        equal = found == expected
    [wrong] = numpy.nonzero(~equal)
    assert len(wrong) == 0, f"{name}, record {wrong[0]}: {found[wrong[0]]!r}, expected {expected[wrong[0]]!r}"


def texts(cells: pandas.Series) -> pandas.Series:
    """An empty cell and a null are one."""
    return cells.astype(object).where(cells.notna(), "")


def check_long(table: pandas.DataFrame, samples: pandas.DataFrame, units: dict) -> int:
    assert list(table.columns) == ["time", "channel", "value", "unit", "quality", "code", "basis"], table.columns
    same("time", micros(table["time"]), samples["utc"])
    same("channel", table["channel"], samples["channel"])
    same("value", table["value"].astype(float), samples["value"])
    same("unit", table["unit"], samples["channel"].map(units))
    same("quality", texts(table["quality"]), samples["quality"])
    same("code", table["code"].astype(float), samples["code"].astype(float))
    assert (table["basis"].notna() == (table["unit"] == "m/s")).all(), "a velocity without its basis, or a basis without a velocity"
    return table.size


def check_words(channel: str, words, own, at, gaps: list, step_us: int) -> int:
    """Compares the qualities of one channel, step by step; returns how many steps hold nothing but a gap.

    A sample's words come first. Beside them, or where there is no sample, stand the causes of the
    gaps that touch the step.
    """
    empty = 0
    for begin, found, sample in zip(at, words, own):
        touching = [g for g in gaps if g[1] < begin + step_us and (g[2] is None or g[2] > begin)]
        causes = {gap[3] for gap in touching}
        found = found.split() if isinstance(found, str) else []
        if not isinstance(sample, str):
            assert set(found) == causes, f"{channel} quality at {begin}: {found}, expected {causes}"
            empty += 1
            continue
        own_words = [word for word in found if word not in causes]
        expected = [] if found != own_words and sample == "good" else sample.split()
        assert own_words == expected, f"{channel} quality at {begin}: {found}, the sample is {sample}"
    return empty


def check_wide(table: pandas.DataFrame, samples: pandas.DataFrame, gaps: list, units: dict, step_us: int) -> tuple[int, int]:
    at = micros(table["time"])
    assert (at % step_us == 0).all(), "a record off the grid"
    assert (numpy.diff(at) == step_us).all(), "the grid has a hole"
    compared, empty = 0, 0
    for channel, own in samples.groupby("channel"):
        expected = pandas.DataFrame({
            "step": own["utc"] // step_us * step_us,
            "value": own["value"].where(~own["quality"].map(lambda words: bool(FAULTS & set(words.split())))),
            "quality": own["quality"],
        })
        assert not expected["step"].duplicated().any(), f"{channel}: two samples in one step"
        expected = expected.set_index("step").reindex(at)
        # A velocity's heading names its basis behind the unit.
        [heading] = [c for c in table.columns if re.fullmatch(rf"{re.escape(channel)} \[{re.escape(units[channel])}(, .+)?\]", c)]
        assert ("basis" in heading) == (units[channel] == "m/s"), heading
        values = table[heading].astype(float)
        same(channel, values, expected["value"])
        own_gaps = [gap for gap in gaps if gap[0] == channel]
        empty += check_words(channel, table[f"{channel} quality"], expected["quality"], at, own_gaps, step_us)
        compared += 2 * len(values)
    return compared, empty


def check_gaps(table: pandas.DataFrame, gaps: list) -> int:
    names = ["channel", "from", "to", "cause", "missed", "detail"]
    assert list(table.columns) == names, table.columns
    expected = pandas.DataFrame(gaps, columns=names)
    for name in ("channel", "cause", "detail"):
        same(name, texts(table[name]), expected[name])
    for name in ("from", "to"):
        same(name, micros(table[name]).astype(float), expected[name].astype(float))
    same("missed", table["missed"], expected["missed"])
    return table.size


def check_fields(path: str) -> None:
    """What Parquet says of its columns beside their names."""
    for field in pyarrow.parquet.read_schema(path):
        unit = re.fullmatch(r".*\[(.*)\]", field.name)
        if unit and not field.name.startswith("elapsed"):
            unit, _, basis = unit[1].partition(", ")
            assert field.metadata[b"unit"].decode() == unit, field
            assert field.metadata.get(b"basis", b"").decode() == basis, field
            assert field.metadata[b"channel"].decode() in field.name, field


def main(data: str, step: str, long: str, wide: str, gaps: str) -> None:
    samples, lost, units = read_record(data)
    assert len(samples), "the record is empty"
    compared = {"samples": len(samples)}
    for ending, by, read in READERS:
        wide_cells, explained = check_wide(read(wide + ending), samples, lost, units, round(float(step) * 1e6))
        assert explained, "the record has no silence to compare"
        long_cells = check_long(read(long + ending), samples, units)
        gap_cells = check_gaps(read(gaps + ending), lost)
        compared[f"{ending} by {by}"] = {"long": long_cells, "wide": wide_cells, "of gaps": explained, "gaps": gap_cells}
    for path in (long, wide, gaps):
        check_fields(path + ".parquet")
    print(json.dumps(compared))


main(*sys.argv[1:])
