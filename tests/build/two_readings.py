"""Readers who read the desk ledger's screws one after the other, and what they answer."""

from __future__ import annotations

from datetime import timedelta
from decimal import Decimal
from typing import TYPE_CHECKING
from unittest import mock

from argon2 import PasswordHasher
from sqlalchemy import select

from registry.actions import accounts_secrets
from registry.actions.desk_answer import Submission, TypedExtents
from registry.actions.record_reading import record_reading
from registry.domain.access import Role
from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.readings import Confidence, Method, NotAssessableReason
from registry.store.models.readings import Assignment, ConsensusRow
from tests.build.desk import fill_desk
from tests.build.filled_once import filled_once
from tests.build.ledgers import (
    NOW,
    KnownAccount,
    a_person,
    add_accounts,
    an_account,
    local_operator,
    viewer,
)

if TYPE_CHECKING:
    from registry.store.home import Ledger

LATER = NOW + timedelta(hours=2)
SECOND_READER = KnownAccount("ruth", frozenset({Role.REGISTRAR}), "Ruth Second")
JUDGE = KnownAccount("jana", frozenset({Role.REGISTRAR}), "Jana Judge")
_QUICK = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
UNREADABLE = Submission(None, not_assessable=NotAssessableReason.ARTEFACT)


@filled_once
def fill_for_two(ledger: Ledger) -> None:
    """Fill a new ledger with accounts, two more readers, and screws to be read."""
    # Little memory and time: the passwords are no secret.
    with mock.patch.object(accounts_secrets, "HASHER", _QUICK):
        add_accounts(ledger)
        with ledger.writing(local_operator(ledger), NOW) as work:
            for account in (SECOND_READER, JUDGE):
                a_person(work, account.person or "")
        for account in (SECOND_READER, JUDGE):
            an_account(ledger, account)
    fill_desk(ledger)


def typed(*, confidence: Confidence = Confidence.LOW, **walls: str) -> Submission:
    """Return typed extents, the other walls 0; low confidence has it read a second time."""
    extents = dict.fromkeys(PEDICLE_WALLS, Decimal("0.0"))
    extents |= {Direction(wall): Decimal(mm) for wall, mm in walls.items()}
    return Submission(Method.TYPED, typed=TypedExtents(extents), confidence=confidence)


def read(ledger: Ledger, account: KnownAccount, assignment_id: int, sent: Submission) -> int:
    """Save a reading; return its number."""
    return record_reading(ledger, viewer(ledger, account), assignment_id, sent, LATER).reading_id


def asked(ledger: Ledger, role: str, screw_id: int = 1) -> list[Assignment]:
    """Return what was asked for of a screw in a role, in order."""
    with ledger.reading() as session:
        query = select(Assignment).where(Assignment.role == role, Assignment.screw_id == screw_id)
        found = list(session.execute(query.order_by(Assignment.id)).scalars())
        session.expunge_all()
        return found


def state_of(ledger: Ledger, screw_id: int = 1) -> tuple[str, Decimal | None, bool]:
    """Return state, medial extent and whether it is provisional, of a screw's consensus."""
    with ledger.reading() as session:
        row = session.execute(
            select(ConsensusRow).where(ConsensusRow.screw_id == screw_id)
        ).scalar_one()
        return row.state, row.medial_mm, row.is_provisional
