"""Say where a scan's metal lies on the other side from the log."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.measure.metal_sides import can_be_told, is_mirrored, metal_sides
from registry.store.queries.scans import screws_in_image

if TYPE_CHECKING:
    from collections.abc import Sequence

    from registry.store.home import Ledger
    from registry.store.queries.scans import ScrewInImage

SIDE_NOTE = "the metal lies on the other side from the log: check the sides"


def side_notes(ledger: Ledger, case_id: int, digest: str) -> tuple[str, ...]:
    """Return the warning, or nothing; the image is looked at only where its case could tell."""
    with ledger.reading() as session:
        screws = screws_in_image(session, case_id)
    share = _left_share(screws)
    if not can_be_told(share):
        return ()
    image = ledger.images.open(digest)
    return (SIDE_NOTE,) if is_mirrored(metal_sides(image.voxels, image.affine), share) else ()


def _left_share(screws: Sequence[ScrewInImage]) -> float:
    """Return the left screws' share of the construct by volume, by number where sizes lack."""
    sizes = [
        float(each.diameter_mm) ** 2 * float(each.length_mm)
        for each in screws
        if each.diameter_mm is not None and each.length_mm is not None
    ]
    if len(sizes) != len(screws):
        sizes = [1.0] * len(screws)
    left = sum(size for each, size in zip(screws, sizes, strict=True) if each.side == "L")
    return left / sum(sizes) if screws else 0.5
