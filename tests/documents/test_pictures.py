"""A picture of pixels in a document: the same pixels in HTML and PDF, with its words."""

from __future__ import annotations

import base64
import re
import subprocess
from datetime import UTC, datetime
from io import BytesIO
from typing import TYPE_CHECKING

from PIL import Image

from reports.documents.blocks import Document, Heading, Picture
from reports.documents.html import as_html
from reports.documents.pdf import as_pdf

if TYPE_CHECKING:
    from pathlib import Path

ALTERNATIVE = "L4 left: medial 2.4 mm"


def a_document() -> tuple[Document, Image.Image]:
    shades = Image.effect_noise((124, 53), 60)
    held = BytesIO()
    shades.save(held, "PNG")
    picture = Picture(held.getvalue(), ALTERNATIVE, "What it was read on.")
    assert picture.size == shades.size
    at = datetime(2026, 3, 1, tzinfo=UTC)
    return Document("Own", "of 2026", "Unit", at, "foot", (Heading("Screws"), picture)), shades


def test_the_pixels_in_a_pdf_are_those_of_the_picture_as_poppler_takes_them_out(tmp_path: Path):
    document, shades = a_document()
    made = as_pdf(document)
    (tmp_path / "made.pdf").write_bytes(made)
    subprocess.run(["pdfimages", "-png", "made.pdf", "out"], cwd=tmp_path, check=True)
    with Image.open(tmp_path / "out-000.png") as found:
        assert found.convert("L").tobytes() == shades.tobytes()
    tree = subprocess.run(
        ["pdfinfo", "-struct-text", "made.pdf"],
        cwd=tmp_path, check=True, capture_output=True, text=True,
    ).stdout  # fmt: skip
    assert "Figure" in tree
    assert ALTERNATIVE.encode() in made
    assert as_pdf(document) == made


def test_the_pixels_in_html_are_those_of_the_picture():
    document, shades = a_document()
    page = as_html(document).decode()
    held = re.search(r'<img src="data:image/png;base64,([^"]+)"[^>]* alt="([^"]+)"', page)
    assert held is not None
    assert held[2] == ALTERNATIVE
    with Image.open(BytesIO(base64.b64decode(held[1]))) as found:
        assert found.tobytes() == shades.tobytes()
