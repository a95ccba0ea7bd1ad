"""Reads Parquet exports with pyarrow and DuckDB and compares them, cell by cell, with the CSV exports.

    python check_parquet.py LONG.csv LONG.parquet WIDE.csv WIDE.parquet GAPS.csv GAPS.parquet

The CSV is compared with the record elsewhere. DuckDB reads both formats by itself; pyarrow tells the
fields' metadata. Prints what was compared, as JSON; ends with 1 at the first difference.
"""

import json
import re
import sys

import duckdb
import pyarrow.parquet


def rows(path: str, columns: list[str]) -> list[tuple]:
    """Every cell as a text, so that a null and an empty cell are one and a number keeps its digits."""
    reader = "read_parquet" if path.endswith(".parquet") else "read_csv"
    options = "" if reader == "read_parquet" else ", header = true, auto_detect = true"
    cells = ", ".join(cell(name) for name in columns)
    return duckdb.sql(f"SELECT {cells} FROM {reader}('{path}'{options})").fetchall()


def cell(name: str) -> str:
    quoted = '"' + name.replace('"', '""') + '"'
    if name in ("time", "from", "to"):
        return f"epoch_us({quoted}::TIMESTAMPTZ)"
    if name == "code" or name == "value" or "[" in name or name.endswith(" count") or name == "missed":
        return f"{quoted}::DOUBLE"
    return f"coalesce({quoted}::VARCHAR, '')"


def compare(text: str, columnar: str) -> int:
    schema = pyarrow.parquet.read_schema(columnar)
    for field in schema:
        unit = re.fullmatch(r".*\[(.*)\]", field.name)
        if unit and not field.name.startswith("elapsed"):
            unit, _, basis = unit[1].partition(", ")
            assert field.metadata[b"unit"].decode() == unit, field
            assert field.metadata.get(b"basis", b"").decode() == basis, field
            assert field.metadata[b"channel"].decode() in field.name, field
    expected, found = rows(text, schema.names), rows(columnar, schema.names)
    assert len(expected) == len(found) > 0, (len(expected), len(found))
    for index, (one, other) in enumerate(zip(expected, found)):
        assert one == other, f"{columnar}, row {index}: {other}, in CSV {one}"
    return len(found) * len(schema.names)


def main(paths: list[str]) -> None:
    pairs = dict(zip(paths[::2], paths[1::2]))
    cells = {columnar: compare(text, columnar) for text, columnar in pairs.items()}
    print(json.dumps({"cells": list(cells.values()), "duckdb": duckdb.__version__, "pyarrow": pyarrow.__version__}))


main(sys.argv[1:])
