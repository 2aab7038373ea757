"""Check a whole ledger: trail, rows, consensus, seals, files, and the heads kept with its keys."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, Viewer, require
from registry.store.kept_heads import check_heads
from registry.store.verification import Wrong, verify

if TYPE_CHECKING:
    from registry.store.home import Ledger


def check_ledger(ledger: Ledger, viewer: Viewer) -> list[Wrong]:
    """Return everything that is not as the trail says; empty where all is well."""
    require(viewer, Deed.VERIFY, at_least=Reach.ALL)
    return everything_wrong(ledger)


def everything_wrong(ledger: Ledger) -> list[Wrong]:
    """Return what is wrong within the ledger and against the heads kept beside its keys."""
    wrong = wrong_within(ledger)
    with ledger.reading() as session:
        return [*wrong, *check_heads(session, ledger.keys.folder, ledger.keys.trail)]


def wrong_within(ledger: Ledger) -> list[Wrong]:
    """Return what is wrong with a ledger by itself: it may be whole and still an earlier one."""
    with ledger.reading() as session:
        return verify(session, ledger)
