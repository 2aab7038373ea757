"""A pack for the morbidity meeting as a document: a cover, then a page a screw."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.documents.blocks import (
    Beside,
    Document,
    Heading,
    NewPage,
    Paragraph,
    Points,
    Room,
    Table,
)
from reports.documents.quarter import CAUTIONS

if TYPE_CHECKING:
    from reports.documents.blocks import Block
    from reports.documents.meeting import MeetingPack, MeetingPage

TITLE = "Pack for the morbidity meeting"
_PICTURES_MM = 98.0
_LINES = 6
_PURPOSE = (
    "To learn together from how these screws came to lie: what was planned, what was met, what the "
    "unit will do another way. It is about screws, not about who put them in."
)
_CAUTIONS = (
    *CAUTIONS[:2],
    (
        "No page says whose patient or whose screw it is. Whoever was there may know a case again: "
        "say no name that the page does not say, and keep the pack within the meeting."
    ),
    (
        "These screws were chosen. How often a screw lies so is for the unit's rates to say, not "
        "for this pack."
    ),
    (
        "Who has seen a page does not read that screw blind any more: a reading that a page calls "
        "owed, or an adjudication, is for somebody who was not there."
    ),
)
_PICTURES = (
    (
        "In a section medial is at the right and cranial on top, for both sides. The circle with a "
        "cross in its middle is the screw's edge by its catalogued diameter, not the brighter "
        "metal around it. The line with dots is the outer cortex as the reader marked it, dashed "
        "where it is carried through a part without marks. A short thick line with a number is an "
        "extent."
    ),
    (
        "An extent is shown with one standard deviation of its own uncertainty, where it has one. "
        "A wall that was not measured is not 0."
    ),
    (
        "What lies beside a wall is named by level, from the literature, and is not seen on a "
        "picture."
    ),
)


def meeting_document(pack: MeetingPack) -> Document:
    """Return the pack; the same document for the same pack."""
    screws = _counted(len(pack.pages), "screw")
    return Document(
        title=TITLE,
        subtitle=f"{pack.unit}: {screws} of {_counted(pack.patients, 'patient')}, without names",
        author=pack.unit,
        made_at=pack.made_at,
        foot=CAUTIONS[0],
        blocks=(
            *_cover(pack),
            *(
                block
                for number, page in enumerate(pack.pages, 1)
                for block in _page(number, page, pack.scale)
            ),
        ),
    )


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" + ("" if number == 1 else "s")


def _cover(pack: MeetingPack) -> list[Block]:
    rows = tuple(
        (f"{number}: {page.name}", page.grade or "none", page.outside, page.standing)
        for number, page in enumerate(pack.pages, 1)
    )
    return [
        Heading("What it is for"),
        Paragraph(_PURPOSE),
        Heading("Cautions"),
        Points(_CAUTIONS),
        Heading("How the screws were chosen"),
        *(Paragraph(said) for said in pack.chosen),
        Table(
            "The screws in the order of their pages: by level from cranial, left before right",
            ("Screw", "Grade", "Farthest outside", "Standing"),
            rows,
            texts=4,
            wide=(0, 2, 3),
        ),
        Paragraph(f"Grades: {pack.scale}.", is_note=True),
        Heading("How to read the pages"),
        Points(_PICTURES),
    ]


def _page(number: int, page: MeetingPage, scale: str) -> list[Block]:
    facts = Table("The screw", ("Item", "As recorded"), page.facts, texts=2)
    walls = Table(
        "Outside the outer cortex",
        ("Wall", "mm", "What lies beside it"),
        tuple((each.wall, each.extent, each.beside) for each in page.walls),
        texts=3,
    )
    notes = [*page.beside_pictures, *page.why]
    ending: list[Block] = [Paragraph(said, is_note=True) for said in notes]
    if page.source:
        ending.append(Paragraph(f"What lies beside the walls: {page.source}.", is_note=True))
    if page.grade:
        ending.append(Paragraph(f"Grades: {scale}.", is_note=True))
    blocks: list[Block] = [
        NewPage(),
        Heading(f"Screw {number}: {page.name}"),
        Paragraph(page.verdict),
    ]
    if page.section is None:
        blocks += [Beside((facts,), (walls,), _PICTURES_MM - 20.0), *ending]
    elif page.along is None:
        blocks += [page.section, Beside((facts,), (walls,), _PICTURES_MM - 20.0), *ending]
    else:
        blocks += [
            Beside((page.section,), (facts, walls), _PICTURES_MM),
            Beside((page.along,), tuple(ending), _PICTURES_MM),
        ]
    return [*blocks, Room("What the meeting says", _LINES, fills=True)]
