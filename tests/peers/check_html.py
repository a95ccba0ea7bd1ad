"""Reads a report with the HTML standard's own parser, strict: any parse error fails. It must need nothing but itself.

Usage: check_html.py REPORT
"""

import sys
from pathlib import Path

import html5lib

HTML = "{http://www.w3.org/1999/xhtml}"


def main(report):
    tree = html5lib.HTMLParser(strict=True).parse(Path(report).read_bytes())
    tags = [element.tag.removeprefix(HTML) for element in tree.iter() if isinstance(element.tag, str)]
    for barred in ("script", "link", "iframe", "object", "embed", "form"):
        assert barred not in tags, barred
    for element in tree.iter():
        for name, value in element.attrib.items():
            assert not str(name).startswith("on"), name
            if name in ("src", "href"):
                assert value.startswith("data:"), value
    tables = tree.findall(f".//{HTML}table[@class='data']")
    for table in tables:
        width = len(table.findall(f"{HTML}thead/{HTML}tr/{HTML}th"))
        for row in table.findall(f"{HTML}tbody/{HTML}tr"):
            assert len(row) == width, (table.findtext(f"{HTML}caption"), len(row), width)
    text = "".join(tree.itertext())
    for heading in ("Cautions", "Set-up", "Instruments", "Result: mean", "What was recorded", "Method",
                    "Uncertainty budgets", "Items of a test report", "SIMULATED", "End of the report"):
        assert heading in text, heading
    print(f"{len(tags)} elements, {len(tables)} tables")


main(*sys.argv[1:])
