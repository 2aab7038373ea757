"""`fetch-ct` where the archive fails: told in one line, nothing half-kept, nothing secret said."""

from __future__ import annotations

import gc
import gzip
import ssl
import threading
from contextlib import contextmanager
from http.server import BaseHTTPRequestHandler, HTTPServer

import pytest
from pydicom.dataset import Dataset
from pynetdicom import AE, evt, sop_class

from registry.actions.accounts import acting
from registry.actions.arrivals import arrivals
from tests.build.cut_line import cut_line
from tests.build.network import a_pair
from tests.build.orthanc import free_port, orthanc
from tests.build.places import Place
from tests.imaging.written_files import slices, write

PORT = free_port()
SECRET = "a-token-nobody-should-read"


@pytest.fixture(scope="module")
def archive(tmp_path_factory):
    folder = tmp_path_factory.mktemp("archive")
    targets = {"PEDICLE_LEDGER": ("127.0.0.1", PORT)}
    with orthanc(folder / "orthanc", targets, DicomCheckCalledAet=True) as running:
        for path in write(slices(40), folder / "ct"):
            running.store(path.read_bytes())
        yield running


@pytest.fixture(scope="module")
def home(templates, tmp_path_factory):
    with templates.copied("sqlite", tmp_path_factory.mktemp("fetch") / "home") as found:
        yield found


def fetch(place, *words, **settings):
    names = {f"PEDICLE_LEDGER_{name.upper()}": str(value) for name, value in settings.items()}
    there = Place(place.home, {**place.environment, **names})
    return there.command("fetch-ct", "--patient", "INV-0001", *words)


def in_one_line(answer, said, status=1):
    assert answer.status == status, answer
    assert said in answer.err, answer
    assert len(answer.err.splitlines()) == 1
    for word in ("INV-0001", "Traceback", SECRET, "1.2.826"):
        assert word not in answer.err
        assert word not in answer.out


def nothing_kept(place):
    ledger = place.open()
    try:
        left = arrivals(ledger, acting(ledger, None))
        assert {str(each.state) for each in left} <= {"cancelled"}
    finally:
        ledger.close()
    assert list((place.home / "incoming").rglob("*.spooled")) == []


@pytest.mark.parametrize("way", ["web", "move", "get"])
def test_an_archive_that_is_not_there(home, way):
    nowhere = free_port()
    where = ("--url", f"http://127.0.0.1:{nowhere}", "--peer", f"ORTHANC@127.0.0.1:{nowhere}")
    in_one_line(fetch(home, "--by", way, "--port", PORT, *where), "the archive is not there")


def test_an_archive_that_refuses_the_titles(home, archive):
    where = ("--by", "get", "--peer", f"OTHER@127.0.0.1:{archive.dicom_port}")
    in_one_line(fetch(home, *where), "receiver_title and archive_peer")


def test_an_archive_that_does_not_know_where_to_send(home, archive):
    where = ("--by", "move", "--port", PORT, "--peer", f"ORTHANC@127.0.0.1:{archive.dicom_port}")
    in_one_line(fetch(home, *where, receiver_title="UNKNOWN"), "the archive")
    nothing_kept(home)


def test_a_port_that_listen_has_already(home, archive):
    import socket  # noqa: PLC0415 - here alone

    with socket.create_server(("127.0.0.1", 0)) as taken:
        where = ("--by", "move", "--peer", f"ORTHANC@127.0.0.1:{archive.dicom_port}")
        answer = fetch(home, *where, "--port", taken.getsockname()[1])
    in_one_line(answer, "cannot listen on", status=2)
    nothing_kept(home)


@pytest.mark.parametrize("way", ["web", "get"])
@pytest.mark.parametrize("after", [8_000, 60_000])
def test_a_line_that_is_cut_half_way(home, archive, way, after):
    port = archive.http_port if way == "web" else archive.dicom_port
    with cut_line(port, after) as line:
        where = (
            "--url",
            f"http://127.0.0.1:{line}/dicom-web",
            "--peer",
            f"ORTHANC@127.0.0.1:{line}",
        )
        answer = fetch(home, "--by", way, *where)
    in_one_line(answer, "nothing was kept")
    nothing_kept(home)


@pytest.mark.parametrize("way", ["web", "move", "get"])
def test_a_study_for_which_there_is_no_place(home, archive, way):
    where = ("--url", archive.dicomweb, "--peer", f"ORTHANC@127.0.0.1:{archive.dicom_port}")
    with_large = write(slices(1, study=9, PatientID="INV-0009", values=large()), home.home / "..")
    archive.store(with_large[0].read_bytes())
    answer = fetch(
        home, "--by", way, "--port", PORT, *where, "--patient", "INV-0009", largest_arrival_mb=1
    )
    in_one_line(answer, "more came in than one arrival may hold", status=2 if way == "web" else 1)
    nothing_kept(home)


@contextmanager
def another_archive(answer, sent=None):
    """Run a DICOM node that finds `answer` and sends `sent`, whatever it is asked for."""
    entity, port = AE("ORTHANC"), free_port()
    for each in (
        *(
            "StudyRootQueryRetrieveInformationModelFind",
            "StudyRootQueryRetrieveInformationModelMove",
        ),
        "StudyRootQueryRetrieveInformationModelGet",
    ):
        entity.add_supported_context(getattr(sop_class, each))
    entity.add_supported_context(sop_class.CTImageStorage, scu_role=True, scp_role=True)
    entity.add_requested_context(sop_class.CTImageStorage)

    def find(_event):
        yield 0xFF00, answer

    def move(_event):
        yield "127.0.0.1", PORT
        yield 1
        yield 0xFF00, sent

    def get(_event):
        yield 1
        yield 0xFF00, sent

    handlers = [(evt.EVT_C_FIND, find), (evt.EVT_C_MOVE, move), (evt.EVT_C_GET, get)]
    server = entity.start_server(("127.0.0.1", port), block=False, evt_handlers=handlers)
    try:
        yield ("--peer", f"ORTHANC@127.0.0.1:{port}", "--port", PORT)
    finally:
        server.shutdown()


def an_answer():
    found = Dataset()
    found.PatientID, found.StudyInstanceUID, found.SeriesInstanceUID = "INV-0001", "1.2.3", "1.2.4"
    found.Modality, found.StudyDate, found.NumberOfSeriesRelatedInstances = "CT", "20260302", 1
    return found


@pytest.mark.parametrize("way", ["move", "get"])
def test_an_archive_that_sends_another_study_than_was_asked_for(home, way):
    with another_archive(an_answer(), slices(1)[0]) as where:
        answer = fetch(home, "--by", way, *where)
    words = "could not send all of it" if way == "move" else "another study is being fetched"
    in_one_line(answer, words)
    nothing_kept(home)


def large():
    import numpy as np  # noqa: PLC0415 - here alone

    return np.zeros((800, 800), np.int16)


class _Service(BaseHTTPRequestHandler):
    """Answers every question alike; keeps what it was asked with."""

    answer = (200, {}, b"[]")

    def do_GET(self):
        self.server.asked.append((self.path, self.headers.get("Authorization")))
        status, headers, content = self.server.answer
        self.send_response(status)
        for name, value in headers.items():
            self.send_header(name, value)
        self.send_header("Content-Length", str(len(content)))
        self.end_headers()
        self.wfile.write(content)

    def log_message(self, *_):
        pass


@contextmanager
def a_service(status=200, headers=None, content=b"[]", context=None):
    with HTTPServer(("127.0.0.1", 0), _Service) as server:
        server.answer, server.asked = (status, headers or {}, content), []
        if context is not None:
            server.socket = context.wrap_socket(server.socket, server_side=True)
        thread = threading.Thread(target=server.serve_forever, args=(0.05,))
        thread.start()
        try:
            scheme = "http" if context is None else "https"
            server.url = f"{scheme}://127.0.0.1:{server.server_address[1]}/web"
            yield server
        finally:
            server.shutdown()
            thread.join()


PACKED = gzip.compress(bytes(2**20))


@pytest.mark.parametrize(
    ("status", "headers", "content", "said"),
    [
        (401, {}, b"", "the archive refuses this ledger (status 401); see archive_login"),
        (404, {}, b"", "knows no such study"),
        (500, {}, b"INV-0001", "answered with status 500"),
        (200, {}, b"<html>INV-0001</html>", "not DICOMweb"),
        (200, {}, b'[{"0020000D": 3}]', "not DICOMweb"),
        (200, {}, b'[{"0020000D": {"vr": "UI", "Value": {"1": "2"}}}]', "not DICOMweb"),
        (200, {}, b"[" * 200_000, "not DICOMweb"),
        (302, {"Location": "http://127.0.0.1:9/"}, b"", "sends on to another address"),
        (200, {"Content-Encoding": "gzip"}, PACKED, "packs its answers"),
    ],
    ids=[
        "no login",
        "not found",
        "broken",
        "a page",
        "no list",
        "odd list",
        "deep",
        "redirect",
        "packed",
    ],
)
def test_a_service_that_answers_otherwise(home, status, headers, content, said):
    with a_service(status, headers, content) as service:
        in_one_line(fetch(home, "--url", service.url), said)
        assert len(service.asked) == 1


@pytest.mark.parametrize(
    ("content", "header"),
    [
        ("ledger:pass word", "Basic bGVkZ2VyOnBhc3Mgd29yZA=="),
        (f"Bearer {SECRET}", f"Bearer {SECRET}"),
    ],
    ids=["name and password", "token"],
)
def test_a_login_comes_out_of_its_file(home, tmp_path, content, header):
    # RFC 7617 section 2: the user's name, a colon, the password, in Base64
    (tmp_path / "login").write_text(content + "\n")
    with a_service() as service:
        answer = fetch(home, "--url", service.url, "--list", archive_login=tmp_path / "login")
        said = "the archive has no CT of it in these days\n"
        assert (answer.status, answer.out, answer.err) == (0, said, "")
        assert [authorization for _, authorization in service.asked] == [header]


def test_only_a_service_whose_certificate_is_known_is_asked(home, tmp_path):
    own, archive, stranger = (a_pair(tmp_path, name) for name in ("own", "archive", "stranger"))
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(archive.certificate, archive.key)
    context.load_verify_locations(own.certificate)
    context.verify_mode = ssl.CERT_REQUIRED
    files = {"dicom_certificate": own.certificate, "dicom_key": own.key}
    with a_service(context=context) as service:
        known = fetch(
            home, "--url", service.url, "--list", **files, dicom_authority=archive.certificate
        )
        assert (known.status, known.err) == (0, "")
        other = fetch(home, "--url", service.url, **files, dicom_authority=stranger.certificate)
        in_one_line(other, "certificate is not trusted")
        in_one_line(fetch(home, "--url", service.url), "certificate is not trusted")
        assert len(service.asked) == 1


# pynetdicom leaves the socket of a handshake that failed to the collector.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.filterwarnings("ignore:unclosed:ResourceWarning")
def test_a_dicom_archive_is_spoken_to_under_tls(home, tmp_path):
    own, archive, stranger = (a_pair(tmp_path, name) for name in ("own", "archive", "stranger"))
    port = free_port()
    demands = {
        "DicomTlsEnabled": True,
        "DicomTlsCertificate": str(archive.certificate),
        "DicomTlsPrivateKey": str(archive.key),
        "DicomTlsTrustedCertificates": str(own.certificate),
        "DicomTlsRemoteCertificateRequired": True,
    }
    with orthanc(
        tmp_path / "orthanc", {"PEDICLE_LEDGER": ("127.0.0.1", port)}, **demands
    ) as secure:
        (path,) = write(slices(1), tmp_path / "ct")
        secure.store(path.read_bytes())
        where = ("--by", "get", "--peer", f"ORTHANC@127.0.0.1:{secure.dicom_port}", "--list")
        files = {"dicom_certificate": own.certificate, "dicom_key": own.key}
        found = fetch(home, *where, **files, dicom_authority=archive.certificate)
        assert (found.status, found.err) == (0, "")
        assert "1: CT of 2026-03-01" in found.out
        others = {"dicom_certificate": stranger.certificate, "dicom_key": stranger.key}
        for settings in ({}, {**others, "dicom_authority": archive.certificate}):
            in_one_line(fetch(home, *where, **settings), "may want TLS")
        unknown = fetch(home, *where, **files, dicom_authority=stranger.certificate)
        in_one_line(unknown, "another certificate")
        gc.collect()
