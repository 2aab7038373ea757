"""A ledger whose screws make every kind of page of a pack, and the words that no page may hold."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from registry.store.models.cases import Case, Screw
from tests.build.desk import L3_LEFT, L4_LEFT, S1_LEFT, ring_marks
from tests.build.evidenced import BREACHED, CONTOUR, S1
from tests.build.ledgers import (
    QUALITY_LEAD,
    READER,
    REGISTRAR,
    SURGEONS,
    local_operator,
)
from tests.build.two_readings import LATER, SECOND_READER, asked, fill_for_two, read, typed

if TYPE_CHECKING:
    from registry.store.home import Ledger

FREE_WORDS = "as Professor Falk does it"
"""What a unit typed for another entry technique: free text, which may name anybody."""
NAMES = (*SURGEONS, READER, *(account.person for account in (QUALITY_LEAD, SECOND_READER)))
IDENTITIES = (
    *(part for name in NAMES for part in (name, *str(name).split()[-1:]) if part),
    *("OP-0", "OP-1", "H0", "H1", "P00000", "P00001", "Falk", "rita", "ruth", "lena"),
    *("2026-02-03", "2026-02-04", "2026-02-06", "3 February", "fracture", "degenerative"),
)
"""People, accounts, cases, patients, days and the free text of the cases."""
DECIDED, UNREAD, SACRAL, TYPED = 1, 2, 3, 4
"""Screws: two readings by contour, none, one at S1, and one that was typed."""


def fill_meeting(ledger: Ledger) -> None:
    """Fill a new ledger: two cases of two surgeons, four screws, read in each way or not yet."""
    fill_for_two(ledger)
    read(ledger, REGISTRAR, L4_LEFT, BREACHED)
    (owed,) = asked(ledger, "second")
    read(ledger, SECOND_READER, owed.id, replace(CONTOUR, marks=ring_marks(-5.8)))
    read(ledger, REGISTRAR, S1_LEFT, S1)
    read(ledger, REGISTRAR, L3_LEFT, typed(lateral="2.5"))
    with ledger.writing(local_operator(ledger), LATER) as work:
        work.update(Screw, "correct", TYPED, entry_technique="other", technique_words=FREE_WORDS)
        work.update(Case, "correct", 1, indication="fracture after a fall on 2026-01-30")
