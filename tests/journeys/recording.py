"""A proxy between browser and server that keeps every answer, byte for byte."""

from __future__ import annotations

import http.client
import threading
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING
from urllib.parse import urlsplit

if TYPE_CHECKING:
    from collections.abc import Iterator

_NOT_PASSED_ON = {"proxy-connection", "connection", "keep-alive", "transfer-encoding"}


@dataclass(frozen=True)
class Answer:
    """One answer of the server.

    Attributes
    ----------
    url : what was asked for
    status : of the answer
    kind : its content type
    text : its headers and its whole body; bytes that are no text stand as Latin-1
    """

    url: str
    status: int
    kind: str
    text: str


class Recorder(ThreadingHTTPServer):
    """Passes requests on and keeps the answers."""

    daemon_threads = False
    block_on_close = True

    def __init__(self) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.answers: list[Answer] = []

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.server_address[1]}"


class _Handler(BaseHTTPRequestHandler):
    server: Recorder

    def log_message(self, *_: object) -> None:
        """Say nothing: the answers are kept."""

    def do_GET(self) -> None:
        place = urlsplit(self.path)
        sent = self.rfile.read(int(self.headers.get("Content-Length", 0)))
        headers = {k: v for k, v in self.headers.items() if k.lower() not in _NOT_PASSED_ON}
        assert place.hostname == "127.0.0.1", f"a page asks {place.hostname}"
        onward = http.client.HTTPConnection(place.netloc, timeout=60)
        try:
            path = place.path + (f"?{place.query}" if place.query else "")
            onward.request(self.command, path, sent or None, headers | {"Connection": "close"})
            answer = onward.getresponse()
            body = answer.read()
        finally:
            onward.close()
        passed = [(k, v) for k, v in answer.getheaders() if k.lower() not in _NOT_PASSED_ON]
        self.server.answers.append(_answer(self.path, answer, passed, body))
        # A page drops a question when it asks a newer one or is left: nobody listens any more.
        with suppress(BrokenPipeError, ConnectionResetError):
            self.send_response_only(answer.status, answer.reason)
            for name, value in passed:
                self.send_header(name, value)
            self.send_header("Connection", "close")
            self.end_headers()
            self.wfile.write(body)

    do_POST = do_GET  # noqa: N815 - as above, a name that http.server calls


def _answer(
    url: str, answer: http.client.HTTPResponse, headers: list[tuple[str, str]], body: bytes
) -> Answer:
    try:
        text = body.decode()
    except UnicodeDecodeError:
        text = body.decode("latin-1")
    head = "\n".join(f"{name}: {value}" for name, value in headers)
    return Answer(url, answer.status, answer.getheader("Content-Type", ""), f"{head}\n\n{text}")


@contextmanager
def recording() -> Iterator[Recorder]:
    """Give a proxy that listens until the end."""
    with Recorder() as recorder:
        turning = threading.Thread(target=recorder.serve_forever, args=(0.05,))
        turning.start()
        try:
            yield recorder
        finally:
            recorder.shutdown()
            turning.join()
