"""`fetch-ct` from a real archive: Debian's Orthanc, by DICOMweb, C-MOVE and C-GET."""

from __future__ import annotations

import io
from contextlib import contextmanager

import pytest
from pydicom import dcmread
from sqlalchemy import select

from registry.actions.accounts import acting
from registry.actions.arrivals import arrivals
from registry.domain.arrivals import ArrivalSource, ArrivalState
from registry.store.models.scans import Scan
from registry.store.models.trail import EventRow
from registry.store.queries.arrivals import kept_arrival
from tests.build.loaded import LOG_ROWS, load_rows
from tests.build.orthanc import free_port, orthanc
from tests.imaging.written_files import a_slice, slices, write

PORT = free_port()
WAYS = ["web", "move", "get"]
# A study of the case's patient after the operation, one before it, one of somebody whose number
# begins alike, and a study without any CT; in the first also what is no CT.
KEPT = [
    *slices(12, study=1, StudyDate="20260302", AcquisitionDate="20260302"),
    *slices(
        4,
        study=1,
        series=2,
        StudyDate="20260302",
        AcquisitionDate="20260302",
        SeriesDescription="SOFT",
    ),
    a_slice(study=1, series=3, StudyDate="20260302", AcquisitionDate="20260302", Modality="SR"),
    *slices(2, study=2, StudyDate="20260101"),
    *slices(2, study=3, StudyDate="20260303", PatientID="INV-00012", AccessionNumber="ACC-99"),
    a_slice(study=4, StudyDate="20260304", Modality="MR"),
]
WANTED = {each.SOPInstanceUID for each in KEPT[:16]}


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    folder = tmp_path_factory.mktemp("archive")
    targets = {"PEDICLE_LEDGER": ("127.0.0.1", PORT)}
    with orthanc(folder / "orthanc", targets) as running:
        for number, each in enumerate(KEPT):
            (path,) = write([each], folder / str(number))
            running.store(path.read_bytes())
        yield running


@pytest.fixture(scope="module")
def place(templates, tmp_path_factory):
    with templates.copied("sqlite", tmp_path_factory.mktemp("fetch") / "home") as found:
        ledger = found.open()
        load_rows(ledger, *LOG_ROWS)
        ledger.close()
        yield found


def fetch(place, archive, way, *words):
    where = (
        ("--url", archive.dicomweb)
        if way == "web"
        else ("--peer", f"ORTHANC@127.0.0.1:{archive.dicom_port}", "--port", PORT)
    )
    return place.command("fetch-ct", *words, "--by", way, *where)


@contextmanager
def the_ledger(place):
    ledger = place.open()
    try:
        yield ledger, acting(ledger, None)
    finally:
        ledger.close()


def kept_in(place, arrival_id):
    with the_ledger(place) as (ledger, local):
        with ledger.reading() as session:
            token = kept_arrival(session, local, arrival_id).token
        found = []
        for file in ledger.spool.files(token):
            with file.open() as stream:
                found.append(stream.read())
        return found


def newest(place):
    with the_ledger(place) as (ledger, local):
        return max(arrivals(ledger, local), key=lambda each: each.arrival_id, default=None)


def openings(place):
    with the_ledger(place) as (ledger, _), ledger.reading() as session:
        rows = session.execute(select(EventRow).where(EventRow.verb == "open the vault"))
        return [(row.record.split(":")[0], row.reason) for row in rows.scalars()]


@pytest.mark.parametrize("way", WAYS)
def test_what_is_fetched_is_what_the_archive_keeps(place, archive, way):
    answer = fetch(place, archive, way, "--patient", "INV-0001", "--number", 2)
    assert (answer.status, answer.err) == (0, "")
    arrival = newest(place)
    assert (arrival.source, arrival.state) == (ArrivalSource.ARCHIVE, ArrivalState.RECEIVED)
    kept = [dcmread(io.BytesIO(content)) for content in kept_in(place, arrival.arrival_id)]
    # What is no CT of that study is not fetched.
    assert {each.SOPInstanceUID for each in kept} == WANTED
    sent = {each.SOPInstanceUID: each.PixelData for each in KEPT}
    assert all(each.PixelData == sent[each.SOPInstanceUID] for each in kept)


def test_a_cases_ct_after_its_operation_is_found_fetched_and_attached(place, archive):
    opened = openings(place)
    answer = fetch(place, archive, "web", "--case", "OP-1", "--reason", "routine")
    assert (answer.status, answer.err) == (0, "")
    # What is no CT, before the operation or somebody else's is neither listed nor fetched.
    assert "1: CT of 2026-03-02" in answer.out
    assert "2: " not in answer.out
    assert "attached to case OP-1" in answer.out
    arrival = newest(place)
    assert (arrival.state, arrival.case_ref) == (ArrivalState.READ, "OP-1")
    with the_ledger(place) as (ledger, local), ledger.reading() as session:
        scan = session.get_one(Scan, arrival.scan_id)
        assert (str(scan.scanned_on), scan.kind, scan.reason) == (
            "2026-03-02",
            "post-operative CT",
            "routine",
        )
        assert scan.matched_by_id == local.account_id
    # Read once, nothing of it waits on the disk.
    assert kept_in(place, arrival.arrival_id) == []
    # It was opened to ask; that it was put back with the scan is another event.
    assert openings(place) == [*opened, ("patient", "to find its CT in the archive")]
    for word in ("INV-0001", "Invented", "1.2.826"):
        assert word not in answer.out
    assert place.command("verify").status == 0


def test_what_cannot_be_attached_as_was_said_waits_for_a_person(place, archive):
    answer = fetch(place, archive, "web", "--case", "OP-1", "--series", 9)
    assert answer.status == 2
    assert "there is no series 9" in answer.err
    assert newest(place).state is ArrivalState.LOOKED_THROUGH


@pytest.mark.parametrize("way", WAYS)
@pytest.mark.parametrize(
    ("words", "days"),
    [
        (("--patient", "INV-0001"), ["2026-01-01", "2026-03-02"]),
        (("--patient", "INV-0001", "--to", "2026-02-01"), ["2026-01-01"]),
        (("--accession", "ACC-99"), ["2026-03-03"]),
        (("--study", "1.2.826.0.1.3680043.10.9999.2"), ["2026-01-01"]),
        (("--patient", "NOBODY"), []),
        (("--study", "1.2.3.4"), []),
    ],
    ids=["patient", "days", "accession", "study", "no such patient", "no such study"],
)
def test_studies_are_listed_as_they_are_asked_for(place, archive, way, words, days):
    answer = fetch(place, archive, way, *words, "--list")
    assert (answer.status, answer.err) == (0, "")
    lines = [line for line in answer.out.splitlines() if not line.startswith(" ")]
    nothing = ["the archive has no CT of it in these days"]
    assert lines == ([f"{n}: CT of {day}" for n, day in enumerate(days, start=1)] or nothing)


def test_of_several_one_is_chosen_by_its_number(place, archive):
    before = newest(place)
    answer = fetch(place, archive, "web", "--patient", "INV-0001")
    assert answer.status == 2
    assert "2 CT studies fit" in answer.err
    assert newest(place) == before
    assert fetch(place, archive, "web", "--patient", "INV-0001", "--number", 1).status == 0
    assert newest(place).files == 2
    assert fetch(place, archive, "web", "--patient", "INV-0001", "--number", 3).status == 2


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--patient", "INV*"), "--patient: a number with *"),
        (("--study", "../../patients"), "--study: not a study's identifier"),
        (("--case", "OP-99"), "no case 'OP-99'"),
        (("--patient", "X", "--from", "yesterday"), "no such day"),
        (("--patient", "X", "--peer", "ARCHIVE"), "write TITLE@host:port"),
        (("--patient", "X", "--url", "ftp://archive"), "give an address"),
        (("--patient", "X", "--url", "http://archive.example.org"), "archive_in_clear"),
        (("--patient", "X", "--by", "get", "--peer", "A@archive.example.org:104"), "in_clear"),
        (("--patient", "X"), "no archive is named"),
    ],
)  # fmt: skip
def test_what_cannot_be_asked_is_told_in_one_line(place, archive, words, said):
    named = {"--url", "--peer"} & set(words) or "archive is named" in said
    where = () if named else ("--url", archive.dicomweb)
    answer = place.command("fetch-ct", *words, *where)
    assert (answer.status, answer.out) == (2, "")
    assert said in answer.err
    assert len(answer.err.splitlines()) == 1
