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
                assert value.startswith("data:") or value.startswith("#section-"), value
    tables = [table for table in tree.iter(f"{HTML}table") if "data" in table.get("class").split()]
    for table in tables:
        width = len(table.findall(f"{HTML}thead/{HTML}tr/{HTML}th"))
        for row in table.findall(f"{HTML}tbody/{HTML}tr"):
            assert len(row) == width, (table.findtext(f"{HTML}caption"), len(row), width)
    text = "".join(tree.itertext())
    ids = {element.get("id") for element in tree.iter() if element.get("id")}
    ways = [element.get("href")[1:] for element in tree.iter(f"{HTML}a")]
    assert len(ways) > 10 and set(ways) <= ids, set(ways) - ids
    for image in (element for element in tree.iter() if element.get("role") == "img" and element.tag == f"{HTML}div"):
        assert len(image.get("aria-label")) > 10, "a figure says nothing to those who do not see it"
    for heading in ("What came of it", "Cautions", "Results", "Set-up", "Instruments", "Loop checks", "What was recorded",
                    "Gaps, flags, corrections and notes", "Method", "Hazards when measuring again", "Items of a test report",
                    "What the results rest on", "Uncertainty budgets", "Each channel over time",
                    "Gaps, flags and events in full", "SIMULATED", "End of the report"):
        assert heading in text, heading
    print(f"{len(tags)} elements, {len(tables)} tables")


main(*sys.argv[1:])
