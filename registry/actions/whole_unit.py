"""The whole unit's counted screws, for who may see every surgeon."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.counted_unit import counted_unit
from registry.domain.access import Deed, Reach, Viewer, require

if TYPE_CHECKING:
    from datetime import date

    from registry.actions.counted_unit import CountedUnit
    from registry.store.home import Ledger


def whole_unit(ledger: Ledger, viewer: Viewer, until: date | None) -> CountedUnit:
    """Return the unit up to a day, to who may see every surgeon and to nobody else."""
    require(viewer, Deed.SEE_SURGEONS, at_least=Reach.ALL)
    return counted_unit(ledger, until)
