"""The report's PDF and HTML by their structure.

The PDF's is read by pikepdf (qpdf), another program than the one that wrote it: tags, headings,
table headers, text alternatives, language, title, embedded fonts, the PDF/UA-1 mark. That is what a
program can see of PDF/UA-1 (ISO 14289-1); whether an alternative tells the finding takes a reader.
"""

from __future__ import annotations

import io
import re
import xml.etree.ElementTree as ET
from itertools import pairwise

import pikepdf
import pytest

from tests.build.quarters import PERIOD


@pytest.fixture(scope="module")
def pdf(files):
    with pikepdf.open(io.BytesIO(files[f"{PERIOD}.pdf"])) as opened:
        yield opened


def walked(element):
    """Yield each structure element, in reading order."""
    if not isinstance(element, pikepdf.Dictionary) or "/S" not in element:
        return
    yield element
    children = element.get("/K", [])
    for child in children if isinstance(children, pikepdf.Array) else [children]:
        yield from walked(child)


@pytest.fixture(scope="module")
def elements(pdf):
    children = pdf.Root.StructTreeRoot.K
    tops = children if isinstance(children, pikepdf.Array) else [children]
    return [each for top in tops for each in walked(top)]


def kinds(element):
    return str(element.S).removeprefix("/")


def of_kind(elements, kind):
    return [each for each in elements if kinds(each) == kind]


def test_the_pdf_says_its_language_its_title_and_that_it_is_tagged(pdf):
    assert pdf.Root.MarkInfo.Marked
    assert str(pdf.Root.Lang).startswith("en")
    assert pdf.Root.ViewerPreferences.DisplayDocTitle
    with pdf.open_metadata() as metadata:
        assert metadata["pdfuaid:part"] == "1"
        assert metadata["dc:title"] == f"Pedicle screw placement, {PERIOD}"


def test_headings_come_in_order_and_figures_have_their_text(elements):
    levels = [int(kinds(each)[1]) for each in elements if re.fullmatch(r"H\d", kinds(each))]
    assert levels[0] == 1
    assert all(after - before <= 1 for before, after in pairwise(levels))
    figures = of_kind(elements, "Figure")
    assert len(figures) == 7
    told = [str(each.Alt) for each in figures]
    assert all(re.search(r"\d", words) for words in told)
    assert len(set(told)) == len(told)


def test_each_table_has_a_caption_and_column_headings_that_say_so(elements):
    tables = of_kind(elements, "Table")
    assert len(tables) > 15
    for table in tables:
        heads = of_kind(walked(table), "TH")
        assert heads
        assert all(str(each.A.Scope if not isinstance(each.A, pikepdf.Array) else
                       each.A[0].Scope) == "/Column" for each in heads)  # fmt: skip
    assert len(of_kind(elements, "Caption")) >= len(tables)


def test_every_font_of_the_pdf_is_embedded(pdf):
    found = 0
    for item in pdf.objects:
        if isinstance(item, pikepdf.Dictionary) and item.get("/Type") == "/FontDescriptor":
            found += 1
            assert any(name in item for name in ("/FontFile", "/FontFile2", "/FontFile3"))
    assert found


def test_the_html_needs_nothing_else_and_tells_each_chart(files):
    words = files[f"{PERIOD}.html"].decode()
    assert not re.findall(r'(?:src|href)="(?!#)[^"]*"', words)
    assert "@import" not in words
    charts = re.findall(r'<svg role="img" aria-label="([^"]+)"', words)
    assert len(charts) == words.count("<svg") == 7
    ids = re.findall(r'\sid="([^"]+)"', words)
    assert len(ids) == len(set(ids))
    used = re.findall(r'href="#([^"]+)"|url\(#([^)]+)\)', words)
    assert {one or other for one, other in used} <= set(ids)
    assert words.count("<h1>") == 1
    for svg in re.findall(r"<svg .*?</svg>", words, re.DOTALL):
        ET.fromstring(svg)  # noqa: S314 - our own chart


def test_every_chart_has_its_table_after_it_in_the_same_section(files):
    words = files[f"{PERIOD}.html"].decode()
    sections = words.split("<h2 ")[1:]
    with_chart = [section for section in sections if "<svg" in section]
    assert len(with_chart) == 5
    assert all("<table>" in section[section.index("</svg>") :] for section in with_chart)
    assert "not for diagnosis or treatment decisions" in words
