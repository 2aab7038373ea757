"""Builders of a real ledger in a folder: its accounts, people, cases, screws and readings.

Everything is invented. `a_ledger` has accounts and nothing else; `a_small_ledger` has 24 patients,
six surgeons and 96 screws, of which 8 on two held scans are still to be read.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from typing import TYPE_CHECKING
from unittest import mock

import numpy as np
from argon2 import PasswordHasher

from registry.actions import accounts_secrets
from registry.actions.accounts import accept_invitation, acting, invite
from registry.actions.initialise import initialise
from registry.actions.settle import settle
from registry.domain.access import Role
from registry.domain.readings import Method, ReadingRole
from registry.domain.scans import ScanKind, ScanReason
from registry.domain.techniques import EntryTechnique, Guidance, Life
from registry.domain.words import folded
from registry.store.models.cases import Case, Screw
from registry.store.models.patients import Patient
from registry.store.models.people import Account, Person, PersonAlias
from registry.store.models.readings import Assignment, Reading
from registry.store.models.scans import HeldImage, Scan
from registry.store.queries.people import all_person_names
from registry.store.vault import reference_hash
from tests.build.made_once import copied

if TYPE_CHECKING:
    from pathlib import Path

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.writing import Writing

NOW = datetime(2026, 3, 2, 9, 30, tzinfo=UTC)
PASSWORD = "seven quiet herons by the weir"
SURGEONS = ("Anna Berg", "Bodo Carl", "Cora Dietz", "Dora Ernst", "Emil Falk", "Frida Gross")
"""The first of them has an account."""
READER = "Rita Reader"


@dataclass(frozen=True)
class KnownAccount:
    """An account of the ledgers made here; every one has the same `PASSWORD`."""

    name: str
    roles: frozenset[Role]
    person: str | None


REGISTRAR = KnownAccount("rita", frozenset({Role.REGISTRAR}), READER)
SURGEON = KnownAccount("anna", frozenset({Role.SURGEON}), SURGEONS[0])
QUALITY_LEAD = KnownAccount("lena", frozenset({Role.QUALITY_LEAD}), "Lena Lead")
STEWARD = KnownAccount("stefan", frozenset({Role.STEWARD}), None)
ACCOUNTS = (REGISTRAR, SURGEON, QUALITY_LEAD, STEWARD)

_QUICK = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
_LEVELS = (("L3", "L4"), ("L4", "L5"), ("L5", "S1"), ("T12", "L1"))
_TECHNIQUES = {"T": EntryTechnique.SUBFACET, "S": EntryTechnique.SACRAL_FACET_CORNER}
_TO_BE_READ = 2


@copied
def a_ledger(home: Path) -> Ledger:
    """Return a new ledger with an account of each role and a person behind each clinical one."""
    ledger = initialise(home, {}, NOW)
    add_accounts(ledger)
    return ledger


def add_accounts(ledger: Ledger) -> None:
    """Add an account of each role and a person behind each clinical one."""
    with ledger.writing(local_operator(ledger), NOW) as work:
        for name in (*SURGEONS, READER, "Lena Lead"):
            a_person(work, name)
    for account in ACCOUNTS:
        an_account(ledger, account)


def local_operator(ledger: Ledger) -> Viewer:
    """Return the shell's own account."""
    return acting(ledger, None)


def viewer(ledger: Ledger, account: KnownAccount) -> Viewer:
    """Return who asks when an account does."""
    return acting(ledger, account.name)


def an_account(ledger: Ledger, account: KnownAccount) -> None:
    """Add an account whose invitation has been used."""
    token = an_invitation(ledger, account)
    # Little memory and time: each test of a page signs in, and none of the accounts has a secret.
    # tests/actions/test_accounts.py holds what a real hash costs, and the journeys make real ones.
    with mock.patch.object(accounts_secrets, "HASHER", _QUICK):
        accept_invitation(ledger, token, PASSWORD, NOW)


def an_invitation(ledger: Ledger, account: KnownAccount) -> str:
    """Add an account and return the token of its invitation."""
    asking = local_operator(ledger)
    return invite(ledger, asking, account.name, account.roles, person=account.person, now=NOW)


def disable(ledger: Ledger, account: KnownAccount) -> None:
    """Disable an account."""
    with ledger.writing(local_operator(ledger), NOW) as work:
        work.update(Account, "disable", viewer(ledger, account).account_id, is_disabled=True)


def a_person(work: Writing, name: str) -> int:
    """Add a person who goes by one name; return their id."""
    person_id = work.insert(Person, "add a person", name=name)
    work.insert(PersonAlias, "add a name", person_id=person_id, folded=folded(name))
    return person_id


@copied
def a_small_ledger(home: Path) -> Ledger:
    """Return a ledger with accounts, cases of six surgeons, readings, and screws to be read."""
    ledger = a_ledger(home)
    people = _people(ledger)
    digest = _an_image(ledger)
    with ledger.writing(local_operator(ledger), NOW) as work:
        image = work.insert(HeldImage, "keep an image", digest=digest, added_at=NOW)
        read: list[int] = []
        for number in range(24):
            surgeon = people[SURGEONS[number % len(SURGEONS)]]
            operated_on = date(2025, 1, 7) + timedelta(days=13 * number)
            case = a_case(work, ledger, number, surgeon, operated_on)
            screws = [
                a_screw(work, case, level, side, number)
                for level in _LEVELS[number % len(_LEVELS)]
                for side in "LR"
            ]
            is_held = number in range(7, 7 + _TO_BE_READ)
            scan = a_scan(work, case, operated_on + timedelta(days=2), image if is_held else None)
            for place, screw in enumerate(screws):
                if is_held:
                    _owed(work, screw, scan)
                elif (number + place) % 11:
                    a_reading(work, screw, scan, people[READER], _extents(number, place))
                    read.append(screw)
        settle(work, ledger.settings, read)
    return ledger


def a_case(work: Writing, ledger: Ledger, number: int, surgeon: int, operated_on: date) -> int:
    """Add a case of a patient of its own; return its id."""
    patient = work.insert(
        Patient,
        "add a patient",
        pseudonym=f"P{number:05}",
        reference_hash=reference_hash(ledger.keys.references, "patient", f"H{number}"),
    )
    return work.insert(
        Case,
        "enter a case",
        reference=f"OP-{number}",
        patient_id=patient,
        operated_on=operated_on,
        surgeon_id=surgeon,
        indication="degenerative" if number % 3 else "fracture",
        entered_by_id=local_operator(ledger).account_id,
    )


def a_screw(work: Writing, case: int, level: str, side: str, number: int) -> int:
    """Add a screw; return its id."""
    return work.insert(
        Screw,
        "enter a screw",
        case_id=case,
        level=level,
        side=side,
        number=1,
        entry_technique=_TECHNIQUES.get(level[0], EntryTechnique.ISTHMUS),
        guidance=Guidance.NAVIGATION if number % 2 else Guidance.FREEHAND,
        diameter_mm=Decimal("6.5"),
        life=Life.PLACED,
    )


def a_scan(work: Writing, case: int, scanned_on: date, image: int | None) -> int:
    """Add a post-operative CT, held elsewhere without an image; return its id."""
    return work.insert(
        Scan,
        "add a scan",
        case_id=case,
        scanned_on=scanned_on,
        kind=ScanKind.POST_OPERATIVE_CT,
        reason=ScanReason.ROUTINE,
        image_id=image,
        is_adequate=True,
        warnings="[]",
        matched_by_id=1,
    )


def a_reading(
    work: Writing,
    screw: int,
    scan: int,
    reader: int,
    extents_mm: dict[str, str],
    role: ReadingRole = ReadingRole.FIRST,
) -> int:
    """Add a reading, the first, with these extents, the other pedicle walls contained."""
    walls = {"medial": "0", "lateral": "0", "cranial": "0", "caudal": "0", **extents_mm}
    return work.insert(
        Reading,
        "read a screw",
        screw_id=screw,
        scan_id=scan,
        reader_id=reader,
        recorded_by_id=1,
        role=role,
        read_on=NOW.date(),
        recorded_at=NOW,
        is_assessable=True,
        method=Method.TYPED,
        is_blind=True,
        **{f"{wall}_mm": Decimal(value) for wall, value in walls.items()},
    )


def _owed(work: Writing, screw: int, scan: int) -> None:
    work.insert(
        Assignment,
        "ask for a reading",
        screw_id=screw,
        scan_id=scan,
        role=ReadingRole.FIRST,
        reason="every screw is read",
        made_at=NOW - timedelta(days=3),
    )


def _extents(number: int, place: int) -> dict[str, str]:
    """Return a few breaches, spread over walls and patients by plain arithmetic."""
    if number % 5 == 0 and place < 2:
        return {"medial": "2.4" if place else "4.6"}
    return {"lateral": "1.1"} if (number + place) % 7 == 0 else {}


def _people(ledger: Ledger) -> dict[str, int]:
    with ledger.reading() as session:
        return {name: number for number, name in all_person_names(session).items()}


def _an_image(ledger: Ledger) -> str:
    affine = np.diag([0.5, 0.5, 1.0, 1.0])
    with ledger.images.writer() as writer:
        writer.begin((8, 16, 16), "int16")
        for index in range(8):
            writer.write(index, np.full((16, 16), 40 * index, dtype=np.int16))
        return writer.seal(affine, {})
