"""The receiver against dcmtk's storescu and pynetdicom's own sender: who may send, and what."""

from __future__ import annotations

import errno
import io
import os
import socket
import ssl
import struct
import time
from contextlib import contextmanager, suppress

import pytest
from pydicom import dcmread
from pydicom.uid import (
    CTImageStorage,
    DeflatedExplicitVRLittleEndian,
    EnhancedCTImageStorage,
    ExplicitVRLittleEndian,
)
from pynetdicom import AE
from pynetdicom.dimse_primitives import C_STORE

from registry.domain.network import Sender
from registry.domain.problems import BadInputError, FailureError
from registry.imaging import receiver
from registry.imaging.dicom_tls import Credentials, server_context
from registry.imaging.receiver import ReceiverOrder, receiving
from tests.build.network import SENDER, TITLE, a_pair, send
from tests.imaging.written_files import COMPRESSED, UNCOMPRESSED, a_slice, slices, write

HERE = Sender(SENDER, "127.0.0.1")
SENT = [each for each in UNCOMPRESSED if each != DeflatedExplicitVRLittleEndian] + COMPRESSED


class Taken(list):
    """Keeps what was received, and what was said of the rest."""

    def __init__(self):
        super().__init__()
        self.said = []

    def take(self, received):
        self.append((received.study_uid, received.content.read()))


@contextmanager
def open_receiver(*senders, taken=None, tls=None, title=TITLE):
    kept = Taken() if taken is None else taken
    order = ReceiverOrder(title, senders or (HERE,), "127.0.0.1", 0, tls)
    with receiving(order, kept.take, kept.said.append) as port:
        yield port, kept


def data_set(content: bytes) -> bytes:
    """Return what follows the file meta, whose length stands in its first element."""
    assert content[128:132] == b"DICM"
    (length,) = struct.unpack("<L", content[140:144])
    return content[144 + length :]


@contextmanager
def association(port, *, caller=SENDER, classes=(CTImageStorage,), syntaxes=None, **how):
    entity = AE(caller)
    entity.acse_timeout = entity.dimse_timeout = entity.network_timeout = 10
    for each in classes:
        entity.add_requested_context(each, syntaxes or [ExplicitVRLittleEndian])
    made = entity.associate("127.0.0.1", port, ae_title=TITLE, **how)
    raw = made.dul.socket and made.dul.socket.socket
    yield made
    if made.is_established:
        made.release()
    if raw is not None:
        # It leaves its own open where the other side has cut it.
        raw.close()


def store(made, content, *, sop_class=CTImageStorage, instance="1.2.3"):
    """Send bytes as a data set, whatever they are; return the status."""
    request = C_STORE()
    request.MessageID, request.Priority = 1, 0
    request.AffectedSOPClassUID, request.AffectedSOPInstanceUID = sop_class, instance
    request.DataSet = io.BytesIO(content)
    (context,) = (each for each in made.accepted_contexts if each.abstract_syntax == sop_class)
    # As its own send_c_store does: its other thread must not take the answer.
    made._reactor_checkpoint.clear()
    while not made._is_paused:
        time.sleep(0.001)
    try:
        made.dimse.send_msg(request, context.context_id)
        _, answer = made.dimse.get_msg(block=True)
    finally:
        made._reactor_checkpoint.set()
    return None if answer is None else answer.Status


@pytest.mark.parametrize("syntax", SENT, ids=lambda syntax: syntax.keyword)
def test_what_was_sent_is_what_is_kept_byte_for_byte(tmp_path, syntax):
    (path,) = write([a_slice()], tmp_path, syntax)
    sent = data_set(path.read_bytes())
    with open_receiver() as (port, taken), association(port, syntaxes=[syntax]) as made:
        uid = dcmread(path).SOPInstanceUID
        assert store(made, sent, instance=uid) == 0x0000
    ((study, content),) = taken
    assert data_set(content) == sent
    kept = dcmread(io.BytesIO(content))
    assert (study, kept.file_meta.TransferSyntaxUID) == (dcmread(path).StudyInstanceUID, syntax)
    # Who sent it stands nowhere: PS3.10 Table 7.1-1 has a place for it (0002,0016).
    assert "SourceApplicationEntityTitle" not in kept.file_meta


def test_deflated_data_sets_are_not_taken():
    with (
        open_receiver() as (port, taken),
        association(port, syntaxes=[DeflatedExplicitVRLittleEndian]) as made,
    ):
        assert not made.accepted_contexts
    assert not taken


def test_a_study_from_storescu_comes_whole(tmp_path):
    paths = write(slices(6), tmp_path / "ct")
    with open_receiver() as (port, taken):
        assert send(port, tmp_path / "ct").returncode == 0
    assert sorted(data_set(content) for _, content in taken) == sorted(
        data_set(path.read_bytes()) for path in paths
    )


@pytest.mark.parametrize(
    ("senders", "names", "said"),
    [
        ((HERE,), {"caller": "OTHER"}, "wrong titles"),
        ((HERE,), {"called": "OTHER"}, "wrong titles"),
        ((Sender(SENDER, "127.0.0.2"),), {}, "not in receiver_peers"),
        ((Sender(SENDER, "127.0.0.2"), Sender("SECOND", "127.0.0.1")), {}, "wrong titles"),
    ],
    ids=["calling title", "called title", "address", "title of another address"],
)
def test_who_is_not_listed_stores_nothing(tmp_path, senders, names, said):
    write(slices(2), tmp_path / "ct")
    with open_receiver(*senders) as (port, taken):
        assert send(port, tmp_path / "ct", **names).returncode != 0
    assert not taken
    assert [said in line for line in taken.said] == [True]


def another_instance(content):
    return content.replace(
        b"1.2.826.0.1.3680043.10.9999.1.1.1", b"1.2.826.0.1.3680043.10.9999.1.1.7"
    )


@pytest.mark.parametrize(
    ("sop_class", "change", "status"),
    [
        (CTImageStorage, bytes, 0x0000),
        (EnhancedCTImageStorage, bytes, 0xA900),
        (CTImageStorage, another_instance, 0xC000),
        (CTImageStorage, lambda _: b"\xff" * 300, 0xA900),
        (CTImageStorage, lambda content: content[:90], 0xC000),
    ],
    ids=["as said", "class", "instance", "garbage", "cut off"],
)
def test_an_instance_that_is_not_what_was_said_is_answered_by_the_standards_status(
    tmp_path, sop_class, change, status
):
    # PS3.4 Table B.2-1
    (path,) = write([a_slice()], tmp_path)
    uid = dcmread(path).SOPInstanceUID
    content = change(data_set(path.read_bytes()))
    with (
        open_receiver() as (port, taken),
        association(port, classes=[CTImageStorage, EnhancedCTImageStorage]) as made,
    ):
        assert store(made, content, sop_class=sop_class, instance=uid) == status
    assert len(taken) == (status == 0)


@pytest.mark.parametrize(
    "problem",
    [
        OSError(errno.ENOSPC, os.strerror(errno.ENOSPC)),
        FailureError("there is no place"),
        ZeroDivisionError("P-123"),
    ],
    ids=["disk", "told", "unforeseen"],
)
def test_what_cannot_be_kept_is_never_answered_as_stored(tmp_path, problem):
    class Full(Taken):
        def take(self, _received):
            raise problem

    (path,) = write([a_slice()], tmp_path)
    uid = dcmread(path).SOPInstanceUID
    with open_receiver(taken=Full()) as (port, taken), association(port) as made:
        assert store(made, data_set(path.read_bytes()), instance=uid) == 0xA700
    assert "P-123" not in "".join(taken.said)


def test_a_header_that_claims_two_gigabytes_is_not_waited_for(tmp_path):
    (path,) = write([a_slice()], tmp_path / "ct")
    with open_receiver() as (port, taken):
        for _ in range(receiver.ASSOCIATIONS):
            # Nor does one that only looks whether somebody is there hold a place.
            socket.create_connection(("127.0.0.1", port)).close()
        with socket.create_connection(("127.0.0.1", port)) as greedy:
            greedy.sendall(struct.pack(">BBL", 0x01, 0, 2**31))
            greedy.settimeout(10)
            sent = 0
            with suppress(OSError):
                while sent < 2**31:
                    sent += greedy.send(bytes(2**20))
            # What the two systems' buffers hold is sent before the end is noticed.
            assert sent < 64 * 2**20
        assert send(port, path.parent).returncode == 0
    assert len(taken) == 1


def test_an_instance_that_never_ends_is_cut_off(tmp_path, monkeypatch):
    monkeypatch.setattr(receiver, "INSTANCE_BYTES", 20_000)
    (path,) = write([a_slice()], tmp_path / "ct")
    with open_receiver() as (port, taken):
        with association(port) as made:
            assert store(made, bytes(40_000)) is None
        assert not taken
        # Images are counted one by one: many small ones may be more than one may have.
        with association(port) as made:
            content = data_set(path.read_bytes())
            uid = dcmread(path).SOPInstanceUID
            assert {store(made, content, instance=uid) for _ in range(20)} == {0x0000}
    assert len(taken) * len(content) > 20_000


def test_more_associations_than_there_is_memory_for_are_put_off():
    with open_receiver() as (port, _):
        made = [AE(SENDER) for _ in range(receiver.ASSOCIATIONS + 1)]
        for each in made:
            each.add_requested_context(CTImageStorage)
        found = [each.associate("127.0.0.1", port, ae_title=TITLE) for each in made]
        assert [each.is_established for each in found] == [True] * receiver.ASSOCIATIONS + [False]
        # PS3.8 Table 9-21: transient, by the presentation service, local limit exceeded.
        assert found[-1].is_rejected
        for each in found[:-1]:
            each.release()


@pytest.fixture(scope="module")
def pairs(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pairs")
    return [a_pair(folder, name) for name in ("ledger", "archive", "stranger")]


@pytest.fixture
def tls(pairs):
    own, archive, _ = pairs
    return server_context(Credentials(own.certificate, own.key, archive.certificate))


def with_certificate(pairs, which):
    own = pairs[0]
    return "+tls", pairs[which].key, pairs[which].certificate, "+cf", own.certificate


@pytest.mark.parametrize(
    ("how", "comes_in"),
    [
        (lambda pairs: with_certificate(pairs, 1), True),
        (lambda pairs: with_certificate(pairs, 2), False),
        (lambda pairs: ("+tla", "+cf", pairs[0].certificate), False),
        (lambda _pairs: (), False),
    ],
    ids=["its certificate", "a stranger's certificate", "no certificate", "plain TCP"],
)
def test_under_tls_only_a_known_certificate_comes_in(tmp_path, pairs, tls, how, comes_in):
    write(slices(2), tmp_path / "ct")
    with open_receiver(tls=tls) as (port, taken):
        status = send(port, tmp_path / "ct", *how(pairs)).returncode
    assert (status == 0, len(taken)) == (comes_in, 2 if comes_in else 0)
    assert comes_in == (not taken.said)


def test_who_never_shakes_hands_keeps_nobody_waiting(tmp_path, pairs, tls):
    write(slices(1), tmp_path / "ct")
    with open_receiver(tls=tls) as (port, taken), socket.create_connection(("127.0.0.1", port)):
        assert send(port, tmp_path / "ct", *with_certificate(pairs, 1)).returncode == 0
    assert len(taken) == 1


def test_files_that_do_not_belong_together_are_named(pairs, tmp_path):
    own, archive, _ = pairs
    with pytest.raises(BadInputError, match="dicom_certificate, dicom_key"):
        server_context(Credentials(own.certificate, archive.key, archive.certificate))
    with pytest.raises(BadInputError, match="dicom_authority"):
        server_context(Credentials(own.certificate, own.key, tmp_path / "none"))


def test_tls_before_1_2_is_not_spoken(tls):
    # ASVS 5.0.0-12.1.1
    assert tls.minimum_version == ssl.TLSVersion.TLSv1_2
    assert tls.verify_mode == ssl.CERT_REQUIRED


def test_a_port_that_is_taken_is_told():
    with open_receiver() as (port, _):
        order = ReceiverOrder(TITLE, (HERE,), "127.0.0.1", port)
        with pytest.raises(BadInputError, match=f"port {port}"), receiving(order, print):
            pass
