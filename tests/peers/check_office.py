"""Opens a workbook with LibreOffice, has it converted to CSV, and compares every cell with what openpyxl reads.

    python check_office.py WORKBOOK FOLDER

Two readers that have nothing in common must see the same texts, numbers and dates, and no formula. Prints how many
cells were compared; ends with 1 at the first difference.
"""

import csv
import datetime
import math
import pathlib
import subprocess
import sys

import openpyxl

AS_CSV = "csv:Text - txt - csv (StarCalc):44,34,76,1,,0,false,true,false,false,false,-1"
"""Comma, double quotes, UTF-8, from the first line on, cells as shown, every sheet into a file of its own."""


def same(cell, text):
    if cell is None:
        return text == ""
    if isinstance(cell, datetime.datetime):
        shown = cell.isoformat(" ", "milliseconds")
        return text == shown or text == shown.removesuffix(" 00:00:00.000")
    if isinstance(cell, (int, float)):
        return math.isclose(float(text), cell, rel_tol=1e-9, abs_tol=1e-12)
    return text == cell


def main(workbook, folder):
    profile = pathlib.Path(folder, "profile").resolve().as_uri()
    subprocess.run(
        ["soffice", f"-env:UserInstallation={profile}", "--headless", "--convert-to", AS_CSV, "--outdir", folder, workbook],
        check=True, capture_output=True, timeout=120)
    book = openpyxl.load_workbook(workbook, read_only=True)
    compared = 0
    for sheet in book.worksheets:
        path = pathlib.Path(folder, f"{pathlib.Path(workbook).stem}-{sheet.title}.csv")
        with path.open(encoding="utf-8", newline="") as file:
            shown = list(csv.reader(file))
        while shown and not any(shown[-1]):
            shown.pop()  # a sheet of charts alone has no cells
        for number, (cells, texts) in enumerate(zip(sheet.iter_rows(values_only=True), shown, strict=True), 1):
            texts += [""] * (len(cells) - len(texts))
            for cell, text in zip(cells, texts, strict=True):
                assert same(cell, text), (sheet.title, number, cell, text)
                compared += cell is not None
    print(f"{compared} cells of a workbook with openpyxl's")


main(*sys.argv[1:])
