"""Columns, room for a pen and new pages, in a PDF as poppler reads it and in HTML."""

from __future__ import annotations

import io
import re
import subprocess
from datetime import UTC, date, datetime
from itertools import combinations

import numpy as np
import pytest
from PIL import Image

from reports.documents.blocks import (
    Beside,
    Document,
    Heading,
    NewPage,
    Paragraph,
    Picture,
    Room,
    Table,
)
from reports.documents.html import as_html
from reports.documents.own import OwnScrew
from reports.documents.own_parts import screw_table
from reports.documents.pdf import as_pdf

_BOX = r'<word xMin="([\d.]+)" yMin="([\d.]+)" xMax="([\d.]+)" yMax="([\d.]+)">'


def a_picture(words: str = "A bright ring <and> a dark one") -> Picture:
    values = np.add.outer(np.arange(24), np.arange(32)).astype(np.uint8) * 4
    target = io.BytesIO()
    Image.fromarray(values).convert("RGB").save(target, "PNG")
    return Picture(target.getvalue(), words, "The section")


@pytest.fixture(scope="module")
def document() -> Document:
    table = Table("Walls", ("Wall", "mm"), (("medial", "2.1"),))
    return Document(
        title="Pages",
        subtitle="Of a document",
        author="Unit",
        made_at=datetime(2026, 7, 1, tzinfo=UTC),
        foot="For audit.",
        blocks=(
            Heading("First"),
            Paragraph("What comes first."),
            NewPage(),
            Heading("Second"),
            Beside((a_picture(),), (table, Paragraph("On the right.")), 70.0),
            Room("What the meeting says", 3),
        ),
    )


@pytest.fixture(scope="module")
def pdf(document):
    return as_pdf(document)


def test_a_new_page_begins_where_it_is_asked_for_and_columns_are_read_left_first(pdf):
    text = subprocess.run(
        ["pdftotext", "-raw", "-", "-"], input=pdf, capture_output=True, check=True
    ).stdout.decode()  # fmt: skip
    first, second = text.split("\f")[:2]
    assert "What comes first." in first
    assert "Second" not in first
    found = [second.index(w) for w in ("The section", "Walls", "On the right", "What the meeting")]
    assert found == sorted(found)


def test_columns_and_room_stand_in_the_html_in_the_same_order(document):
    words = as_html(document).decode()
    found = [
        words.index(w)
        for w in ('class="new-page"', "The section", "On the right", "What the meeting")
    ]
    assert found == sorted(found)
    assert words.count("<div></div>") == 3


def test_a_character_that_no_font_of_the_pdf_has_stands_as_its_number_and_keeps_no_page_back():
    # PDF/UA-1 (ISO 14289-1, 7.21.4.1) wants a glyph for each character; typst refuses without one.
    words = "Ask \u4e2d\u6587 \N{GRINNING FACE}, caf\u00e9 \u2265 2, bell\x07"
    blocks = (Heading("H"), Paragraph(words), Table("T", ("a",), (("\u4e2d",),)))
    made = Document("Words", "", "\u75c5\u9662", datetime(2026, 3, 2, tzinfo=UTC), "", blocks)
    done = subprocess.run(["pdftotext", "-", "-"], input=as_pdf(made), capture_output=True,
                          check=True)  # fmt: skip
    text = " ".join(done.stdout.decode().split())
    assert "Ask [U+4E2D][U+6587] [U+1F600], caf\u00e9 \u2265 2, bell[U+0007]" in text
    assert "stand as their Unicode numbers" in text
    assert words.encode() in as_html(made)
    assert as_pdf(made) == as_pdf(made)


def test_no_word_of_a_table_of_long_cells_lies_over_another():
    """Screws as an own table has them: where one column took what was left, two lay over another.

    Boxes are poppler's (pdftotext -bbox).
    """
    screw = OwnScrew(
        screw_id=1,
        case_id=1,
        case_reference="OP-2025-129",
        operated_on=date(2025, 9, 26),
        level="L2",
        side="R",
        number=1,
        entry_technique="lateral_intersection",
        guidance="fluoroscopy",
        diameter_mm=6.0,
        grade="D",
        found="medial 4.8 mm, caudal 4.2 mm, lateral 0.4 mm",
        state="awaiting adjudication",
        is_provisional=True,
        reading_id=None,
        which="",
    )
    document = Document(
        title="Screws",
        subtitle="Of a document",
        author="Unit",
        made_at=datetime(2026, 7, 1, tzinfo=UTC),
        foot="For audit.",
        blocks=(screw_table([screw] * 3, "Screws"),),
    )
    found = subprocess.run(
        ["pdftotext", "-bbox", "-", "-"], input=as_pdf(document), capture_output=True, check=True
    ).stdout.decode()
    boxes = [tuple(map(float, each)) for each in re.findall(_BOX, found)]
    assert len(boxes) > 60
    for (left, top, right, bottom), other in combinations(boxes, 2):
        is_beside = right <= other[0] + 0.5 or other[2] <= left + 0.5
        assert is_beside or bottom <= other[1] + 2 or other[3] <= top + 2
