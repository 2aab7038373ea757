"""Say what was left behind of the files that a scan's image was made of."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.problems import NotFoundError
from registry.imaging.left_behind import report

if TYPE_CHECKING:
    from registry.imaging.left_behind import LeftBehindReport
    from registry.store.home import Ledger


def what_was_left(ledger: Ledger, image_digest: str | None) -> LeftBehindReport | None:
    """Return the report of an image; None where none is held, or none was made.

    Images that were taken in by a program before this one carry no report.
    """
    if image_digest is None:
        return None
    try:
        attributes = ledger.images.open(image_digest).attributes
    except NotFoundError:
        return None
    found = attributes.get("left_behind")
    return None if found is None else report(found)
