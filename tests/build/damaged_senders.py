"""Senders that speak damaged protocol data units to a receiver, and what has to hold afterwards."""

from __future__ import annotations

import contextlib
import io
import socket
import threading
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

from pydicom import dcmread

from registry.domain.network import Sender
from registry.imaging.receiver import ReceiverOrder, receiving
from tests.build.mutated_pdus import damaged, recorded
from tests.build.network import SENDER, TITLE, send
from tests.imaging.written_files import slices, write

ORDER = ReceiverOrder(TITLE, (Sender(SENDER, "127.0.0.1"),), "127.0.0.1", 0)


def say(port, content):
    """Send bytes whatever comes back, and go."""
    with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port)) as speaker:
        speaker.settimeout(2)
        speaker.sendall(content)
        speaker.shutdown(socket.SHUT_WR)
        while speaker.recv(65536):
            pass


def until_all_have_gone(before):
    until = time.monotonic() + 30
    while time.monotonic() < until and threading.active_count() > before:
        time.sleep(0.02)
    return threading.active_count()


def open_handles():
    return len(list(Path("/proc/self/fd").iterdir()))


def outlives(folder, seeds):
    """Let damaged senders speak; nothing of theirs stays, and the next sound one is heard."""
    write(slices(2), folder / "ct")
    taken, said = [], []
    with receiving(ORDER, lambda each: taken.append(each.content.read()), said.append) as port:
        stream = recorded(port, lambda through: send(through, folder / "ct"))
        assert len(taken) == 2
        before, handles = threading.active_count(), open_handles()
        with ThreadPoolExecutor(2) as speakers:
            for _ in speakers.map(lambda seed: say(port, damaged(stream, seed)), seeds):
                pass
        assert until_all_have_gone(before) <= before
        assert open_handles() <= handles + 2
        count = len(taken)
        assert send(port, folder / "ct").returncode == 0
        assert len(taken) == count + 2
    for content in taken:
        kept = dcmread(io.BytesIO(content))
        assert kept.SOPInstanceUID == kept.file_meta.MediaStorageSOPInstanceUID
        assert kept.StudyInstanceUID
    assert "INV-0001" not in "".join(said)
    assert "1.2.826" not in "".join(said)
