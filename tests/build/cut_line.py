"""A line to a server that is cut after so many bytes have come back over it."""

from __future__ import annotations

import contextlib
import socket
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterator


@contextlib.contextmanager
def cut_line(port: int, after: int) -> Iterator[int]:
    """Give a port that leads to another of this machine, cut for good after `after` bytes back."""
    left = [after]
    with socket.create_server(("127.0.0.1", 0)) as server:
        thread = threading.Thread(target=_serve, args=(server, port, left), daemon=True)
        thread.start()
        yield server.getsockname()[1]
        # A close does not wake who waits for a connection; one does.
        left[0] = -1
        with contextlib.suppress(OSError):
            socket.create_connection(server.getsockname()).close()
        thread.join(10)


def _serve(server: socket.socket, port: int, left: list[int]) -> None:
    with contextlib.ExitStack() as open_ones:
        pumps = []
        while left[0] >= 0:
            near = open_ones.enter_context(server.accept()[0])
            if left[0] <= 0:
                near.shutdown(socket.SHUT_RDWR)
                continue
            far = open_ones.enter_context(socket.create_connection(("127.0.0.1", port)))
            for ends in ((near, far, None), (far, near, left)):
                pumps.append(threading.Thread(target=_pump, args=ends, daemon=True))
                pumps[-1].start()
        for pump in pumps:
            pump.join(10)


def _pump(source: socket.socket, target: socket.socket, left: list[int] | None) -> None:
    with contextlib.suppress(OSError):
        while block := source.recv(4096):
            if left is not None:
                block = block[: max(left[0], 0)]
                left[0] = max(left[0] - len(block), 0)
            target.sendall(block)
            if left is not None and not left[0]:
                break
    for end in (source, target):
        with contextlib.suppress(OSError):
            end.shutdown(socket.SHUT_RDWR)
