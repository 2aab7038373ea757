"""A small ledger filled by the ways that people fill it: tables, a CT, invitations.

Everything is invented. It has at least one row of every tracked record.
"""

from __future__ import annotations

import hashlib
import tempfile
from datetime import UTC, date, datetime, timedelta
from decimal import Decimal
from pathlib import Path
from typing import TYPE_CHECKING
from unittest import mock

from argon2 import PasswordHasher
from PIL import Image
from sqlalchemy import select

from registry.actions import accounts_secrets
from registry.actions.accounts import accept_invitation, acting, invite
from registry.actions.assign import assign_second_reading
from registry.actions.evidence_document import EvidenceDocument
from registry.actions.load_log import load_log
from registry.actions.load_readings import load_readings
from registry.actions.load_scan import ScanOrder, load_scan
from registry.actions.loading import TableFile
from registry.actions.settle import settle
from registry.domain.access import Role
from registry.domain.directions import Direction, Side
from registry.domain.known_truth import Purpose
from registry.measure.proposals.records import LoggedScrew
from registry.store.models.actions import QuarterAction
from registry.store.models.evidence import Evidence
from registry.store.models.findings import Finding
from registry.store.models.outcomes import Outcome
from registry.store.models.own_notes import OwnNote, OwnNoteShown
from registry.store.models.people import Person
from registry.store.models.proposals import ProposalShown
from registry.store.models.replies import ReplyAnswer, ReplyRound, Rereading
from registry.store.models.scans import HeldImage, Scan
from registry.store.models.seals import QuarterRemark, QuarterSeal
from registry.store.models.unit import CaseSeen
from registry.store.sealing.checking import sealed
from registry.store.sealing.container import unpack
from reports.charts.sheet import png
from tests.build.drawn import CONTAINED, MEDIAL, put_copy, put_drawing, put_drawn_reading
from tests.build.filled_once import filled_once
from tests.build.proposed import put_proposal
from tests.build.tables import a_log, a_readings
from tests.imaging.written_files import slices, write

if TYPE_CHECKING:
    from registry.actions.loading import LoadOutcome
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.writing import Writing

TODAY = date(2026, 3, 31)
PICTURE = png(Image.new("L", (2, 2)))
NOW = datetime(2026, 3, 31, 12, 0, tzinfo=UTC)
_QUICK = PasswordHasher(time_cost=1, memory_cost=64, parallelism=1)
PASSWORD = "seven quiet herons by the weir"

_FULL = {
    "second_surgeon": "Bodo Carl",
    "assistants": "Cora Dietz | Dora Ernst",
    "operator": "Emil Falk",
    "supervision": "scrubbed",
    "indication": "degenerative",
    "revision": "no",
    "cobb_deg": "12.5",
    "bmi": "27.1",
    "bone_quality": "normal",
    "approach": "open",
    "diameter_mm": "6.5",
    "length_mm": "45",
    "alloy": "Ti6Al4V",
    "intention": "bicortical",
    "udi": "(01)04012345678901",
    "birth_date": "1960-01-02",
}
LOG_ROWS = (
    *(
        {**_FULL, "case_ref": "OP-1", "patient_ref": "INV-0001", "level": level, "side": side}
        for level in ("L4", "L5")
        for side in "LR"
    ),
    {"case_ref": "OP-2", "patient_ref": "H200-7191", "surgeon": "Bodo Carl", "level": "L3"},
    {"case_ref": "OP-2", "patient_ref": "H200-7191", "surgeon": "Bodo Carl", "level": "L3",
     "side": "R"},
    {"case_ref": "OP-3", "patient_ref": "H300-7191", "surgeon": "Cora Dietz", "level": "S1",
     "entry_technique": "other: a way of their own", "guidance": "navigation"},
    {"case_ref": "OP-4", "patient_ref": "H400-7191", "level": "T8", "entry_technique": "subfacet",
     "no_ct_reason": "declined"},
    {"case_ref": "OP-5", "patient_ref": "H200-7191", "operated_on": "2026-02-20", "level": "L2"},
)  # fmt: skip
READING_ROWS = (
    {"case_ref": "OP-2", "level": "L3", "medial_mm": "2.4", "uncertainty_mm": "0.5"},
    {"case_ref": "OP-2", "level": "L3", "medial_mm": "2.6", "reader": "Lena Lead",
     "role": "second"},
    {"case_ref": "OP-2", "level": "L3", "side": "R", "lateral_mm": "1.0"},
    {"case_ref": "OP-3", "level": "S1", "lateral_mm": "", "cranial_mm": ""},
    {"case_ref": "OP-5", "level": "L2", "medial_mm": "", "lateral_mm": "", "cranial_mm": "",
     "caudal_mm": "", "assessable": "no", "reason": "artefact"},
)  # fmt: skip


LOGGED = tuple(
    LoggedScrew(level, Side(side), 1, 6.5, 45.0) for level in ("L4", "L5") for side in "LR"
)
"""The screws of OP-1, of which there is a scan."""


def table(data: bytes, name: str = "table.csv", encoding: str | None = None) -> TableFile:
    """Return a table as it is handed in."""
    return TableFile(data, name, encoding)


def load_rows(
    ledger: Ledger, *rows: dict[str, object], viewer: Viewer | None = None, **how: bool
) -> LoadOutcome:
    """Load a theatre log of these rows; everyone new is added unless `how` says otherwise."""
    given = {"new_persons": True, **how}
    asking = viewer or acting(ledger, None)
    return load_log(ledger, asking, table(a_log(*rows), "log.csv"), today=TODAY, now=NOW, **given)


def load_reading_rows(
    ledger: Ledger, *rows: dict[str, object], viewer: Viewer | None = None, **how: bool
) -> LoadOutcome:
    """Load a table of readings of these rows."""
    given = {"new_persons": True, **how}
    asking = viewer or acting(ledger, None)
    data = table(a_readings(*rows), "readings.csv")
    return load_readings(ledger, asking, data, today=TODAY, now=NOW, **given)


_DOCUMENT = EvidenceDocument(
    image="0" * 64,
    level="L1",
    side="L",
    number=1,
    diameter_mm=6.0,
    is_estimated=False,
    way="read by contour",
    found="medial 2.4 mm",
    window_hu=(-450, 1050),
    depth_mm=9.0,
    why="where the medial extent is greatest",
    across="medial",
    isthmus_mm=9.0,
    extents={},
    curves=(),
).to_json()


def an_account(
    ledger: Ledger,
    name: str,
    *roles: Role,
    person: str | None = None,
    new_person: bool = False,
    now: datetime = NOW,
) -> Viewer:
    """Add an account whose invitation has been used; return who asks when it does."""
    local = acting(ledger, None)
    given = {"person": person, "new_person": new_person}
    token = invite(ledger, local, name, roles, now=now, **given)
    # Little memory and time: hundreds of accounts are made, and none has a secret.
    with mock.patch.object(accounts_secrets, "HASHER", _QUICK):
        accept_invitation(ledger, token, PASSWORD, now)
    return acting(ledger, name)


def fill(ledger: Ledger, folder: Path) -> Ledger:
    """Fill an empty ledger with five cases, readings, a CT, accounts and an owed second reading.

    The CT's files are left in `folder / "ct"`.
    """
    write(slices(12), folder / "ct")
    return _fill(ledger)


@filled_once
def _fill(ledger: Ledger) -> Ledger:
    load_rows(ledger, *LOG_ROWS)
    load_reading_rows(ledger, *READING_ROWS)
    local = acting(ledger, None)
    with tempfile.TemporaryDirectory() as folder:
        write(slices(12), Path(folder))
        load_scan(ledger, local, [Path(folder)], ScanOrder(), NOW)
    an_account(ledger, "rita", Role.REGISTRAR, person="Rita Reader")
    invite(ledger, local, "stefan", [Role.STEWARD], person=None, now=NOW)
    with ledger.writing(local, NOW + timedelta(hours=1)) as work:
        assign_second_reading(
            work,
            ledger.settings,
            screw_id=6,
            scan_id=1,
            operated_on=date(2026, 2, 3),
            extents_mm={Direction.LATERAL: Decimal("1.0")},
            is_near_cut_off=True,
            is_low_confidence=False,
        )
        settle(work, ledger.settings, [6])
        _fill_the_rest(ledger, work)
    return ledger


@filled_once
def fill_drawn(ledger: Ledger) -> Ledger:
    """Add a drawn scan, and two of its screws read by somebody without an account."""
    asked = select(Person.id).where(Person.name == "Cora Dietz")
    with ledger.writing(acting(ledger, None), NOW + timedelta(hours=2)) as work:
        cora = work.session.execute(asked).scalar_one()
        drawn = put_drawing(ledger, work, Purpose.MIXED, 1, MEDIAL, CONTAINED)
        found, missed = put_copy(ledger, work, drawn, cora)
        put_drawn_reading(work, found, 1)
        put_drawn_reading(work, missed, 1)
    return ledger


def _fill_the_rest(ledger: Ledger, work: Writing) -> None:
    """Add a row of each record that no table brings."""
    day, now = date(2026, 3, 1), work.now
    work.insert(
        Outcome,
        "record an outcome",
        case_id=1,
        screw_id=1,
        observed_on=day,
        has_deficit=True,
        deficit_words="numb toe",
        is_revised_for_position=False,
        told_on=day,
        told_by_id=1,
        recorded_by_id=1,
        recorded_at=now,
    )
    work.insert(
        Evidence,
        "keep what a reading was made on",
        reading_id=1,
        screw_id=5,
        picture_digest=ledger.pictures.keep(PICTURE),
        document=_DOCUMENT,
        kept_at=now,
    )
    work.insert(
        Finding,
        "meet the unit's policy",
        screw_id=5,
        scan_id=2,
        reading_id=1,
        rule_met="medial 2.4 mm",
        policy_words="Tell the theatre's registrar.",
        raised_at=now,
    )
    round_id = work.insert(
        ReplyRound,
        "open the right of reply",
        period="2026Q1",
        opened_at=now,
        opened_by_id=1,
        closes_on=day,
    )
    answered = {"answered_by_id": 1, "answered_at": now}
    work.insert(ReplyAnswer, "answer", round_id=round_id, person_id=1, **answered)
    said = {"period": "2026Q1", "made_by_id": 1, "made_at": now}
    work.insert(QuarterRemark, "comment", kind="comment", words="Two scans are late.", **said)
    note_id = work.insert(
        OwnNote,
        "write an own note",
        person_id=1,
        kind="action",
        words="Check each track with a probe.",
        noted_on=day,
        due_on=day + timedelta(days=30),
        written_at=now,
    )
    for account_id in (1, None):
        shown = {"note_id": note_id, "account_id": account_id, "shown_at": now}
        work.insert(OwnNoteShown, "show an own note", **shown)
    _seal(ledger, work)
    work.insert(CaseSeen, "look at a case", case_id=1, account_id=1, seen_at=now)
    scan_id, digest = work.session.execute(
        select(Scan.id, HeldImage.digest).join(HeldImage, HeldImage.id == Scan.image_id)
    ).one()
    proposal_id = put_proposal(work, scan_id=scan_id, image_digest=digest, screws=LOGGED)
    work.insert(
        ProposalShown,
        "show a proposal",
        proposal_id=proposal_id,
        screw_id=1,
        account_id=1,
        shown_at=now,
    )
    work.insert(
        Rereading,
        "ask for a re-reading",
        round_id=round_id,
        screw_id=6,
        scan_id=1,
        assignment_id=1,
        asked_by_id=1,
        asked_at=now,
    )


def _seal(ledger: Ledger, work: Writing) -> None:
    """Add a seal that holds, of numbers that say nothing, and an action of its quarter."""
    numbers, records = b"{}\n", b"[]\n"
    said = {
        "quarter": "2025Q4",
        "countersigned_by": None,
        "numbers_and_records": "0" * 64,
        "records": {"sha256": hashlib.sha256(records).hexdigest()},
    }
    data = sealed(ledger.keys.seal_key(is_first=True), said, {"2025Q4.json": numbers})
    taken = unpack(data)
    work.insert(
        QuarterSeal,
        "seal a quarter",
        period="2025Q4",
        part=0,
        file_digest=ledger.sealed_quarters.keep(data),
        manifest=taken.manifest.decode(),
        signature=taken.signature.hex(),
        numbers=numbers.decode(),
        records=records.decode(),
        sealed_by_id=1,
        sealed_at=work.now,
        is_kept=True,
    )
    work.insert(
        QuarterAction,
        "agree on an action",
        period="2025Q4",
        what="Ask for thinner slices.",
        owner_id=1,
        due_on=date(2026, 6, 30),
        agreed_by_id=1,
        agreed_at=work.now,
    )
