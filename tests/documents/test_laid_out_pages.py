"""Columns, room for a pen and new pages, in a PDF as poppler reads it and in HTML."""

from __future__ import annotations

import io
import shutil
import subprocess
from datetime import UTC, datetime

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
from reports.documents.pdf import as_pdf


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


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="poppler is not installed")
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
