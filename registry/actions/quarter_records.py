"""The records under a quarter's seal: its screws and what is counted of each, as canonical JSON."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING

from reports.documents.canonical import canonical_bytes

if TYPE_CHECKING:
    from collections.abc import Iterable

    from registry.domain.reply import Quarter
    from registry.store.queries.counted_screws import CountedScrew


def quarter_records(screws: Iterable[CountedScrew], quarter: Quarter) -> bytes:
    """Return the quarter's placed screws; patients by pseudonym, people by number, no identity.

    A row is a screw as every rate of the quarter counts it: case, technique, and the extents of its
    consensus on the audit scan.
    """
    return canonical_bytes(
        [_row(each) for each in screws if quarter.first <= each.operated_on <= quarter.last]
    )


def _row(screw: CountedScrew) -> dict[str, object]:
    row = {field.name: getattr(screw, field.name) for field in fields(screw)}
    return row | {
        "operated_on": screw.operated_on.isoformat(),
        "extents_mm": {str(wall): held for wall, held in screw.extents_mm.items()},
    }
