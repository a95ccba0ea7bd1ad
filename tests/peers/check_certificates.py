"""Reads the instruments of a workbook with openpyxl and compares what it says of certificates.

    python check_certificates.py WORKBOOK WANTED

WANTED is JSON: by channel the certificate's number, its laboratory, and the dates of calibration and when it is due.
The dates must be dates, not texts. Ends with 1 at the first difference.
"""

import datetime
import json
import sys

import openpyxl

COLUMNS = ("certificate", "laboratory", "calibrated", "due")


def cell(value, column):
    if column in ("calibrated", "due") and value is not None:
        assert isinstance(value, datetime.datetime) and value.time() == datetime.time(), value
        return value.date().isoformat()
    return value


def main(workbook, wanted):
    sheet = openpyxl.load_workbook(workbook)["instruments (SIMULATED)"]
    heading, *rows = sheet.iter_rows(values_only=True)
    rows = [dict(zip(heading, row)) for row in rows]
    for channel, expected in json.loads(wanted).items():
        found = [row for row in rows if row["channel"] == channel]
        assert found, f"{channel} is not in the sheet"
        for row in found:
            told = [cell(row[column], column) for column in COLUMNS]
            assert told == expected, (channel, told, expected)


main(*sys.argv[1:])
