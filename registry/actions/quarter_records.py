"""The records under a quarter's seal: its screws and what is counted of each, as canonical JSON."""

from __future__ import annotations

from dataclasses import fields
from typing import TYPE_CHECKING

from registry.store.vault import reference_hash
from reports.documents.canonical import canonical_bytes

if TYPE_CHECKING:
    from collections.abc import Iterable

    from registry.domain.reply import Quarter
    from registry.store.queries.counted_screws import CountedScrew


_FREE_WORDS = ("indication", "bone_quality")
"""What a unit types as it likes about a patient."""


def quarter_records(
    screws: Iterable[CountedScrew], quarter: Quarter, key: bytes | None = None
) -> bytes:
    """Return the quarter's placed screws; patients by pseudonym, people by number, no identity.

    A row is a screw as every rate of the quarter counts it: case, technique, and the extents of its
    consensus on the audit scan. Free words stand as digests under the ledger's `key`, which tell
    that one was changed and outlive no patient's withdrawal; without a key in words, as in seals
    from before digests.
    """
    return canonical_bytes(
        [_row(each, key) for each in screws if quarter.first <= each.operated_on <= quarter.last]
    )


def _row(screw: CountedScrew, key: bytes | None) -> dict[str, object]:
    row = {field.name: getattr(screw, field.name) for field in fields(screw)}
    if key is not None:
        words = {name: row.pop(name) for name in _FREE_WORDS}
        row |= {
            f"{name}_digest": None if said is None else reference_hash(key, name, said)
            for name, said in words.items()
        }
    return row | {
        "operated_on": screw.operated_on.isoformat(),
        "extents_mm": {str(wall): held for wall, held in screw.extents_mm.items()},
    }
