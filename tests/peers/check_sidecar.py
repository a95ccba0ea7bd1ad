"""Reads a CSV export by what its sidecar says and nothing else, as CSV on the Web has it (W3C, 2015).

    python check_sidecar.py FILE.csv

The sidecar is found by the name that the recommendation gives it; its addresses lead to the file and to the list of
gaps; its dialect, titles and datatypes read every cell. Prints what was read; ends with 1 at the first difference.
"""

import csv
import datetime
import itertools
import json
import pathlib
import sys
import urllib.parse


def number(text, column):
    mark = column["datatype"].get("format", {}).get("decimalChar", ".")
    return float(text.replace(mark, "."))


def read(text, column):
    datatype = column["datatype"]
    base = datatype if isinstance(datatype, str) else datatype["base"]
    if text == "" or base == "string":
        return text
    if base == "dateTimeStamp":
        return datetime.datetime.fromisoformat(text)
    if base == "dateTime":
        return datetime.datetime.strptime(text, "%Y-%m-%d %H:%M:%S.%f")
    return int(text) if base == "integer" else number(text, column)


def lead(file, address):
    """Where a relative address leads from a file's own."""
    joined = urllib.parse.urljoin(file.resolve().as_uri(), address)
    return pathlib.Path(urllib.parse.unquote(urllib.parse.urlsplit(joined).path))


def below(lines, remark):
    """What stands under the remarks."""
    return itertools.dropwhile(lambda line: remark and line.startswith(remark), lines)


def main(path):
    file = pathlib.Path(path)
    about = json.loads(file.with_name(file.name + "-metadata.json").read_text(encoding="utf-8"))
    assert about["@context"][0] == "http://www.w3.org/ns/csvw"
    assert lead(file, about["url"]) == file.resolve(), about["url"]
    columns = about["tableSchema"]["columns"]
    dialect = about["dialect"]
    with file.open(encoding=dialect["encoding"], newline="") as lines:
        records = csv.reader(below(lines, dialect["commentPrefix"]), delimiter=dialect["delimiter"], strict=True)
        assert next(records) == [column["titles"] for column in columns]
        cells = sum(len([read(text, column) for text, column in zip(record, columns, strict=True)]) for record in records)
    [note] = about["notes"]
    gaps = lead(file, note["gaps"])
    with gaps.open(encoding="utf-8", newline="") as lines:
        heading, *lost = csv.reader(below(lines, dialect["commentPrefix"]), strict=True)
    assert heading[0] == "channel" and lost and all(len(row) == len(heading) for row in lost), heading
    assert note["run"]["name"] and len(note["seal"]["hash"]) == 64
    assert all(channel["mappings"] for channel in note["channels"])
    print(f"{cells} cells and {len(lost)} gaps")


main(*sys.argv[1:])
