"""A withdrawn patient is found in no file of the home, and what is counted stands."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from datetime import timedelta

import pytest
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.assign import ask_to_replace
from registry.actions.check_ledger import check_ledger
from registry.actions.load_scan import ScanOrder, load_scan
from registry.actions.withdraw import (
    BLANKED,
    WhoWithdraws,
    apply_withdrawals,
    withdraw,
)
from registry.domain.access import Role
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    NotAllowedError,
    NotFoundError,
    ProblemError,
)
from registry.store.models.cases import Case, Screw
from registry.store.models.every import METADATA
from registry.store.models.outcomes import Outcome
from registry.store.models.patients import Patient, VaultEntry
from registry.store.models.proposals import ProposalRow
from registry.store.models.readings import Assignment, ConsensusRow
from registry.store.models.scans import HeldImage, Scan
from registry.store.vault import reference_hash, unseal
from tests.build.killing import ROOT
from tests.build.loaded import LOG_ROWS, NOW, an_account, fill, load_rows

LATER = NOW + timedelta(days=1)
# OP-1's patient, as the log and the headers of the CT name them.
IDENTITY = ("INV-0001", "1960-01-02", "19600102", "Invented^Person", "ACC-77",
            "1.2.826.0.1.3680043.10.9999.1")  # fmt: skip
RATES = ("rates", "--minimum", "0", "--format", "json", "--by")


@pytest.fixture
def filled(ledger, tmp_path):
    return fill(ledger, tmp_path)


def leave(ledger, case_ref="OP-1", **who):
    asked = WhoWithdraws(**who) if who else WhoWithdraws(case_ref=case_ref)
    return withdraw(ledger, acting(ledger, None), asked, "the patient asked for it", LATER)


def rows(ledger, model):
    with ledger.reading() as session:
        found = list(session.execute(select(model).order_by(model.id)).scalars())
        session.expunge_all()
    return found


def hashed(ledger, number="INV-0001"):
    return reference_hash(ledger.keys.references, "patient", number)


def every_byte(ledger, place):
    """Return the bytes of every file of the home and, apart from it, every row as text."""
    ledger.close()
    paths = [path for path in place.home.rglob("*") if path.is_file()]
    files = b"".join(path.read_bytes() for path in paths)
    with ledger.engine.connect() as connection:
        held = "\n".join(
            str(row) for t in METADATA.sorted_tables for row in connection.execute(t.select())
        )
    return files, held


def test_a_withdrawn_patient_is_found_in_no_file_of_the_home(filled, place):
    (held,) = [image for image in rows(filled, HeldImage) if image.removed_at is None]
    plane = next(iter(filled.images.blocks(held.digest)))[-4096:]
    keys = {
        entry.patient_id: filled.keys.patient_key(patient.pseudonym)
        for entry in rows(filled, VaultEntry)
        for patient in rows(filled, Patient)
        if patient.id == entry.patient_id
    }
    opened = [
        unseal(keys[entry.patient_id], entry.sealed, patient.pseudonym)
        for entry in rows(filled, VaultEntry)
        for patient in rows(filled, Patient)
        if patient.id == entry.patient_id and entry.kind != "scan identifiers"
    ]
    assert {"INV-0001", "1960-01-02"} <= set(opened)
    gone = keys[1]
    assert plane in every_byte(filled, place)[0]
    done = leave(filled)
    assert (done.references, done.screws, done.images, done.closed) == (("withdrawn-1",), 4, 1, 4)
    files, held_rows = every_byte(filled, place)
    for secret in IDENTITY:
        for form in (secret, secret[::-1], secret.lower()):
            assert form.encode() not in files, secret
            assert form.encode("utf-16-le") not in files, secret
            assert form not in held_rows, secret
    assert plane not in files
    assert gone not in files
    # What was measured on the image went with it; that there was something stays in the trail.
    (proposal,) = rows(filled, ProposalRow)
    assert (proposal.document, proposal.replaced_at) == ("", LATER)
    assert b"entry_mm" not in files
    assert filled.images.digests() == []
    assert filled.keys.patient_key("P1") is None
    with pytest.raises(ConflictError, match="the patient was withdrawn"):
        filled.keys.patient_keys([rows(filled, Patient)[0].pseudonym])
    # Another patient's vault opens as before.
    other = next(entry for entry in rows(filled, VaultEntry) if entry.patient_id == 2)
    assert unseal(keys[2], other.sealed, rows(filled, Patient)[1].pseudonym) == "H200-7191"


def test_no_row_finds_the_patient_again_and_the_trail_is_all_that_still_holds_the_hash(filled):
    before = hashed(filled)
    assert rows(filled, Patient)[0].reference_hash == before
    leave(filled)
    with filled.engine.connect() as connection:
        holding = {
            table.name
            for table in METADATA.sorted_tables
            for row in connection.execute(table.select())
            if before in str(row)
        }
    assert holding == {"event"}
    patient = rows(filled, Patient)[0]
    assert patient.withdrawn_at == LATER
    entries = [entry for entry in rows(filled, VaultEntry) if entry.patient_id == 1]
    assert {(entry.sealed, entry.matching_hash) for entry in entries} == {("", None)}
    for who in ({"case_ref": "OP-1"}, {"patient_ref": "INV-0001"}, {"case_ref": "withdrawn-1"}):
        with pytest.raises(NotFoundError, match="nobody is known by this"):
            leave(filled, **who)


def test_free_words_are_blanked_and_words_that_others_share_stay(filled):
    with filled.writing(acting(filled, None), NOW) as work:
        work.update(Case, "correct", 2, indication="degenerative")
        work.update(Case, "correct", 1, bone_quality="as her neighbour in Elm Street")
    leave(filled)
    case = rows(filled, Case)[0]
    assert (case.reference, case.indication, case.bone_quality) == (
        *("withdrawn-1", "degenerative", None),
    )
    assert case.source_name is None
    assert {screw.implant_identifier for screw in rows(filled, Screw) if screw.case_id == 1} == {
        BLANKED
    }
    assert [outcome.deficit_words for outcome in rows(filled, Outcome)] == [BLANKED]


def test_why_a_reading_was_asked_for_again_is_blanked(filled):
    lead = an_account(filled, "lena", Role.QUALITY_LEAD, person="Lena Lead")
    with filled.writing(lead, NOW) as work:
        ask_to_replace(work, 1, reader_id=None, reason="old Mrs Elm's screw again")
    leave(filled, "OP-2")
    reasons = {row.supersedes_id: row.reason for row in rows(filled, Assignment)}
    assert reasons[1] == BLANKED
    assert BLANKED not in {reason for replaced, reason in reasons.items() if replaced is None}


def test_the_rates_stand_digit_for_digit_and_the_trail_is_whole(filled, place):
    by = ("level", "entry_technique", "surgeon", "quarter")
    for case, who in ((1, {"case_ref": "OP-5"}), (2, {"patient_ref": "INV-0001"})):
        before = [place.command(*RATES, each).out for each in by]
        consensus = [
            (row.screw_id, row.medial_mm, row.lateral_mm, row.is_assessable)
            for row in rows(filled, ConsensusRow)
        ]
        done = leave(filled, **who)
        assert [place.command(*RATES, each).out for each in by] == before, case
        assert json.loads(before[0])["rows"]
        assert consensus == [
            (row.screw_id, row.medial_mm, row.lateral_mm, row.is_assessable)
            for row in rows(filled, ConsensusRow)
        ]
        assert done.screws
        assert check_ledger(filled, acting(filled, None)) == []
    assert not [row for row in rows(filled, Assignment) if row.closed_at is None]


def test_a_patient_with_two_cases_leaves_with_both(filled):
    assert leave(filled, patient_ref=" H200-7191 ").references == ("withdrawn-2", "withdrawn-5")
    assert check_ledger(filled, acting(filled, None)) == []


def test_nothing_is_attached_to_a_withdrawn_patient_and_their_ct_leaves_no_file(filled, tmp_path):
    leave(filled)
    local = acting(filled, None)
    for reference in ("OP-1", "withdrawn-1", None):
        with pytest.raises(BadInputError):
            load_scan(filled, local, [tmp_path / "ct"], ScanOrder(case_ref=reference), LATER)
        assert filled.images.digests() == []
    assert check_ledger(filled, local) == []


def test_an_image_that_was_deleted_can_be_kept_again_for_who_comes_back(filled, tmp_path):
    leave(filled)
    local = acting(filled, None)
    load_rows(filled, *LOG_ROWS[:4])
    loaded = load_scan(filled, local, [tmp_path / "ct"], ScanOrder(), LATER)
    assert (loaded.case_ref, loaded.readings_owed) == ("OP-1", 4)
    assert [image.removed_at for image in rows(filled, HeldImage)] == [None]
    assert len({patient.pseudonym for patient in rows(filled, Patient)}) == 5
    scans = [scan for scan in rows(filled, Scan) if scan.image_id is not None]
    assert len({scan.series_hash for scan in scans}) == 2
    assert check_ledger(filled, local) == []


def test_only_lead_and_steward_withdraw(filled):
    for role in (Role.REGISTRAR, Role.SURGEON, None):
        viewer = an_account(filled, f"a {role}", *([role] if role else []), person="Anna Berg")
        with pytest.raises(NotAllowedError):
            withdraw(filled, viewer, WhoWithdraws(case_ref="OP-1"), "asked", LATER)
    assert rows(filled, Patient)[0].withdrawn_at is None


def test_what_cannot_be_done_is_one_line_and_changes_nothing(filled):
    both = {"case_ref": "OP-1", "patient_ref": "INV-0001"}
    for who, reason, told in (
        ({}, "asked", "name the patient by a case or"),
        (both, "asked", "name the patient by a case or"),
        ({"case_ref": "OP-1"}, " \n ", "Reason: is empty"),
        ({"case_ref": "OP-1"}, "x" * 301, "Reason: is too long"),
        ({"case_ref": "OP-9"}, "asked", "nobody is known by this"),
        ({"patient_ref": "inv-0001"}, "asked", "nobody is known by this"),
    ):
        with pytest.raises(ProblemError, match=told) as raised:
            withdraw(filled, acting(filled, None), WhoWithdraws(**who), reason, LATER)
        assert len(raised.value.lines()) == 1
    assert filled.keys.withdrawn() == {}
    assert rows(filled, Patient)[0].withdrawn_at is None


# Where a run may be cut off: after the key's end, after each image's, before the rows are kept.
CUT_OFF = """
import os, sys
from registry.actions import withdraw
from registry.cli.main import main
from registry.store.images import ImageStore
from registry.store.keys import Keys
from registry.store.writing import Writing

def dies_after(owner, name):
    real = getattr(owner, name)
    def act(*given, **named):
        found = real(*given, **named)
        os._exit(9)
    setattr(owner, name, act)

owner, name = sys.argv[1].split(".")
dies_after({"Keys": Keys, "ImageStore": ImageStore, "withdraw": withdraw}[owner], name)
main(["withdraw", "--case", "OP-1", "--reason", "asked"])
"""


@pytest.mark.usefixtures("filled")
@pytest.mark.parametrize(
    ("step", "finish"),
    [
        ("Keys.destroy_patient_key", "the same command"),
        ("ImageStore.remove", "apply_withdrawals"),
        ("withdraw._forget", "the same command"),
    ],
)
def test_a_run_that_was_cut_off_is_finished_by_another(place, step, finish):
    environment = place.all_environment() | {"PYTHONPATH": os.pathsep.join(sys.path)}
    ended = subprocess.run(
        [sys.executable, "-c", CUT_OFF, step], cwd=ROOT, env=environment, check=False, timeout=120
    )
    assert ended.returncode == 9
    opened = place.open()
    try:
        patient = rows(opened, Patient)[0]
        assert patient.withdrawn_at is None
        assert opened.keys.withdrawn().keys() == {patient.pseudonym}
        if finish == "the same command":
            answer = place.command("withdraw", "--case", "OP-1", "--reason", "asked")
            assert (answer.status, answer.err) == (0, "")
        else:
            assert apply_withdrawals(opened, acting(opened, None), LATER) == 1
        assert rows(opened, Patient)[0].withdrawn_at is not None
        assert opened.images.digests() == []
        assert apply_withdrawals(opened, acting(opened, None), LATER) == 0
    finally:
        opened.close()
    assert place.command("verify").status == 0


def test_keys_that_were_put_back_lose_a_withdrawn_patient_s_again(filled):
    pseudonym = rows(filled, Patient)[0].pseudonym
    kept = (filled.home / "keys" / "patients.sqlite").read_bytes()
    leave(filled)
    (filled.home / "keys" / "patients.sqlite").write_bytes(kept)
    assert filled.keys.patient_key(pseudonym) is not None
    assert apply_withdrawals(filled, acting(filled, None), LATER) == 1
    assert filled.keys.patient_key(pseudonym) is None
    assert filled.keys.withdrawn().keys() == {pseudonym}


def test_the_command_says_what_it_came_to(filled, place):
    filled.close()
    answer = place.command("withdraw", "--patient", "INV-0001", "--reason", "asked")
    assert answer.out.splitlines()[:2] == [
        "withdrawn for good; what is left is counted as withdrawn-1",
        "4 screws stay counted, 1 images and 0 pictures deleted, 4 owed readings closed",
    ]
    again = place.command("withdraw", "--patient", "INV-0001", "--reason", "asked")
    assert (again.status, again.out, len(again.err.splitlines())) == (2, "", 1)
    assert "INV-0001" not in again.err
