"""A document as PDF: tagged (PDF/UA-1), fonts embedded, the same bytes each time.

typst sets it: one wheel that brings its fonts and needs no library of the system. It refuses to
write PDF/UA-1 where a picture has no text alternative or a heading is skipped. Everything is
handed over as data, so no word of a ledger is taken for markup; nothing is read from a disk or a
network.
"""

from __future__ import annotations

import base64
import json
from datetime import UTC, datetime
from functools import cache
from importlib.resources import files
from typing import TYPE_CHECKING, Any

import typst

from reports.documents.blocks import (
    Beside,
    Figure,
    Heading,
    NewPage,
    Paragraph,
    Picture,
    Points,
    Room,
    Table,
)

if TYPE_CHECKING:
    from reports.documents.blocks import Block, Document

_NOT_SHOWN = "could not be displayed"
_NUMBERS_STAND = (
    "Characters that this file's fonts lack stand as their Unicode numbers, as in [U+4E2D]; the "
    "web page holds them as they were typed."
)
_ONE = b"""#set document(title: "one character")
#set text(font: "Libertinus Serif", lang: "en")
#json(bytes(sys.inputs.document))"""
_ANY_DAY = datetime(2026, 1, 1, tzinfo=UTC)


def as_pdf(document: Document) -> bytes:
    """Return the document as a PDF."""
    held: dict[str, Any] = {
        "title": document.title,
        "subtitle": document.subtitle,
        "author": document.author,
        "foot": document.foot,
        "blocks": [_held(block) for block in document.blocks],
    }
    try:
        return _set(_template(), held, document.made_at)
    except typst.TypstError as problem:
        if _NOT_SHOWN not in str(problem):
            raise
    held["blocks"] = [*held["blocks"], {"kind": "note", "text": _NUMBERS_STAND}]
    return _set(_template(), _in_numbers(held), document.made_at)


def _set(template: bytes, held: object, made_at: datetime) -> bytes:
    return typst.compile(
        template,
        format="pdf",
        pdf_standards=["ua-1"],
        # Fonts of the machine would make the bytes differ from one to another.
        ignore_system_fonts=True,
        sys_inputs={"document": json.dumps(held, ensure_ascii=False)},
        timestamp=int(made_at.timestamp()),
    )


@cache
def _template() -> bytes:
    return (files("reports.documents") / "page.typ").read_bytes()


def _in_numbers(held: Any) -> Any:  # noqa: ANN401 - whatever JSON holds
    """Return what is handed over with each character that the fonts lack as its number."""
    if isinstance(held, str):
        return "".join(each if _is_shown(each) else f"[U+{ord(each):04X}]" for each in held)
    if isinstance(held, dict):
        return {name: _in_numbers(each) for name, each in held.items()}
    return [_in_numbers(each) for each in held] if isinstance(held, list | tuple) else held


@cache
def _is_shown(character: str) -> bool:
    """Return whether the fonts have a character: whatever they lack keeps a PDF/UA-1 from being."""
    if character.isascii():
        return character.isprintable() or character in "\n\t"
    try:
        _set(_ONE, character, _ANY_DAY)
    except typst.TypstError:
        return False
    return True


def _held(block: Block) -> dict[str, object]:
    """Return a block as the template takes it."""
    if isinstance(block, Heading):
        return {"kind": "heading", "level": block.level, "text": block.text}
    if isinstance(block, Paragraph):
        return {"kind": "note" if block.is_note else "paragraph", "text": block.text}
    if isinstance(block, Points):
        return {"kind": "numbered" if block.is_numbered else "points", "points": block.points}
    if isinstance(block, Figure):
        return {
            "kind": "figure",
            "svg": block.chart.svg,
            "alternative": block.chart.alternative,
            "caption": block.caption,
        }
    if isinstance(block, Table):
        return _table(block)
    return _laid_out(block)


def _laid_out(block: Picture | Room | NewPage | Beside) -> dict[str, object]:
    if isinstance(block, Picture):
        return _picture(block)
    if isinstance(block, Room):
        return {"kind": "room", "text": block.words, "lines": block.lines, "fills": block.fills}
    if isinstance(block, NewPage):
        return {"kind": "page"}
    return {
        "kind": "beside",
        "left": [_held(each) for each in block.left],
        "right": [_held(each) for each in block.right],
        "width": block.left_mm,
    }


def _picture(block: Picture) -> dict[str, object]:
    """Return a picture inside a drawing: data reach typst as text, and its text takes no PNG."""
    width, height = block.size
    held = base64.b64encode(block.png).decode()
    return {
        "kind": "figure",
        "svg": (
            f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 {width} {height}" '
            f'width="{width}" height="{height}"><image width="{width}" height="{height}" '
            f'href="data:image/png;base64,{held}"/></svg>'
        ),
        "alternative": block.alternative,
        "caption": block.caption,
    }


def _table(block: Table) -> dict[str, object]:
    return {
        "kind": "table",
        "caption": block.caption,
        "heading": block.heading,
        "rows": block.rows,
        "texts": block.texts,
        "wide": block.wide,
    }
