"""A sheet keeps every value a square of whole pixels and draws lines where they lie."""

from __future__ import annotations

import io
import zlib

import numpy as np
import pytest
from PIL import Image

from reports.charts.sheet import INKS, Panel, Stroke, drawn, greys, png, sheet

WINDOW = (-450, 1050)


def a_panel(**more: object) -> Panel:
    """Return 40 by 30 values of 1 mm at 4 pixels each, left edge at -20 mm, top at 15 mm."""
    values = np.full((30, 40), 300, dtype=np.int16)
    return Panel(values, 1.0, -20.0, 15.0, 4, **more)


@pytest.mark.parametrize(
    ("value", "grey"),
    # 255 x (value + 450) / 1500, rounded half up: 127.5 and 0.17 by hand.
    [(-32768, 0), (-450, 0), (-449, 0), (300, 128), (1049, 255), (1050, 255), (3000, 255)],
)
def test_greys_are_linear_within_the_window(value: int, grey: int):
    assert greys(np.array([[value]], dtype=np.int16), WINDOW)[0, 0] == grey


def test_each_value_is_a_square_of_pixels():
    panel = a_panel(bar_mm=5.0)
    values = panel.values.copy()
    values[3, 30] = 900
    found = np.asarray(drawn(Panel(values, 1.0, -20.0, 15.0, 4, bar_mm=5.0), WINDOW))
    # Above the scale bar, whose words have every grey.
    bright = np.argwhere((found[:60] == greys(values[3:4, 30:31], WINDOW)[0, 0]).all(axis=2))
    assert bright.min(axis=0).tolist() == [12, 120]
    assert bright.max(axis=0).tolist() == [15, 123]


def test_a_line_is_drawn_at_its_millimetres():
    """Along u from -5 to 5 mm at v = 5 mm: row (15 - 5) x 4 = 40, columns 60 to 100."""
    found = np.asarray(drawn(a_panel(strokes=[Stroke([(-5, 5), (5, 5)], "cortex")]), WINDOW))
    rows, columns = np.nonzero((abs(found.astype(int) - INKS["cortex"]) < 30).all(axis=2))
    assert rows.mean() == pytest.approx(39.5, abs=1.0)
    assert (columns.min(), columns.max()) == (pytest.approx(60, abs=2), pytest.approx(100, abs=2))


@pytest.mark.parametrize(("edge", "towards"), [("left", -1), ("right", 1)])
def test_a_line_s_words_stand_off_those_at_the_edge(edge: str, towards: int):
    """A number that the edge's word hid would be lost on a printed page."""
    line = [(12 * towards, 0), (14 * towards, 0)]
    bare, worded = (
        np.asarray(drawn(a_panel(strokes=[Stroke(line, words=words)], edges={edge: "in"}), WINDOW))
        for words in ("", "4.5")
    )
    # The panel's middle is row 60: there stands the edge's word, whole; the number is above it.
    assert (worded[50:72] == bare[50:72]).all()
    assert (worded[24:50] != bare[24:50]).any()


def test_a_broken_line_has_gaps_of_its_own_length():
    whole, broken = (
        np.asarray(drawn(a_panel(strokes=[Stroke([(-15, 5), (15, 5)], "screw", 1.6, d)]), WINDOW))
        for d in (False, True)
    )
    counts = [
        int((abs(each.astype(int) - INKS["screw"]) < 30).all(axis=2).sum())
        for each in (whole, broken)
    ]
    # Dashes of 6 and gaps of 5 pixels.
    assert counts[1] / counts[0] == pytest.approx(6 / 11, abs=0.12)


def test_a_sheet_is_the_same_bytes_each_time_and_a_png_that_names_nothing():
    """PNG by its specification (W3C, third edition, 5.2 and 5.3): chunks, each with its CRC."""
    words = ["L4 left, 9.0 mm from the entry", "Read by contour: " + "medial 2.3 mm, " * 12]
    files = [png(sheet(a_panel(), a_panel(), WINDOW, words, "for audit")) for _ in range(2)]
    assert files[0] == files[1]
    content, at, kinds = files[0], 8, []
    assert content[:8] == b"\x89PNG\r\n\x1a\n"
    while at < len(content):
        length, kind = int.from_bytes(content[at : at + 4], "big"), content[at + 4 : at + 8]
        crc = int.from_bytes(content[at + 8 + length : at + 12 + length], "big")
        assert zlib.crc32(content[at + 4 : at + 8 + length]) == crc
        kinds.append(kind)
        at += 12 + length
    assert set(kinds) == {b"IHDR", b"IDAT", b"IEND"}
    assert Image.open(io.BytesIO(content)).mode == "RGB"
