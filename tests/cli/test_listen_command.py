"""`listen` as people start it: what it wants first, and what is left when it is killed."""

from __future__ import annotations

import io
import re
import socket
import struct
import subprocess
from contextlib import suppress
from datetime import timedelta

import numpy as np
import pytest
from pydicom import dcmread

from registry.actions.accounts import acting
from registry.actions.arrivals import arrivals, one_arrival
from registry.actions.work_arrivals import work_once
from registry.domain.arrivals import ArrivalSource, ArrivalState
from registry.store.queries.arrivals import kept_arrival
from tests.build.network import SENDER, TITLE, a_pair, dcmtk, listening, send
from tests.build.orthanc import orthanc
from tests.imaging.written_files import slices, write


@pytest.fixture(scope="module")
def place(templates, tmp_path_factory):
    with templates.copied("sqlite", tmp_path_factory.mktemp("listen") / "home") as found:
        yield found


@pytest.fixture(scope="module")
def listener(place):
    with listening(place) as found:
        yield found


def listen(place, *options, **settings):
    names = {f"PEDICLE_LEDGER_{name.upper()}": value for name, value in settings.items()}
    there = type(place)(place.home, {**place.environment, **names})
    return there.command("listen", *options)


@pytest.mark.parametrize(
    ("settings", "options", "words"),
    [
        ({}, (), 'receiver_peers = ["ARCHIVE@10.0.0.5"]'),
        ({"receiver_peers": "ARCHIVE"}, (), "write TITLE@address"),
        ({"receiver_peers": "A@10.0.0.5"}, ("--host", "0.0.0.0"), "archive_in_clear"),  # noqa: S104
        ({"receiver_peers": "A@10.0.0.5", "dicom_key": "x"}, (), "TLS needs all three files"),
        (
            {"receiver_peers": "A@10.0.0.5", "dicom_key": "k", "dicom_certificate": "c",
             "dicom_authority": "a"},
            (),
            "the file cannot be used",
        ),
    ],
    ids=["no peers", "no address", "in clear", "half of TLS", "no such files"],
)  # fmt: skip
def test_it_does_not_start_before_it_is_said_who_may_send_and_how(place, settings, options, words):
    answer = listen(place, *options, **settings)
    assert (answer.status, answer.out) == (2, "")
    assert words in answer.err
    assert len(answer.err.splitlines()) == 1


def test_a_port_that_another_has_is_told_in_one_line(place):
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
        answer = listen(place, "--port", port, receiver_peers="A@127.0.0.1")
    assert (answer.status, answer.out) == (2, "")
    assert re.fullmatch(rf".*cannot listen on 127.0.0.1 port {port}.*\n", answer.err)


def kept_files(ledger):
    """Return the bytes of every file that came in, by the source."""
    local = acting(ledger, None)
    tokens = []
    with ledger.reading() as session:
        for each in arrivals(ledger, local):
            assert each.source is ArrivalSource.RECEIVER
            tokens.append(kept_arrival(session, local, each.arrival_id).token)
    found = []
    for token in tokens:
        for file in ledger.spool.files(token):
            with file.open() as stream:
                found.append(stream.read())
    return found


def voxels(contents):
    return sorted(dcmread(io.BytesIO(content)).PixelData for content in contents)


def test_what_was_acknowledged_is_there_after_the_receiver_was_killed(place, listener, tmp_path):
    first = write(slices(4), tmp_path / "first")
    assert send(listener.port, tmp_path / "first").returncode == 0
    listener.kill_child()
    second = write(slices(4, series=2), tmp_path / "second")
    assert send(listener.port, tmp_path / "second").returncode == 0
    ledger = place.open()
    try:
        # One study is one arrival, before and after.
        assert [each.files for each in arrivals(ledger, acting(ledger, None))] == [8]
        sent = [path.read_bytes() for path in first + second]
        assert voxels(kept_files(ledger)) == voxels(sent)
    finally:
        ledger.close()


def test_a_claim_of_two_gigabytes_costs_the_watching_process_nothing(listener, tmp_path):
    write(slices(1, study=2), tmp_path / "ct")
    before = listener.memory_mb()
    for _ in range(3):
        with socket.create_connection(("127.0.0.1", listener.port)) as greedy, suppress(OSError):
            greedy.settimeout(10)
            greedy.sendall(struct.pack(">BBL", 0x01, 0, 2**31))
            for _ in range(64):
                greedy.sendall(bytes(2**20))
    assert send(listener.port, tmp_path / "ct").returncode == 0
    assert listener.memory_mb() < before + 1


def test_nothing_that_was_sent_stands_in_clear_in_the_home(place, listener, tmp_path):
    write(slices(1, study=3), tmp_path / "ct")
    assert send(listener.port, tmp_path / "ct").returncode == 0
    for path in place.home.rglob("*"):
        if path.is_file():
            content = path.read_bytes()
            assert b"INV-0001" not in content, path.name
            assert b"1.2.826.0.1.3680043.10.9999" not in content, path.name


def test_an_archive_moves_a_study_here_and_it_is_looked_through_once_quiet(
    place, listener, tmp_path
):
    port = listener.port
    with orthanc(tmp_path / "orthanc", {TITLE: ("127.0.0.1", port)}, DicomAet=SENDER) as archive:
        for path in write(slices(12, study=5), tmp_path / "ct"):
            archive.store(path.read_bytes())
        whole = ("QueryRetrieveLevel=STUDY", "StudyInstanceUID=1.2.826.0.1.3680043.10.9999.5")
        keys = [word for key in whole for word in ("-k", key)]
        where = ["127.0.0.1", str(archive.dicom_port)]
        moved = subprocess.run(
            [dcmtk("movescu"), "-S", "-aec", SENDER, "-aem", TITLE, *keys, *where],
            capture_output=True,
            text=True,
            timeout=60,
            check=False,
        )
        assert moved.returncode == 0, moved.stderr
    ledger = place.open()
    try:
        local = acting(ledger, None)
        arrival = max(arrivals(ledger, local), key=lambda each: each.arrival_id)
        assert (arrival.files, arrival.state) == (12, ArrivalState.RECEIVING)
        later = arrival.last_at + timedelta(seconds=ledger.settings.quiet_seconds + 1)
        while work_once(ledger, later):
            pass
        looked = one_arrival(ledger, local, arrival.arrival_id)
        assert looked.state is ArrivalState.LOOKED_THROUGH
        assert [each.is_readable for each in looked.survey.series] == [True]
    finally:
        ledger.close()


# The system's own limit stands in for a full disk: the write itself fails. SQLite's shared memory
# alone takes 32,768 bytes.
LIMITED = "import resource; resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, 100_000)); "


def test_a_full_disk_is_answered_over_tls_and_the_next_image_that_fits_is_taken(
    templates, tmp_path
):
    own, archive = (a_pair(tmp_path, name) for name in ("ledger", "archive"))
    small = write(slices(1), tmp_path / "small")
    write(slices(1, series=2, values=np.zeros((300, 300), np.int16)), tmp_path / "large")
    files = {
        "PEDICLE_LEDGER_DICOM_CERTIFICATE": str(own.certificate),
        "PEDICLE_LEDGER_DICOM_KEY": str(own.key),
        "PEDICLE_LEDGER_DICOM_AUTHORITY": str(archive.certificate),
    }
    known = ("+tls", archive.key, archive.certificate, "+cf", own.certificate)
    with (
        templates.copied("sqlite", tmp_path / "home") as place,
        listening(place, before=LIMITED, **files) as listener,
    ):
        assert "(TLS)" in listener.said
        assert send(listener.port, tmp_path / "small").returncode != 0
        refused = send(listener.port, tmp_path / "large", "-v", *known)
        # dcmtk's words for 0xA700, PS3.4 Table B.2-1
        assert "Refused: OutOfResources" in refused.stdout + refused.stderr
        assert send(listener.port, tmp_path / "small", *known).returncode == 0
        ledger = place.open()
        try:
            assert voxels(kept_files(ledger)) == voxels([small[0].read_bytes()])
        finally:
            ledger.close()
