"""What is to be known of an image before a screw is measured on it, in words."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from registry.store.home import Ledger
    from registry.store.images import Image


def notes_of(image: Image) -> tuple[str, ...]:
    """Return what the image itself says of its slices: thick, lossy, resampled, derived, tilted.

    Nothing of its case is among them: they stand in the image, which knows neither the patient nor
    the day of operation, so that a blind reader may be told.
    """
    return tuple(map(str, image.attributes.get("warnings", ())))


def image_notes(ledger: Ledger, digest: str) -> tuple[str, ...]:
    """Return the notes of a held image."""
    return notes_of(ledger.images.open(digest))
