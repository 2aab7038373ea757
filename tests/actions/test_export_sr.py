"""A case's report: every row against the ledger's, whose name it carries, and who is told of it."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from decimal import Decimal
from io import BytesIO

import pytest
from highdicom.sr import srread
from pydicom import dcmread
from sqlalchemy import delete, select, update

from registry.actions.accounts import acting
from registry.actions.check_ledger import check_ledger
from registry.actions.export_ct import export_slices
from registry.actions.export_sr import ReportOrder, export_report, write_report
from registry.actions.proposed import note_shown
from registry.actions.report_screws import Chosen
from registry.actions.resettle import resettle
from registry.actions.withdraw import WhoWithdraws, withdraw
from registry.domain.problems import BadInputError, ConflictError, NotAllowedError, NotFoundError
from registry.domain.readings import CountedReading
from registry.imaging.profile import Action, action_of
from registry.measure.proposals.records import VERSION
from registry.store.models.cases import Screw
from registry.store.models.patients import Patient, VaultEntry
from registry.store.models.readings import ConsensusRow, Reading
from registry.store.models.trail import EventRow
from registry.store.models.unit import CaseSeen
from registry.store.rows import column_names
from tests.build.loaded import NOW, fill
from tests.build.reported import AXIS, SCAN, read_in_every_way
from tests.imaging.written_files import ROOT

DIRECTIONS = {
    "medial": "255561001", "lateral": "49370004", "cranial": "66787007", "caudal": "3583002",
}  # fmt: skip
STATES = {
    "one reading": "CONSENSUS-1",
    "two readings agree": "CONSENSUS-2",
    "adjudicated": "CONSENSUS-3",
}


@pytest.fixture
def read(ledger, tmp_path):
    fill(ledger, tmp_path)
    read_in_every_way(ledger)
    return ledger


def rows(ledger, model, *conditions):
    with ledger.reading() as session:
        found = list(session.execute(select(model).where(*conditions)).scalars())
        session.expunge_all()
    return found


def report(ledger, viewer=None, now=NOW, case="OP-1", **order):
    made = export_report(ledger, viewer or acting(ledger, None), ReportOrder(case, **order), now)
    return made, srread(BytesIO(made.data))


def groups(found):
    return {g.tracking_identifier: g for g in found.content.get_image_measurement_groups()}


def numbers(group, name):
    return {
        m.finding_sites[0].topographical_modifier.value: Decimal(str(m.value))
        for m in group.get_measurements()
        if m.name.value == name
    }


def said(group):
    return {e.name.value: e.value.value for e in group.get_qualitative_evaluations()}


def openings(ledger):
    return [e for e in rows(ledger, EventRow) if e.verb == "open the vault"]


def test_every_screws_consensus_is_reported_as_the_ledger_holds_it(read):
    made, found = report(read)
    assert (made.screws, made.not_read, made.scan_id) == (4, 0, SCAN)
    reported = groups(found)
    names = {1: "L4 left", 2: "L4 right", 3: "L5 left", 4: "L5 right"}
    assert list(reported) == list(names.values())
    settled = {row.screw_id: row for row in rows(read, ConsensusRow)}
    for screw in rows(read, Screw, Screw.case_id == 1):
        group, row = reported[names[screw.id]], settled[screw.id]
        assert group.finding_sites[0].laterality.meaning[0] == screw.side
        assert group.finding_sites[0].value.meaning == f"{screw.level} vertebra"
        expected = {
            code: value
            for wall, code in DIRECTIONS.items()
            if (value := getattr(row, f"{wall}_mm")) is not None
        }
        assert numbers(group, "EXTENT") == expected
        assert said(group)["READING"] == STATES[row.state]
        if row.is_assessable:
            sizes = {
                m.name.value: Decimal(str(m.value))
                for m in group.get_measurements()
                if m.method is not None and m.method.value == "CATALOGUED"
            }
            assert sizes == {"81827009": screw.diameter_mm, "410668003": screw.length_mm}
    assert {name: said(group).get("GRADE-GR") for name, group in reported.items()} == {
        "L4 left": "GR-C", "L4 right": "GR-B", "L5 left": "GR-C", "L5 right": None,
    }  # fmt: skip
    assert said(reported["L5 right"])["ASSESSABLE"] == "NA-ARTEFACT"
    assert reported["L5 right"].get_measurements() == []


def test_uncertainties_angles_and_axis_are_those_of_the_reading_it_rests_on(read):
    reported = groups(report(read)[1])
    medial, lateral = DIRECTIONS["medial"], DIRECTIONS["lateral"]
    assert numbers(reported["L4 left"], "EXTENT-SD") == {
        medial: Decimal("0.6"), lateral: Decimal("0.4"),
    }  # fmt: skip
    # Averaged of 1.2 and 1.6, by readings of 0.5 and 0.8: at most their mean, 0.65, half up.
    assert numbers(reported["L4 right"], "EXTENT")[lateral] == Decimal("1.4")
    assert numbers(reported["L4 right"], "EXTENT-SD") == {lateral: Decimal("0.7")}
    assert numbers(reported["L5 left"], "EXTENT-SD") == {medial: Decimal("0.3")}
    axes = {
        name: [m for m in group.get_measurements() if m.referenced_coordinates]
        for name, group in reported.items()
    }
    assert [name for name, found in axes.items() if found] == ["L4 left"]
    line = axes["L4 left"][0].referenced_coordinates[0]
    assert [tuple(point) for point in line.value.tolist()] == list(AXIS)
    assert line.frame_of_reference_uid == f"{ROOT}.1.99"
    # Slices lie at z 5.0 + 0.8 k: entry and tip at 7.5 and 9.75 lie between the third and the
    # seventh.
    images = [i.referenced_sop_instance_uid for i in reported["L4 left"].source_images]
    assert images == [f"{ROOT}.1.1.{number}" for number in (4, 5, 6, 7)]
    angles = {
        m.method.value: m.value
        for m in reported["L4 left"].get_measurements()
        if m.name.value == "1483009"
    }
    assert angles == {"CONVERGENCE": 11.5, "BEARING": 12.0}
    assert said(reported["L4 left"])["CONFIDENCE"] == "HIGH"


def test_a_reading_changed_after_the_proposal_is_reported_where_it_counts_and_says_so(read):
    rita, now = acting(read, "rita"), NOW + timedelta(hours=2)
    (first,) = rows(read, Reading, Reading.screw_id == 1)
    with read.writing(rita, now) as work:
        note_shown(work, rita, 1, 1, first.id)
        changed = {name: getattr(first, name) for name in column_names(Reading)}
        changed |= {"supersedes_id": first.id, "proposal_seen": "after own reading"}
        changed |= {"recorded_at": now, "medial_mm": Decimal("4.1")}
        del changed["id"]
        work.insert(Reading, "read a screw", **changed)
    blind = groups(report(read)[1])["L4 left"]
    assert numbers(blind, "EXTENT")[DIRECTIONS["medial"]] == Decimal("2.4")
    assert "PROPOSAL" not in said(blind)
    counting = replace(read.settings, counted_reading=CountedReading.AFTER_PROPOSAL)
    other = replace(read, settings=counting)
    vars(other)["engine"] = read.engine
    assert resettle(other, now) > 0
    after = groups(report(other)[1])["L4 left"]
    assert numbers(after, "EXTENT")[DIRECTIONS["medial"]] == Decimal("4.1")
    assert said(after)["PROPOSAL"] == "AFTER_OWN"
    versions = [i.value for i in after[0].ContentSequence if i.name.value == "111003"]
    assert versions == [VERSION]


def test_one_reading_of_each_screw_can_be_reported_instead(read):
    medial = DIRECTIONS["medial"]
    for chosen, extents in (
        (Chosen.FIRST, {"L4 left": "2.4", "L4 right": "0", "L5 left": "4.6", "L5 right": None}),
        (Chosen.SECOND, {"L4 right": "0", "L5 left": "0"}),
        (Chosen.ADJUDICATION, {"L5 left": "3.1"}),
    ):
        made, found = report(read, chosen=chosen)
        reported = {n: numbers(group, "EXTENT").get(medial) for n, group in groups(found).items()}
        assert reported == {n: None if mm is None else Decimal(mm) for n, mm in extents.items()}
        assert made.not_read == 4 - len(reported)
        assert {said(group)["READING"] for group in groups(found).values()} == {chosen.upper()}


def test_the_report_carries_the_hospitals_own_identifiers_and_each_opening_is_an_event(read):
    before = len(openings(read))
    made, found = report(read)
    assert (found.PatientID, found.PatientName, found.PatientBirthDate) == (
        *("INV-0001", "Invented^Person", "19600102"),
    )
    assert (found.StudyInstanceUID, found.AccessionNumber) == (f"{ROOT}.1", "ACC-77")
    assert {uid for *_, uid, _ in found.get_evidence()} == {
        f"{ROOT}.1.1.{k + 1}" for k in range(12)
    }
    (event,) = openings(read)[before:]
    entry = rows(read, VaultEntry, VaultEntry.scan_id == SCAN)[0]
    assert (event.record, event.reason) == (
        *(f"vault_entry:{entry.id}", f"for a structured report of scan {SCAN}"),
    )
    assert not [word for word in ("INV-0001", "Invented") if word in made.said + repr(made)]
    report(read)
    assert len(openings(read)) == before + 2
    assert check_ledger(read, acting(read, None)) == []


def test_under_the_pseudonym_the_vault_stays_closed_and_the_slices_are_those_that_leave(
    read, tmp_path
):
    before = len(openings(read))
    made, found = report(read, is_pseudonymous=True)
    assert len(openings(read)) == before
    (patient,) = rows(read, Patient, Patient.id == 1)
    assert (found.PatientID, found.PatientName, found.AccessionNumber) == (
        *(patient.pseudonym, "", ""),
    )
    for word in (b"INV-0001", b"Invented", b"ACC-77", b"19600102", b"OP-1", ROOT.encode()):
        assert word not in made.data
    local = acting(read, None)
    out = tmp_path / "slices"
    assert export_slices(read, local, "OP-1", out, is_looked_through=False, now=NOW) == 12
    slices = [dcmread(path) for path in sorted(out.iterdir())]
    assert [each.SOPInstanceUID for each in slices] == [uid for *_, uid, _ in found.get_evidence()]
    for name in ("PatientID", "StudyInstanceUID", "StudyDate"):
        assert {each[name].value for each in slices} == {found[name].value}
    assert {uid for _, uid, *_ in found.get_evidence()} == {slices[0].SeriesInstanceUID}
    axis = [m for m in groups(found)["L4 left"].get_measurements() if m.referenced_coordinates]
    frame = axis[0].referenced_coordinates[0].frame_of_reference_uid
    assert {each.FrameOfReferenceUID for each in slices} == {frame}
    codes = [item.CodeValue for item in found.DeidentificationMethodCodeSequence]
    assert (found.PatientIdentityRemoved, codes) == ("YES", ["113100", "113104", "113107"])
    assert "SeriesDescription" not in found
    scanned = datetime.strptime(slices[0].AcquisitionDate, "%Y%m%d").date()  # noqa: DTZ007 - a day
    assert timedelta(days=1) <= date(2026, 3, 2) - scanned <= timedelta(days=3652)
    again, _ = report(read, is_pseudonymous=True)
    assert again.data == made.data


def test_no_day_of_a_pseudonymous_report_tells_by_how_much_days_were_moved(read):
    """Whoever is handed it knows about when it was made: a day moved from that one undoes it."""
    made, _ = report(read, is_pseudonymous=True)
    found = dcmread(BytesIO(made.data))
    days = {str(each.value) for each in found.iterall() if each.VR == "DA" and each.value}
    assert days == {found.StudyDate}
    assert not [each for each in found.iterall() if each.VR == "DT" and each.value]
    later, _ = report(read, now=NOW + timedelta(days=7), is_pseudonymous=True)
    assert dcmread(BytesIO(later.data)).ContentDate == found.ContentDate


def test_every_attribute_of_a_pseudonymous_report_is_what_the_table_asks(read):
    """PS3.15 Table E.1-1, at every depth: U replaced, days moved, the rest empty or absent."""
    made, _ = report(read, is_pseudonymous=True)
    found = dcmread(BytesIO(made.data))
    # Of the options that the report claims: times of day stay, and so does the content tree,
    # whose names of concepts and codes are its own words.
    left = {"ContentTime", "InstanceCreationTime", "PatientID", "ContentSequence"}
    for element in found.iterall():
        if element.VR == "UI":
            assert str(element.value).startswith(("2.25.", "1.2.840.10008.")), element
        elif element.VR == "PN":
            assert str(element.value) in {"", "Reader^Not named"}, element
        elif element.VR == "DA" and element.value:
            assert "19000101" <= str(element.value) < f"{NOW:%Y%m%d}", element
    for element in found:
        action = action_of(int(element.tag))
        if action is None or element.keyword in left or element.VR in {"UI", "DA"}:
            continue
        assert action is not Action.REMOVE, element
        assert not element.value, element


def test_a_screw_keeps_its_tracking_identifier_for_life_and_another_under_the_pseudonym(read):
    def tracked(**order):
        return {g.tracking_uid for g in groups(report(read, **order)[1]).values()}

    before = tracked()
    assert len(before) == 4
    assert tracked(chosen=Chosen.FIRST) == before
    with read.writing(acting(read, None), NOW) as work:
        work.update(Screw, "correct a screw", 1, level="L3")
    after = report(read)[1]
    assert "L3 left" in groups(after)
    assert {g.tracking_uid for g in groups(after).values()} == before
    assert not tracked(is_pseudonymous=True) & before
    assert all(len(uid) <= 64 and uid.startswith("2.25.") for uid in before)


def test_a_report_is_verified_by_a_person_for_a_settled_consensus_alone(read):
    lena, local = acting(read, "lena"), acting(read, None)
    for order, viewer, words in (
        ({}, lena, "only a consensus of more than one reading"),
        ({"chosen": Chosen.FIRST}, lena, "only a consensus of more than one reading"),
        ({"is_pseudonymous": True}, lena, "names nobody who could answer for it"),
    ):
        with pytest.raises(BadInputError, match=words):
            report(read, viewer, is_verified=True, **order)
    with read.writing(local, NOW) as work:
        for screw in (1, 4):
            work.update(Screw, "correct a screw", screw, life="removed")
    with pytest.raises(BadInputError, match="belongs to nobody who could answer"):
        report(read, local, is_verified=True)
    made, found = report(read, lena, is_verified=True)
    assert made.screws == 2
    assert (found.CompletionFlag, found.VerificationFlag) == ("COMPLETE", "VERIFIED")
    (observer,) = found.VerifyingObserverSequence
    assert (observer.VerifyingObserverName, observer.VerifyingOrganization) == (
        *("Lead^Lena", read.settings.unit_name),
    )
    assert report(read, lena)[1].VerificationFlag == "UNVERIFIED"


def test_whoever_exports_a_report_has_looked_at_the_case(read):
    lena = acting(read, "lena")
    report(read, lena)
    assert lena.account_id in {row.account_id for row in rows(read, CaseSeen)}
    with pytest.raises(NotAllowedError):
        report(read, acting(read, "rita"))


def test_what_cannot_be_reported_is_said_in_words_and_opens_nothing(read, place):
    before = len(openings(read))
    for case, kind, words in (
        ("OP-9", NotFoundError, "no case 'OP-9'"),
        ("OP-2", BadInputError, "held elsewhere"),
        ("OP-4", BadInputError, "counted on no scan"),
    ):
        with pytest.raises(kind, match=words):
            report(read, case=case)
    with place.raw() as raw:
        raw.execute(delete(Reading.__table__).where(Reading.role == "second"))
    with pytest.raises(BadInputError, match="no second of any screw"):
        report(read, chosen=Chosen.SECOND)
    assert len(openings(read)) == before


def test_without_the_vaults_entry_a_report_leaves_under_the_pseudonym_alone(read, place):
    with place.raw() as raw:
        found = update(VaultEntry.__table__).where(VaultEntry.scan_id == SCAN)
        raw.execute(found.values(sealed=""))
    with pytest.raises(BadInputError, match="holds no identifiers of this scan"):
        report(read)
    assert report(read, is_pseudonymous=True)[0].screws == 4
    read.keys.destroy_patient_key(rows(read, Patient, Patient.id == 1)[0].pseudonym, NOW)
    with place.raw() as raw:
        raw.execute(found.values(sealed="anything"))
    with pytest.raises(ConflictError, match="key is gone"):
        report(read)


def test_nothing_leaves_of_a_withdrawn_patient(read, tmp_path):
    local = acting(read, None)
    withdraw(read, local, WhoWithdraws(case_ref="OP-1"), "the patient asked", NOW)
    for pseudonymous in (False, True):
        with pytest.raises(BadInputError, match="was withdrawn"):
            report(read, case="withdrawn-1", is_pseudonymous=pseudonymous)
    with pytest.raises(BadInputError, match="was withdrawn"):
        export_slices(
            read, local, "withdrawn-1", tmp_path / "out", is_looked_through=False, now=NOW
        )
    assert not (tmp_path / "out").exists()


def test_the_file_and_its_event_come_together_and_no_file_is_replaced(read, tmp_path):
    local = acting(read, None)
    made, _ = report(read)
    out = tmp_path / "report.dcm"
    write_report(read, local, made, out, NOW)
    assert out.read_bytes() == made.data
    assert out.stat().st_mode & 0o777 == 0o600
    events = [e for e in rows(read, EventRow) if e.verb == "export a structured report"]
    assert [(e.record, e.reason) for e in events] == [(f"scan:{SCAN}", made.said)]
    for place, words in (
        (out, "is there already"),
        (read.home / "report.dcm", "lies in the ledger's own folder"),
        (tmp_path / "none" / "report.dcm", "the folder above it is not there"),
    ):
        with pytest.raises(BadInputError, match=words):
            write_report(read, local, made, place, NOW)
    assert out.read_bytes() == made.data
    assert [p.name for p in tmp_path.iterdir() if "export" in p.name] == []
    assert len([e for e in rows(read, EventRow) if e.verb == "export a structured report"]) == 1
