"""Reads a report's PDF with pikepdf, pdftotext and Pillow: tagged, accessible, and with every word of its document.

Usage: check_pdf.py PDF DOCUMENT.json
       check_pdf.py --golden PDF FOLDER      compares its pages with the pictures in FOLDER; with --new makes them
"""

import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path

import pikepdf
from PIL import Image, ImageChops, ImageFilter


def words(text):
    """What is left where lines and pages break anywhere: runs of letters and digits."""
    return set(re.findall(r"[^\W_]{2,}", text))


def texts(value, key=None):
    """What a document says: not how its pieces are called, and not what is drawn."""
    if isinstance(value, str):
        if key not in ("svg", "address", "form", "paper", "lang", "made", "alt", "shows", "kind"):
            yield value
    elif isinstance(value, list):
        for item in value:
            yield from texts(item, key)
    elif isinstance(value, dict):
        for name, item in value.items():
            yield from texts(item, name)


def elements(node, seen):
    """All elements of the structure tree below a node, with their tags."""
    if isinstance(node, pikepdf.Array):
        for item in node:
            yield from elements(item, seen)
    elif isinstance(node, pikepdf.Dictionary):
        if "/S" in node:
            yield str(node["/S"]), node
        if "/K" in node:
            yield from elements(node["/K"], seen)


def check_tags(pdf):
    root = pdf.Root
    assert bool(root.MarkInfo.Marked), "not marked as tagged"
    assert str(root.Lang) == "en", root.Lang
    assert bool(root.ViewerPreferences.DisplayDocTitle), "readers show the file's name"
    assert root.Outlines.First is not None, "no bookmarks"
    with pdf.open_metadata() as about:
        # ISO 14289-1 and ISO 19005-2, level a.
        assert about["pdfuaid:part"] == "1", "not PDF/UA-1"
        assert (about["pdfaid:part"], about["pdfaid:conformance"]) == ("2", "A"), "not PDF/A-2a"
        assert about["dc:title"].startswith("Test report"), about["dc:title"]
    counts = {}
    for tag, element in elements(root.StructTreeRoot["/K"], set()):
        counts[tag] = counts.get(tag, 0) + 1
        if tag == "/Figure":
            assert len(str(element.get("/Alt", ""))) > 10, "a figure says nothing to those who do not see it"
    for tag in ("/H1", "/H2", "/Table", "/TH", "/TD", "/TR", "/Figure", "/P"):
        assert counts.get(tag, 0) > 0, (tag, counts)
    for font in fonts(pdf):
        assert any(name in font for name in ("/FontFile", "/FontFile2", "/FontFile3")), "a font is not embedded"
    return counts


def fonts(pdf):
    for item in pdf.objects:
        if isinstance(item, pikepdf.Dictionary) and item.get("/Type") == "/FontDescriptor":
            yield item


def pages(path):
    text = subprocess.run(["pdftotext", "-layout", path, "-"], check=True, capture_output=True, text=True).stdout
    return text.split("\f")[:-1]


def check_words(path, document):
    each = pages(path)
    foot = words(document["foot"])
    for number, page in enumerate(each, 1):
        found = words(page)
        assert foot <= found, (number, "program, configuration and seal", foot - found)
        assert f"Page {number} of {len(each)}" in re.sub(r"\s+", " ", page), number
        if document["across"]:
            assert page.count("SIMULATED") >= 1, number
    whole = words(" ".join(each))
    missing = {word for text in texts(document["blocks"]) for word in words(text)} - whole - {"open", "contents"}
    assert not missing, sorted(missing)[:20]
    return len(each), len(whole)


def rendered(path, folder):
    subprocess.run(["pdftoppm", "-gray", "-r", "50", "-png", path, f"{folder}/page"], check=True)
    return sorted(Path(folder).glob("page-*.png"))


def golden(path, folder, is_new):
    folder = Path(folder)
    with tempfile.TemporaryDirectory() as new:
        shown = rendered(path, new)
        if is_new:
            for page in shown:
                page.replace(folder / page.name)
            return
        known = sorted(folder.glob("page-*.png"))
        assert [page.name for page in shown] == [page.name for page in known], "other pages"
        for page in shown:
            # Versions of the rasteriser differ at the edges of letters: a blur takes that away. A frame that is dashed
            # instead of drawn through makes 0.14 % of a page different.
            two = [Image.open(where).convert("L").filter(ImageFilter.GaussianBlur(1)) for where in (page, folder / page.name)]
            assert two[0].size == two[1].size, (page.name, two[0].size, two[1].size)
            off = ImageChops.difference(*two).histogram()
            share = sum(off[60:]) / sum(off)
            assert share < 0.0008, f"{page.name}: {share:.2%} of it looks different"
            # Small type is grey after the blur: rows of a long list that stand 0.3 mm further apart make 0.5 % of a page so different.
            faint = sum(off[40:]) / sum(off)
            assert faint < 0.003, f"{page.name}: {faint:.2%} of it looks somewhat different"
            print(f"{page.name}: {share:.3%} looks different")


def main(*arguments):
    if arguments[0] == "--golden":
        golden(arguments[1], arguments[2], "--new" in arguments)
        return
    path, document = arguments
    document = json.loads(Path(document).read_text())
    with pikepdf.open(path) as pdf:
        counts = check_tags(pdf)
    number, known = check_words(path, document)
    tags = ", ".join(f"{count} {tag[1:]}" for tag, count in sorted(counts.items()))
    print(f"{number} pages, {known} words; {tags}")


main(*sys.argv[1:])
