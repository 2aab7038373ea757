"""`export-sr` and `export-ct` to a real archive, Orthanc: by STOW-RS, C-STORE and dcmtk."""

from __future__ import annotations

import subprocess
from io import BytesIO

import pytest
from highdicom.sr import srread
from pydicom import dcmread
from pynetdicom import AE, evt
from sqlalchemy import select

from registry.store.models.trail import EventRow
from tests.build.loaded import fill
from tests.build.network import dcmtk
from tests.build.orthanc import free_port, orthanc
from tests.build.reported import read_in_every_way
from tests.build.validators import complaints
from tests.imaging.written_files import ROOT

CASE = ("export-sr", "--case", "OP-1")


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    with orthanc(tmp_path_factory.mktemp("archive") / "orthanc") as running:
        yield running


@pytest.fixture(scope="module")
def place(templates, tmp_path_factory):
    with templates.copied("sqlite", tmp_path_factory.mktemp("reported") / "home") as found:
        ledger = found.open()
        fill(ledger, tmp_path_factory.mktemp("ct"))
        read_in_every_way(ledger)
        ledger.close()
        yield found


def way_to(archive, by):
    if by == "web":
        return ("--url", archive.dicomweb)
    return ("--peer", f"ORTHANC@127.0.0.1:{archive.dicom_port}")


def kept_reports(archive):
    found = [dcmread(BytesIO(content)) for content in archive.files()]
    return {each.SOPInstanceUID: each for each in found if each.Modality == "SR"}


def numbers(report):
    return [
        (group.tracking_uid, measured.name.value, measured.unit.value, measured.value)
        for group in report.content.get_image_measurement_groups()
        for measured in group.get_measurements()
    ]


def verbs(place):
    ledger = place.open()
    with ledger.reading() as session:
        found = [row.verb for row in session.execute(select(EventRow)).scalars()]
    ledger.close()
    return found


@pytest.mark.parametrize("by", ["web", "dimse"])
def test_a_report_is_sent_and_read_back_with_equal_numbers(place, archive, tmp_path, by):
    before = set(kept_reports(archive))
    out = tmp_path / "report.dcm"
    answer = place.command(*CASE, "--out", out, "--send", *way_to(archive, by))
    assert answer.status == 0, answer.err
    assert answer.out.splitlines()[0] == (
        f"{out} and the archive: consensus of 4 screws under the hospital's own identifiers; "
        "COMPLETE, UNVERIFIED"
    )
    (new,) = set(kept_reports(archive)) - before
    kept = kept_reports(archive)[new]
    buffer = BytesIO()
    kept.save_as(buffer)
    returned, written = srread(BytesIO(buffer.getvalue())), srread(out)
    assert returned.SOPInstanceUID == written.SOPInstanceUID
    assert numbers(returned) == numbers(written)
    assert len(numbers(written)) > 20
    # It lies with the patient and the study of the images that it reports on.
    assert (kept.PatientID, kept.StudyInstanceUID) == ("INV-0001", f"{ROOT}.1")
    assert kept.PatientName == "Invented^Person"
    assert complaints(out) == []
    assert verbs(place)[-3:] == [
        "open the vault", "export a structured report", "send a structured report",
    ]  # fmt: skip


def test_slices_and_report_of_one_pseudonym_lie_together_in_an_archive(place, archive, tmp_path):
    """Stored by dcmtk's storescu, as another program would."""
    answer = place.command("export-ct", "--case", "OP-1", "--out", tmp_path / "ct")
    assert answer.status == 0, answer.err
    assert "12 slices under the pseudonym" in answer.out
    assert "look before handing them on" in answer.out
    report = tmp_path / "ct" / "report.dcm"
    answer = place.command(*CASE, "--pseudonymous", "--out", report)
    assert answer.status == 0, answer.err
    subprocess.run(
        [dcmtk("storescu"), "-R", "-aec", "ORTHANC", "127.0.0.1", str(archive.dicom_port),
         str(tmp_path / "ct"), "+sd"],
        check=True, capture_output=True,
    )  # fmt: skip
    found = [dcmread(BytesIO(content)) for content in archive.files()]
    own = [each for each in found if each.PatientID == dcmread(report).PatientID]
    assert sorted(each.Modality for each in own) == ["CT"] * 12 + ["SR"]
    assert len({each.StudyInstanceUID for each in own}) == 1
    images = {each.SOPInstanceUID for each in own if each.Modality == "CT"}
    assert images == {uid for *_, uid, _ in srread(report).get_evidence()}
    assert not [each for each in own if "Invented" in str(each) or "INV-0001" in str(each)]


@pytest.mark.parametrize(
    ("words", "said", "status"),
    [
        ((), "add --out FILE or --send", 2),
        (("--send", "--pseudonymous"), "knows nobody by a pseudonym", 2),
        (("--send",), "no archive is named", 2),
        (("--send", "--url", "http://archive.example.org/dicom-web"), "unencrypted", 2),
        (("--send", "--peer", "nowhere"), "no such node", 2),
        (("--send", "--url", f"http://127.0.0.1:{free_port()}/dicom-web"), "is not there", 1),
        (("--send", "--peer", f"NOBODY@127.0.0.1:{free_port()}"), "is not there", 1),
    ],
    ids=["nowhere", "pseudonym", "none", "in clear", "no node", "no service", "no listener"],
)
def test_what_cannot_be_sent_is_told_in_one_line(place, words, said, status):
    before = verbs(place)
    answer = place.command(*CASE, *words)
    assert (answer.status, answer.out) == (status, ""), answer
    assert len(answer.err.splitlines()) == 1
    assert said in answer.err
    since = verbs(place)[len(before) :]
    tried = ["open the vault", "send a structured report", "a structured report was not taken"]
    assert since == (tried if status == 1 else [])


def refused(place, *way):
    answer = place.command(*CASE, "--send", *way)
    assert (answer.status, answer.out) == (1, ""), answer
    assert "the archive did not take the report" in answer.err
    assert len(answer.err.splitlines()) == 1
    assert verbs(place)[-1] == "a structured report was not taken"
    return answer.err


def test_a_service_that_does_not_take_a_report_is_told_of_and_noted(place, tmp_path):
    """Orthanc whose folder has gone."""
    folder = tmp_path / "orthanc"
    with orthanc(folder) as running:
        (folder / "store").rename(folder / "gone")
        (folder / "store").write_text("no folder")
        refused(place, *way_to(running, "web"))
        assert running.listed("instances") == []


@pytest.mark.parametrize("status", [0xA700, 0xB000], ids=["out of room", "kept, with a warning"])
def test_a_nodes_answer_says_whether_it_keeps_the_report(place, status):
    """A DICOM node that answers with one of the statuses of PS3.4 Table B.2-1."""
    node = AE("NODE")
    node.add_supported_context("1.2.840.10008.5.1.4.1.1.88.34")
    port = free_port()
    listening = node.start_server(
        ("127.0.0.1", port), block=False, evt_handlers=[(evt.EVT_C_STORE, lambda _: status)]
    )
    try:
        way = ("--peer", f"NODE@127.0.0.1:{port}")
        if status == 0xA700:
            assert "status 0xa700" in refused(place, *way)
        else:
            assert place.command(*CASE, "--send", *way).status == 0
    finally:
        listening.shutdown()
