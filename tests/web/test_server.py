"""The real server as a process: it serves, and leaves in order when it is told to stop."""

from __future__ import annotations

import signal
import socket
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from http.client import HTTPConnection
from pathlib import Path
from typing import TYPE_CHECKING

import pytest

from registry.web.app import LARGEST_REQUEST_BYTES

if TYPE_CHECKING:
    from collections.abc import Iterator

    from registry.store.home import Ledger

REQUESTS = 20  # more than there are threads, so that some wait for one when the signal comes
LENGTH = 3_000_000

PROGRAM = """
import sys, time
from pathlib import Path
from datetime import UTC, datetime
from registry.store.home import open_ledger
from registry.web.app import create_app
from registry.web.guard import open_to_all
from registry.web.server import serve

ledger = open_ledger(Path(sys.argv[1]), {})
app = create_app(ledger, clock=lambda: datetime.now(UTC))

@open_to_all
def slow():
    sys.stdout.write("begun\\n")
    sys.stdout.flush()
    time.sleep(0.5)
    return "x" * int(sys.argv[2])

app.add_url_rule("/slow", "slow", slow)
serve(app, "127.0.0.1", 0, on_listening=lambda address: print(address, flush=True))
print("left", flush=True)
"""


@pytest.fixture
def server(ledger: Ledger) -> Iterator[tuple[subprocess.Popen[str], int]]:
    process = subprocess.Popen(
        [sys.executable, "-c", PROGRAM, str(ledger.home), str(LENGTH)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stdout is not None
    address = process.stdout.readline().strip()
    try:
        yield process, int(address.rstrip("/").rpartition(":")[2])
    finally:
        process.kill()
        process.communicate()


def got(port: int, path: str) -> tuple[int, int]:
    connection = HTTPConnection("127.0.0.1", port, timeout=30)
    try:
        connection.request("GET", path)
        answer = connection.getresponse()
        return answer.status, len(answer.read())
    finally:
        connection.close()


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_requests_in_flight_are_finished_when_the_server_is_told_to_stop(
    server: tuple[subprocess.Popen[str], int], number: signal.Signals
):
    process, port = server
    assert process.stdout is not None
    with ThreadPoolExecutor(REQUESTS) as pool:
        waiting = [pool.submit(got, port, "/slow") for _ in range(REQUESTS)]
        begun = [process.stdout.readline().strip() for _ in range(REQUESTS // 2)]
        process.send_signal(number)
        answers = [each.result() for each in waiting]
    assert begun == ["begun"] * (REQUESTS // 2)
    assert answers == [(200, LENGTH)] * REQUESTS
    said, logged = process.communicate(timeout=30)
    assert process.returncode == 0
    assert said.splitlines()[-1] == "left"
    assert "Traceback" not in logged
    with pytest.raises(ConnectionRefusedError):
        got(port, "/health.json")


def test_the_server_names_neither_itself_nor_its_version(
    server: tuple[subprocess.Popen[str], int],
):
    _, port = server
    connection = HTTPConnection("127.0.0.1", port, timeout=30)
    connection.request("GET", "/health.json")
    answer = connection.getresponse()
    assert answer.read() == b'{"answers":true}\n'
    assert answer.getheader("Server") is None
    connection.close()


def sending(port: int, length: int, sent: int) -> socket.socket:
    """Return a connection on which so much of a body of that length has been sent."""
    connection = socket.create_connection(("127.0.0.1", port), timeout=30)
    head = f"POST /sign-in HTTP/1.1\r\nHost: 127.0.0.1\r\nContent-Length: {length}\r\n\r\n"
    connection.sendall(head.encode() + b"a" * sent)
    return connection


def test_no_body_that_comes_in_lies_on_the_disk(server: tuple[subprocess.Popen[str], int]):
    process, port = server
    with sending(port, LARGEST_REQUEST_BYTES, LARGEST_REQUEST_BYTES - 1) as connection:
        got(port, "/health.json")  # answered by the loop that has read the body's bytes before
        opened = [str(each.readlink()) for each in Path(f"/proc/{process.pid}/fd").iterdir()]
        connection.sendall(b"a")
        assert connection.recv(12).startswith(b"HTTP/1.1 4")
    assert any(name.endswith("ledger.sqlite") for name in opened)
    # A temporary file has lost its name, or never had one.
    assert [name for name in opened if name.endswith("(deleted)")] == []


def test_a_body_beyond_what_is_taken_is_refused_before_it_is_sent(
    server: tuple[subprocess.Popen[str], int],
):
    with sending(server[1], LARGEST_REQUEST_BYTES + 1, 0) as connection:
        assert connection.recv(12) == b"HTTP/1.1 413"


def test_a_port_that_is_taken_is_told_in_one_line(
    server: tuple[subprocess.Popen[str], int], made_home: Path
):
    _, port = server
    program = "import sys; from registry.cli.main import main; sys.exit(main())"
    refused = subprocess.run(
        [sys.executable, "-c", program, "serve", "--home", str(made_home), "--port", str(port)],
        capture_output=True,
        text=True,
        check=False,
    )
    assert refused.returncode == 2
    assert refused.stdout == ""
    assert len(refused.stderr.splitlines()) == 1
    assert f"cannot listen on 127.0.0.1 port {port}" in refused.stderr
