"""Nothing that names somebody in a CT's files is found in a byte of the home.

Nor is it in what is told, or in what leaves under the pseudonym: the encrypted vault alone holds
it, and the report to the hospital's archive.
"""

from __future__ import annotations

import json
import subprocess
import sys

import pytest
from pydicom.uid import ExplicitVRLittleEndian, ImplicitVRLittleEndian

from registry.actions.accounts import acting
from registry.actions.arrival_survey import Decision
from registry.actions.arrivals import close_arrival, one_arrival, open_arrival, take_file
from registry.actions.decide_arrival import cases_offered, decide_arrival
from registry.actions.work_arrivals import work_once
from registry.domain.arrivals import ArrivalSource, ArrivalState
from registry.domain.scans import ScanKind, ScanReason
from registry.store.models.every import METADATA
from tests.build.killing import ROOT
from tests.build.loaded import NOW, fill, load_rows
from tests.build.planted import WORD, planted_count, planted_slices, tokens_in, write_planted
from tests.build.read import read_screw

pytestmark = pytest.mark.filterwarnings("ignore:.*:UserWarning:tests|pydicom")

PATIENT = {"patient_ref": f"{WORD}-ID", "birth_date": "1901-02-03"}
_SYNTAX = {"sqlite": ExplicitVRLittleEndian, "postgresql": ImplicitVRLittleEndian}
_MAIN = "import sys; from registry.cli.main import main; sys.exit(main())"


def test_the_series_names_somebody_in_every_attribute_that_could():
    made = planted_slices(1)[0]
    assert planted_count(made) > 560
    assert planted_count(made.RequestAttributesSequence[0]) > 560
    assert len(tokens_in(str(made).encode())) >= 6


def test_planted_names_are_in_no_byte_of_the_home_nor_of_what_is_told(place, tmp_path):
    ledger = place.open()
    fill(ledger, tmp_path)
    # The theatre log names the same patient, by number and day of birth.
    load_rows(ledger, {"case_ref": "OP-6", "level": "L4", **PATIENT})
    before = set(ledger.images.digests())
    archive = write_planted(tmp_path, _SYNTAX[place.kind])

    told = in_a_process_of_its_own(place, "load-ct", archive, "--case", "OP-6")
    assert tokens_in(told.stderr) == [], told.stderr
    # What is left out is told by the names that the person's own files have.
    lines = [line for line in told.stdout.splitlines() if not line.startswith(b"left out ")]
    assert tokens_in(b"\n".join(lines)) == []
    assert b"left behind: " in told.stdout

    (digest,) = set(ledger.images.digests()) - before
    attributes = ledger.images.open(digest).attributes
    assert len(attributes["left_behind"]["could_name"].split()) > 560
    assert attributes["left_behind"]["private_groups"] == 3
    assert not {"manufacturer", "model", "kernel"} & set(attributes)
    assert tokens_in(json.dumps(attributes, ensure_ascii=False).encode()) == []

    with ledger.reading() as session:
        scan = max(row.id for row in session.execute(METADATA.tables["scan"].select()))
    read_screw(ledger, acting(ledger, "rita"), 10, scan, NOW, medial="2.4")
    ledger.close()
    left = {name: tmp_path / name for name in ("backup", "tables", "slices", "alias.dcm")}
    for status, *words in (
        (0, "load-ct", archive, "--case", "OP-6"),
        (0, "load-ct", archive),
        (0, "verify"),
        (0, "backup", left["backup"]),
        (0, "export", "--out", left["tables"]),
        (0, "export-ct", "--case", "OP-6", "--out", left["slices"]),
        (0, "export-sr", "--case", "OP-6", "--pseudonymous", "--out", left["alias.dcm"]),
        (0, "export-sr", "--case", "OP-6", "--out", tmp_path / "named.dcm"),
    ):
        answer = place.command(*words)
        assert answer.status == status, answer
        said = [line for line in answer.out.splitlines() if not line.startswith("left out ")]
        assert tokens_in("\n".join([*said, answer.err]).encode()) == []

    assert found_in(every_row(place)) == {}
    assert found_in(bytes_of(place.home)) == {}
    assert (
        found_in({path: held for each in left.values() for path, held in bytes_of(each).items()})
        == {}
    )
    # The search finds what is there: the report to the archive carries the hospital's own.
    assert set(tokens_in((tmp_path / "named.dcm").read_bytes())) >= {
        "QPLANT in utf-8", "QPLÄNT in utf-8", "2.999.770077 in utf-8",
    }  # fmt: skip


def test_planted_names_are_in_no_byte_while_files_wait_to_be_read(place, tmp_path):
    """The way of an upload, a receiver and a fetch: into the spool, looked through, read."""
    ledger = place.open()
    load_rows(ledger, {"case_ref": "OP-6", "level": "L4", **PATIENT})
    local = acting(ledger, None)
    archive = write_planted(tmp_path, _SYNTAX[place.kind])
    arrival = open_arrival(ledger, local, ArrivalSource.UPLOAD, NOW)
    with archive.open("rb") as stream:
        take_file(ledger, local, arrival, stream, archive.name, NOW)
    nothing_is_found(place)
    close_arrival(ledger, local, arrival, NOW)
    assert work_once(ledger, NOW)
    nothing_is_found(place)
    (offered,) = cases_offered(ledger, local, arrival, 1)
    decision = Decision(1, offered.case_id, ScanKind.POST_OPERATIVE_CT, ScanReason.ROUTINE)
    decide_arrival(ledger, local, arrival, decision, NOW)
    assert work_once(ledger, NOW)
    assert one_arrival(ledger, local, arrival).state is ArrivalState.READ
    nothing_is_found(place)
    ledger.close()
    assert place.command("verify").status == 0


def nothing_is_found(place):
    assert found_in(every_row(place)) == {}
    assert found_in(bytes_of(place.home)) == {}


def in_a_process_of_its_own(place, *arguments):
    """Run a command as people do, for all that comes to stderr, warnings of libraries included."""
    ran = subprocess.run(
        [sys.executable, "-c", _MAIN, *map(str, arguments)],
        capture_output=True,
        check=False,
        cwd=ROOT,
        env=place.all_environment() | {"PYTHONPATH": str(ROOT), "PYTHONWARNINGS": "always"},
    )
    assert ran.returncode == 0, ran.stderr
    return ran


def bytes_of(path):
    files = [path] if path.is_file() else [each for each in path.rglob("*") if each.is_file()]
    return {each: each.read_bytes() for each in files}


def found_in(contents):
    return {str(where): found for where, held in contents.items() if (found := tokens_in(held))}


def every_row(place):
    with place.raw() as connection:
        return {
            f"{table.name} {row[0]}": str(row).encode()
            for table in METADATA.sorted_tables
            for row in connection.execute(table.select())
        }
