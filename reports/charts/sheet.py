"""A sheet of sections in grey with lines and words on them, as PNG.

Pixels stay what they are: each value is a square of whole pixels, and nothing is blurred. Every
stroke is drawn twice, dark and wide, then light and thin, as what lies beneath may be any grey.
The same sheet always gives the same bytes with the same versions of Pillow and zlib.
"""

from __future__ import annotations

import io
from dataclasses import dataclass, field
from functools import cache
from itertools import pairwise
from math import hypot
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from PIL import Image, ImageDraw, ImageFont

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping, Sequence

    from numpy.typing import NDArray

    Pair: TypeAlias = tuple[float, float]

PAPER, INK, SOFT_INK = "#fffefa", "#211f1b", "#5d574c"
DARK = (0, 0, 0)
INKS = {"plain": (255, 255, 255), "cortex": (255, 209, 102), "screw": (155, 216, 255),
        "extent": (255, 180, 162)}  # fmt: skip
"""Light halves of the strokes; what they mean is also told by their shape or by a word."""
_FINER = 3
"""Lines are drawn so many times larger and made smaller again, so that they are smooth."""
_DASH = (6.0, 5.0)
_TEXT, _SMALL = 15, 13
_LINE_HEIGHT = 20
_APART = 24.0
"""Between the middles of two words, one above the other."""
GAP = 12
_COMPRESSION = 4
"""A tenth larger than the most there is, in a fifth of the time."""


@dataclass(frozen=True)
class Stroke:
    """A line on a panel, in the panel's millimetres; `words` stand beside its last point."""

    points_mm: Sequence[Pair]
    ink: str = "plain"
    width: float = 1.6
    is_dashed: bool = False
    words: str = ""


@dataclass(frozen=True, eq=False)
class Panel:
    """A picture in grey with lines.

    Attributes
    ----------
    values : (rows, columns), Hounsfield units
    spacing_mm : of its pixels
    left_mm, top_mm : the panel's left edge and, counted upwards, its upper edge
    zoom : whole; each value becomes a square of so many pixels
    strokes : lines
    dots_mm : marked places
    edges : words at `top`, `right`, `bottom` and `left`
    bar_mm : length of the scale bar
    ink : how many times as large lines and words are, for a panel that is made smaller again
    """

    values: NDArray[np.int16]
    spacing_mm: float
    left_mm: float
    top_mm: float
    zoom: int
    strokes: Sequence[Stroke] = ()
    dots_mm: Sequence[Pair] = ()
    edges: Mapping[str, str] = field(default_factory=dict)
    bar_mm: float = 10.0
    ink: float = 1.0

    @property
    def size(self) -> tuple[int, int]:
        """Return width and height in pixels."""
        rows, columns = self.values.shape
        return columns * self.zoom, rows * self.zoom

    def to_pixels(self, point_mm: Pair) -> Pair:
        """Return where a place lies, in pixels from the panel's upper left corner."""
        scale = self.zoom / self.spacing_mm
        return (point_mm[0] - self.left_mm) * scale, (self.top_mm - point_mm[1]) * scale


def greys(values: NDArray[np.int16], window_hu: tuple[int, int]) -> NDArray[np.uint8]:
    """Return greys from 0 to 255: black up to the window's lower end, white from its upper on."""
    low, high = window_hu
    share = (values.astype(np.float64) - low) / max(1, high - low)
    result: NDArray[np.uint8] = np.floor(255.0 * np.clip(share, 0.0, 1.0) + 0.5).astype(np.uint8)
    return result


def drawn(panel: Panel, window_hu: tuple[int, int]) -> Image.Image:
    """Return a panel as a picture."""
    grey = greys(panel.values, window_hu).repeat(panel.zoom, axis=0).repeat(panel.zoom, axis=1)
    picture = Image.fromarray(grey).convert("RGB")
    dots = [(panel.to_pixels(point), "cortex") for point in panel.dots_mm]
    lines = [(_pieces(panel, stroke), stroke) for stroke in panel.strokes]
    more = panel.ink
    wide = [(p, (s.width + 2.4) * more) for p, s in lines]
    _paint(picture, DARK, wide, [p for p, _ in dots], 4.0 * more)
    for ink, light in INKS.items():
        own = [(p, s.width * more) for p, s in lines if s.ink == ink]
        _paint(picture, light, own, [p for p, held in dots if held == ink], 2.6 * more)
    draw = ImageDraw.Draw(picture)
    for stroke in panel.strokes:
        if stroke.words:
            _beside(draw, panel, stroke)
    _edges(draw, panel)
    _scale_bar(draw, panel)
    return picture


def _pieces(panel: Panel, stroke: Stroke) -> list[list[Pair]]:
    points = [panel.to_pixels(point) for point in stroke.points_mm]
    return list(_dashes(points, panel.ink)) if stroke.is_dashed else [points]


def _dashes(points: Sequence[Pair], ink: float) -> Iterable[list[Pair]]:
    """Yield a line's dashes, along its length."""
    dash = (_DASH[0] * ink, _DASH[1] * ink)
    piece, left, is_on = [points[0]], dash[0], True
    for start, end in pairwise(points):
        length, done = hypot(end[0] - start[0], end[1] - start[1]), 0.0
        while length - done > left:
            done += left
            share = done / length
            here = (start[0] + share * (end[0] - start[0]), start[1] + share * (end[1] - start[1]))
            if is_on:
                yield [*piece, here]
            is_on = not is_on
            piece, left = [here], dash[0 if is_on else 1]
        left -= length - done
        piece.append(end)
    if is_on and len(piece) > 1:
        yield piece


def _paint(
    picture: Image.Image,
    colour: tuple[int, int, int],
    lines: Sequence[tuple[list[list[Pair]], float]],
    dots: Sequence[Pair],
    dot_radius: float,
) -> None:
    if not lines and not dots:
        return
    finer = (picture.width * _FINER, picture.height * _FINER)
    mask = Image.new("L", finer)
    draw = ImageDraw.Draw(mask)
    for pieces, width in lines:
        for piece in pieces:
            points = [(x * _FINER, y * _FINER) for x, y in piece]
            draw.line(points, fill=255, width=round(width * _FINER), joint="curve")
    for x, y in dots:
        draw.circle((x * _FINER, y * _FINER), dot_radius * _FINER, fill=255)
    picture.paste(colour, mask=mask.reduce(_FINER))


@cache
def _font(size: int) -> ImageFont.FreeTypeFont:
    found = ImageFont.load_default(size)
    if not isinstance(found, ImageFont.FreeTypeFont):
        raise TypeError("Pillow was built without FreeType")
    return found


def _word(draw: ImageDraw.ImageDraw, place: Pair, words: str, anchor: str, ink: float) -> None:
    """Write a word that can be read on any grey."""
    draw.text(
        place,
        words,
        font=_font(round(_TEXT * ink)),
        anchor=anchor,
        fill=INKS["plain"],
        stroke_width=round(2 * ink),
        stroke_fill=DARK,
    )


def _beside(draw: ImageDraw.ImageDraw, panel: Panel, stroke: Stroke) -> None:
    """Write a stroke's words outwards of its last point, inside the picture."""
    (from_x, _), (x, y) = (panel.to_pixels(stroke.points_mm[at]) for at in (0, -1))
    ink = panel.ink
    length = draw.textlength(stroke.words, font=_font(round(_TEXT * ink)))
    width, height = panel.size
    goes_right = x >= from_x
    left = x + 9.0 * ink if goes_right else x - 9.0 * ink - length
    left = min(max(left, 4.0 * ink), width - length - 4.0 * ink)
    y = min(max(y, 30.0 * ink), height - 44.0 * ink)
    if abs(y - height / 2) < _APART * ink and _meets_an_edge(draw, panel, left, left + length):
        y = height / 2 - _APART * ink
    _word(draw, (left, y), stroke.words, "lm", ink)


def _meets_an_edge(draw: ImageDraw.ImageDraw, panel: Panel, left: float, right: float) -> bool:
    """Say whether words at half height would lie on those at the left or right edge."""
    room = {
        edge: draw.textlength(words, font=_font(round(_TEXT * panel.ink))) + 10.0 * panel.ink
        for edge, words in panel.edges.items()
    }
    return left < room.get("left", 0.0) or right > panel.size[0] - room.get("right", 0.0)


def _edges(draw: ImageDraw.ImageDraw, panel: Panel) -> None:
    width, height = panel.size
    ink = panel.ink
    places = {
        "top": ((width / 2, 5 * ink), "mt"),
        "bottom": ((width / 2, height - 6 * ink), "mb"),
        "left": ((6 * ink, height / 2), "lm"),
        "right": ((width - 6 * ink, height / 2), "rm"),
    }
    for edge, words in panel.edges.items():
        place, anchor = places[edge]
        # Anchored words hang below "mt" by their ascent.
        anchor = {"mt": "ma", "mb": "md"}.get(anchor, anchor)
        _word(draw, place, words, anchor, ink)


def _scale_bar(draw: ImageDraw.ImageDraw, panel: Panel) -> None:
    length, ink = round(panel.bar_mm * panel.zoom / panel.spacing_mm), round(panel.ink)
    x, y = 12 * ink, panel.size[1] - 14 * ink
    draw.rectangle((x - ink, y - ink, x + length + ink, y + 3 * ink), fill=DARK)
    draw.rectangle((x, y, x + length, y + 2 * ink), fill=INKS["plain"])
    _word(draw, (x, y - 6 * ink), f"{panel.bar_mm:g} mm", "ld", panel.ink)


def png(picture: Image.Image) -> bytes:
    """Return a picture's file."""
    held = io.BytesIO()
    picture.save(held, "PNG", compress_level=_COMPRESSION)
    return held.getvalue()


def sheet(
    first: Panel, second: Panel, window_hu: tuple[int, int], words: Sequence[str], foot: str
) -> Image.Image:
    """Return two panels side by side on paper, words over the second, a line at the foot.

    The first of the words is a heading. The second panel stands at the first one's lower edge.
    """
    (wide, high), (second_wide, second_high) = first.size, second.size
    column = wide + 2 * GAP
    width = column + max(second_wide, SHEET_COLUMN) + GAP
    picture = Image.new("RGB", (width, high + 2 * GAP + _LINE_HEIGHT + 4), PAPER)
    picture.paste(drawn(first, window_hu), (GAP, GAP))
    top = GAP + high - second_high
    picture.paste(drawn(second, window_hu), (column, top))
    draw = ImageDraw.Draw(picture)
    y = GAP - 2
    for number, line in enumerate(words):
        size, ink = (_TEXT + 3, INK) if number == 0 else (_TEXT, INK)
        for part in _wrapped(draw, line, size, width - column - GAP):
            draw.text((column, y), part, font=_font(size), fill=ink)
            y += _LINE_HEIGHT + (4 if number == 0 else 0)
    draw.text((GAP, high + 2 * GAP), foot, font=_font(_SMALL), fill=SOFT_INK)
    return picture


SHEET_COLUMN = 720
"""Least width of the second column, in pixels."""


def _wrapped(draw: ImageDraw.ImageDraw, line: str, size: int, width: float) -> list[str]:
    found: list[str] = []
    for word in line.split():
        longer = f"{found[-1]} {word}" if found else word
        if found and draw.textlength(longer, font=_font(size)) <= width:
            found[-1] = longer
        else:
            found.append(word)
    return found
