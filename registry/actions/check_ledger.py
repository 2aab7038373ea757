"""Check a whole ledger: trail, rows, consensus, images."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, Viewer, require
from registry.store.verification import Wrong, verify

if TYPE_CHECKING:
    from registry.store.home import Ledger


def check_ledger(ledger: Ledger, viewer: Viewer) -> list[Wrong]:
    """Return everything that is not as the trail says; empty where all is well."""
    require(viewer, Deed.VERIFY, at_least=Reach.ALL)
    with ledger.reading() as session:
        return verify(
            session,
            key=ledger.keys.trail,
            images=ledger.images,
            rule=ledger.settings.agreement_rule(),
        )
