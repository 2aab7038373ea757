"""What a document is made of, whichever file it becomes: headings, paragraphs, tables, figures."""

from __future__ import annotations

import struct
from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    from reports.charts.rates import Chart


@dataclass(frozen=True)
class Heading:
    """A heading; level 1 is a section of the document, 2 a part of it."""

    text: str
    level: int = 1


@dataclass(frozen=True)
class Paragraph:
    """Sentences; a note stands smaller, beside what it is about."""

    text: str
    is_note: bool = False


@dataclass(frozen=True)
class Points:
    """Sentences that stand apart, numbered or not."""

    points: tuple[str, ...]
    is_numbered: bool = False


@dataclass(frozen=True)
class Table:
    """A table as people read it.

    Attributes
    ----------
    caption : what it holds, in a line
    heading : of the columns
    rows : as many cells as the heading has
    texts : how many of the first columns hold words; the others are numbers, set to the right
    wide : places of the columns that share the width that the others leave, on a printed page
    """

    caption: str
    heading: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    texts: int = 1
    wide: tuple[int, ...] = (0,)

    def __post_init__(self) -> None:
        if any(len(row) != len(self.heading) for row in self.rows):
            raise ValueError(f"{self.caption}: a row is not as long as the heading")


@dataclass(frozen=True)
class Figure:
    """A chart, what it is, and what it says in words."""

    chart: Chart
    caption: str


@dataclass(frozen=True)
class Picture:
    """A picture of pixels, as PNG, what it is, and what it says to who cannot see it."""

    png: bytes
    alternative: str
    caption: str

    @property
    def size(self) -> tuple[int, int]:
        """Return width and height in pixels, from the header (PNG, section 11.2.1: IHDR)."""
        width, height = struct.unpack(">II", self.png[16:24])
        return width, height


@dataclass(frozen=True)
class Room:
    """Empty lines for a pen, under a word of what they are for.

    One that fills takes the rest of its page on paper.
    """

    words: str
    lines: int
    fills: bool = False


@dataclass(frozen=True)
class NewPage:
    """What follows begins a page of its own, on paper."""


@dataclass(frozen=True)
class Beside:
    """Two columns, the left one read first; one under the other where there is no room.

    Attributes
    ----------
    left, right : what stands in them
    left_mm : width of the left one on paper
    """

    left: tuple[Block, ...]
    right: tuple[Block, ...]
    left_mm: float


Block = Heading | Paragraph | Points | Table | Figure | Picture | Room | NewPage | Beside


@dataclass(frozen=True)
class Document:
    """A document before it is a file.

    Attributes
    ----------
    title, subtitle : on its first page
    author : whose it is
    made_at : the instant that its numbers are of
    foot : stands under every page
    blocks : in order
    """

    title: str
    subtitle: str
    author: str
    made_at: datetime
    foot: str
    blocks: tuple[Block, ...]
