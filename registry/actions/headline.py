"""The unit's headline cut-off as rates are asked for."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.frame import Threshold

if TYPE_CHECKING:
    from registry.domain.settings import Settings


def headline(settings: Settings) -> Threshold:
    """Return the unit's headline cut-off where rates can be asked for by it, else 2 mm."""
    words = f"{settings.headline_mm.normalize():f}"
    return Threshold(words) if words in set(Threshold) else Threshold.TWO_MM
