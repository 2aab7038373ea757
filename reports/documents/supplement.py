"""A sealed quarter's report as a supplement: what has changed comes first, old and new."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from reports.documents.blocks import Heading, Paragraph, Table

if TYPE_CHECKING:
    from collections.abc import Sequence

    from reports.documents.blocks import Block, Document
    from reports.documents.changes import Change

_SHOWN = 200
"""Changes that a document shows; changes.csv beside it has all."""


def as_supplement(
    document: Document, part: int, found: Sequence[Change], new: str = ""
) -> Document:
    """Return a report as supplement number `part`, with what differs from the part before.

    `new` says what reports did not have yet when that was sealed.
    """
    before = "the seal" if part == 1 else f"supplement {part - 1}"
    return replace(
        document,
        title=f"{document.title}, supplement {part}",
        blocks=(
            *_changed(before, part, found),
            *([Paragraph(new)] if new else []),
            *document.blocks,
        ),
    )


def _changed(before: str, part: int, found: Sequence[Change]) -> list[Block]:
    blocks: list[Block] = [Heading(f"What differs from {before}")]
    if not found:
        return [*blocks, Paragraph("No number differs; the records do.")]
    said = "What was sealed before stands as it is; the report below has the new ones."
    rows = tuple((what, old or "nothing", new or "nothing") for what, old, new in found[:_SHOWN])
    heading = ("value", f"in {before}", f"in supplement {part}")
    blocks += [
        Paragraph(f"{len(found)} value{'' if len(found) == 1 else 's'}, old and new. {said}"),
        Table(f"Values that differ from {before}", heading, rows, texts=3),
    ]
    if len(found) > _SHOWN:
        more = f"And {len(found) - _SHOWN} more; the supplement's changes.csv has all of them."
        blocks.append(Paragraph(more))
    return blocks
