"""From draft to seal on each database: who may and when, what is sealed, and what comes later."""

from __future__ import annotations

import csv
import hashlib
import io
import json
import re
from contextlib import closing
from dataclasses import replace

import pytest

from registry.actions import quarter_standing
from registry.actions import seal_quarter as sealing
from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.quarter_records import quarter_records
from registry.actions.quarter_standing import comment, countersign, standing
from registry.actions.replies import quarter_state
from registry.actions.seal_quarter import (
    public_key,
    seal_quarter,
    seal_supplement,
    work_out_again,
)
from registry.actions.withdraw import WhoWithdraws, withdraw
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    FailureError,
    NotAllowedError,
)
from registry.domain.seals import SealState
from registry.store.models.cases import Case
from registry.store.queries.seals import seals_of
from registry.store.queries.trail import TrailAsked, trail_lines
from registry.store.sealing.checking import check_kept, check_sealed
from registry.store.sealing.signing import read_pem
from tests.build.backups import assert_ok
from tests.build.places import KINDS
from tests.build.sealable import EARLY, LATER, PERIOD, a_case, a_reading, fill_sealable

SEALED = f"{PERIOD}.sealed"


@pytest.fixture
def people(ledger):
    return fill_sealable(ledger)


def kept(ledger):
    with ledger.reading() as session:
        return seals_of(session, PERIOD)


def test_from_a_draft_to_a_seal_that_anybody_can_check(ledger, people, tmp_path):
    lena = people["lena"]
    comment(ledger, lena, PERIOD, "Two scans were made elsewhere.", LATER)
    assert standing(ledger, lena, PERIOD, LATER).state is SealState.COMMENTED
    with pytest.raises(BadInputError, match="no key of seals"):
        public_key(ledger)

    files = seal_quarter(ledger, lena, PERIOD, tmp_path / "out", LATER)

    assert {path.name: path.read_bytes() for path in (tmp_path / "out").iterdir()} == files
    found = check_sealed(files[SEALED], read_pem(public_key(ledger).encode()))
    assert (found.wrong, found.signer_checked) == ((), True)
    assert found.files.items() <= files.items()
    assert {f"{PERIOD}.{kind}" for kind in ("html", "pdf", "json", "xlsx")} <= set(found.files)
    assert (found.said["sealed_by"], found.said["countersigned_by"]) == ("lena", None)
    assert quarter_state(ledger, lena, PERIOD, LATER).sealed_at == LATER
    (row,) = kept(ledger)
    assert row.file_digest == hashlib.sha256(files[SEALED]).hexdigest()
    assert row.numbers.encode() == found.files[f"{PERIOD}.json"]
    digest = hashlib.sha256(row.records.encode()).hexdigest()
    assert found.said["records"]["sha256"] == digest
    screws = json.loads(row.records)
    assert [screw["extents_mm"]["medial"] for screw in screws].count("2.4") == 2
    for name in ("Anna Berg", "HOP-1"):
        assert name not in row.records + row.manifest
    assert standing(ledger, lena, PERIOD, LATER).state is SealState.SEALED
    assert ledger.sealed_quarters.content(row.file_digest) == files[SEALED]
    assert check_ledger(ledger, acting(ledger, None)) == []
    # Once sealed it is neither sealed nor commented on nor countersigned again.
    for deed in (
        lambda: seal_quarter(ledger, lena, PERIOD, tmp_path / "more", LATER),
        lambda: comment(ledger, lena, PERIOD, "Late.", LATER),
        lambda: countersign(ledger, people["anna"], PERIOD, LATER),
        lambda: seal_supplement(ledger, lena, PERIOD, tmp_path / "more", LATER),
    ):
        with pytest.raises(ConflictError):
            deed()
    assert not (tmp_path / "more").exists()
    assert len(kept(ledger)) == 1


def test_nothing_is_sealed_before_the_unit_s_delay_and_what_was_asked_for(ledger, people, tmp_path):
    with pytest.raises(ConflictError, match="the unit seals it from 2026-05-01 on"):
        seal_quarter(ledger, people["lena"], PERIOD, tmp_path / "out", EARLY)
    with pytest.raises(ConflictError, match="right of reply has not been opened"):
        seal_quarter(ledger, people["lena"], "2025Q4", tmp_path / "out", LATER)
    assert not (tmp_path / "out").exists()
    assert ledger.keys.seal is None


@pytest.mark.parametrize("name", ["bodo", "rita", "stefan"])
def test_who_is_no_quality_lead_neither_seals_nor_signs(ledger, people, tmp_path, name):
    who, out = people[name], tmp_path / "out"
    for deed in (
        lambda: seal_quarter(ledger, who, PERIOD, out, LATER),
        lambda: seal_supplement(ledger, who, PERIOD, out, LATER),
        lambda: work_out_again(ledger, who, PERIOD, LATER),
        lambda: comment(ledger, who, PERIOD, "No.", LATER),
        lambda: countersign(ledger, who, PERIOD, LATER),
    ):
        with pytest.raises(NotAllowedError):
            deed()


def test_a_lead_who_operated_needs_another_s_signature_of_these_numbers(ledger, people, tmp_path):
    anna, lena = people["anna"], people["lena"]
    with pytest.raises(ConflictError, match="you operated or assisted in the quarter"):
        seal_quarter(ledger, anna, PERIOD, tmp_path / "out", LATER)
    with pytest.raises(BadInputError, match="belongs to no person"):
        countersign(ledger, acting(ledger, None), PERIOD, LATER)
    countersign(ledger, lena, PERIOD, LATER)
    assert standing(ledger, anna, PERIOD, LATER).state is SealState.COUNTERSIGNED
    # What was countersigned is no longer what would be sealed.
    a_case(ledger, "OP-3", "Bodo Carl")
    with pytest.raises(ConflictError, match="you operated or assisted"):
        seal_quarter(ledger, anna, PERIOD, tmp_path / "out", LATER)
    countersign(ledger, lena, PERIOD, LATER)
    files = seal_quarter(ledger, anna, PERIOD, tmp_path / "out", LATER)
    assert check_sealed(files[SEALED]).said["countersigned_by"] == "lena"


def test_a_unit_may_ask_for_two_signatures_whoever_seals(ledger, people, tmp_path):
    settings = replace(ledger.settings, seal_countersigned=True)
    with closing(replace(ledger, settings=settings)) as strict:
        with pytest.raises(ConflictError, match="another person's countersignature"):
            seal_quarter(strict, people["lena"], PERIOD, tmp_path / "out", LATER)
        countersign(strict, people["lena"], PERIOD, LATER)
        with pytest.raises(ConflictError, match="another person's countersignature"):
            seal_quarter(strict, people["lena"], PERIOD, tmp_path / "out", LATER)


def test_what_comes_late_makes_a_supplement_with_old_and_new(ledger, people, tmp_path):
    lena = people["lena"]
    a_case(ledger, "OP-3", "Bodo Carl")
    local = acting(ledger, None)
    first = seal_quarter(ledger, local, PERIOD, tmp_path / "out", LATER)
    with ledger.reading() as session:
        lines, _ = trail_lines(session, lena, TrailAsked(), start=0, at_most=3)
    assert ("local operator (shell)", "seal a quarter") in {
        (line.actor, line.verb) for line in lines
    }

    a_reading(ledger, "OP-3")
    again = work_out_again(ledger, lena, PERIOD, LATER)
    assert not again.is_same
    assert not again.same_records
    files = seal_supplement(ledger, lena, PERIOD, tmp_path / "more", LATER)

    found = check_sealed(files[f"{PERIOD}.supplement1.sealed"], read_pem(first["public_key.pem"]))
    assert found.wrong == ()
    assert found.said["part"] == 1
    assert found.said["follows"] == hashlib.sha256(first[SEALED]).hexdigest()
    rows = list(csv.reader(io.StringIO(found.files[f"{PERIOD}.changes.csv"].decode("utf-8-sig"))))
    assert ["completeness, graded", "8", "12"] in rows
    page = found.files[f"{PERIOD}.html"].decode()
    assert f"{PERIOD}, supplement 1</h1>" in page
    row = page.partition("completeness, graded</th>")[2].partition("</tr>")[0]
    assert re.findall(r">(\d+)</td>", row) == ["8", "12"]
    assert work_out_again(ledger, lena, PERIOD, LATER).is_same
    assert len(kept(ledger)) == 2
    assert check_ledger(ledger, local) == []
    assert check_sealed(first[SEALED]).wrong == ()  # the seal itself stands

    # The unit's key is gone: no other one takes its place.
    (ledger.keys.folder / "seal.key").unlink()
    a_case(ledger, "OP-4", "Bodo Carl")
    with pytest.raises(FailureError, match="put the ledger's keys folder back"):
        seal_supplement(ledger, lena, PERIOD, tmp_path / "last", LATER)
    assert ledger.keys.seal is None
    assert len(kept(ledger)) == 2


def test_what_is_written_while_the_report_is_made_is_not_sealed_over(
    ledger, people, tmp_path, monkeypatch
):
    made = sealing.quarter_files

    def slow(report):
        a_case(ledger, "OP-3", "Bodo Carl")
        return made(report)

    monkeypatch.setattr(sealing, "quarter_files", slow)
    with pytest.raises(ConflictError, match="something was written to the ledger"):
        seal_quarter(ledger, people["lena"], PERIOD, tmp_path / "out", LATER)
    assert not (tmp_path / "out").exists()
    assert kept(ledger) == []


@pytest.mark.postgres
def test_restored_on_the_two_databases_a_quarter_is_worked_out_again_to_the_byte(
    place, templates, tmp_path
):
    with closing(place.open()) as ledger:
        people = fill_sealable(ledger)
        seal_quarter(ledger, people["lena"], PERIOD, tmp_path / "out", LATER)
    keys, key = tmp_path / "keys", (tmp_path / "out" / "public_key.pem").read_text()
    assert_ok(place.command("backup", tmp_path / "it.backup", "--copy-keys", keys))
    for kind in KINDS if place.kind == "postgresql" else ("sqlite",):
        with templates.empty(kind, tmp_path / f"new {kind}") as new:
            assert_ok(new.command("restore", tmp_path / "it.backup", "--keys", keys))
            assert_ok(new.command("verify"))
            assert len(list((new.home / "images").glob("*.sealed"))) == 1
            said = assert_ok(new.command("quarter", PERIOD, "--again"))
            assert "the same numbers and records as in its seal, to the byte" in said.out
            assert assert_ok(new.command("quarter", "key")).out == key


def test_a_withdrawn_patient_s_screws_stay_under_the_seal(ledger, people):
    local = acting(ledger, None)
    files = seal_quarter(ledger, people["lena"], PERIOD, None, LATER)
    whole = b"".join(files.values()) + kept(ledger)[0].records.encode()
    assert not [name for name in (b"OP-1", b"HOP-1") if name in whole]
    withdraw(ledger, local, WhoWithdraws(case_ref="OP-1"), "the patient asked for it", LATER)
    assert check_ledger(ledger, local) == []
    assert work_out_again(ledger, people["lena"], PERIOD, LATER).is_same
    (row,) = kept(ledger)
    assert ledger.sealed_quarters.content(row.file_digest) == files[SEALED]
    # A late case of the quarter before is in the year's numbers, and in none of these records.
    a_case(ledger, "OP-9", "Bodo Carl", day="2025-11-03")
    again = work_out_again(ledger, people["lena"], PERIOD, LATER)
    assert (again.same_records, again.why) == (True, sealing.SAME_RECORDS)


def test_a_seal_holds_no_free_words_of_a_patient_and_tells_that_they_were_changed(
    ledger, people, monkeypatch
):
    lena = people["lena"]
    with ledger.writing(acting(ledger, None), LATER) as work:
        work.update(Case, "correct", 1, indication="fall from a ladder", bone_quality="like chalk")
    # As seals were made before their records held digests.
    with monkeypatch.context() as earlier:
        earlier.setattr(
            quarter_standing,
            "quarter_records",
            lambda found, of, _=None: quarter_records(found, of),
        )
        seal_quarter(ledger, lena, PERIOD, None, LATER)
    assert "fall from a ladder" in kept(ledger)[0].records
    assert work_out_again(ledger, lena, PERIOD, LATER).is_same
    a_case(ledger, "OP-3", "Bodo Carl")
    seal_supplement(ledger, lena, PERIOD, None, LATER)
    row = kept(ledger)[1]
    assert not [word for word in ("ladder", "chalk") if word in row.records]
    assert work_out_again(ledger, lena, PERIOD, LATER).is_same
    with ledger.writing(acting(ledger, None), LATER) as work:
        work.update(Case, "correct", 1, bone_quality="like glass")
    assert not work_out_again(ledger, lena, PERIOD, LATER).same_records


def test_a_kept_seal_that_was_tampered_with_is_named(ledger, people):
    local = acting(ledger, None)
    seal_quarter(ledger, people["lena"], PERIOD, None, LATER)
    (row,) = kept(ledger)
    file = ledger.sealed_quarters.path_of(row.file_digest)
    held = file.read_bytes()

    def named():
        return {wrong.line() for wrong in check_ledger(ledger, local)}

    assert named() == set()
    file.chmod(0o600)
    file.write_bytes(held[:-1] + b"x")
    assert any("is not what was written" in line for line in named())
    file.unlink()
    assert any("is not in the image folder" in line for line in named())
    ledger.sealed_quarters.keep(held)
    # Whoever has the database alone cannot sign: neither with another key nor other numbers.
    (ledger.keys.folder / "seal.key").write_bytes(bytes(32))
    assert named() == {"quarter_seal:1: it was sealed under another key than the ledger's own"}
    (ledger.keys.folder / "seal.key").unlink()
    assert any(line.startswith("key of seals: is not in the folder of keys") for line in named())
    changed = row.numbers.replace("8", "9", 1)
    assert check_kept(
        row.manifest.encode(),
        row.signature.encode(),
        changed.encode(),
        row.records.encode(),
        name=f"{PERIOD}.json",
        key=None,
    ) == ["its numbers are not those that were sealed"]
