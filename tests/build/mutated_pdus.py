"""What a sender says, recorded, and the same damaged in seeded ways."""

from __future__ import annotations

import contextlib
import random
import socket
import struct
import threading
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable

_LONG = (0, 1, 0x7FFF, 0xFFFF, 0x10000, 0x7FFFFFFF, 0xFFFFFFFF)


def recorded(port: int, speak: Callable[[int], None]) -> bytes:
    """Return every byte that `speak` sends when it is given a port that leads to `port`."""
    said = bytearray()
    with socket.create_server(("127.0.0.1", 0)) as server:

        def carry() -> None:
            near, _ = server.accept()
            with near, socket.create_connection(("127.0.0.1", port)) as far:
                back = threading.Thread(target=_copy, args=(far, near, None))
                back.start()
                _copy(near, far, said)
                back.join()

        thread = threading.Thread(target=carry)
        thread.start()
        speak(server.getsockname()[1])
        thread.join()
    return bytes(said)


def _copy(source: socket.socket, target: socket.socket, kept: bytearray | None) -> None:
    with contextlib.suppress(OSError):
        while block := source.recv(65536):
            if kept is not None:
                kept += block
            target.sendall(block)
    with contextlib.suppress(OSError):
        target.shutdown(socket.SHUT_WR)


def pdus(stream: bytes) -> list[bytes]:
    """Return the protocol data units of a stream (PS3.8 section 9.3.1: type, reserved, length)."""
    found, at = [], 0
    while at < len(stream):
        (length,) = struct.unpack(">L", stream[at + 2 : at + 6])
        found.append(stream[at : at + 6 + length])
        at += 6 + length
    return found


def damaged(stream: bytes, seed: int) -> bytes:
    """Return the stream with one to four things wrong with it, the same for the same seed."""
    rng = random.Random(seed)  # noqa: S311 - drawn again from its seed
    units = pdus(stream)
    for _ in range(rng.randint(1, 4)):
        at = rng.randrange(len(units))
        units[at : at + 1] = rng.choice(_WAYS)(units[at], rng)
    return b"".join(units)


def _flip(unit: bytes, rng: random.Random) -> list[bytes]:
    changed = bytearray(unit)
    for _ in range(rng.randint(1, 8)):
        if changed:
            changed[rng.randrange(len(changed))] = rng.randrange(256)
    return [bytes(changed)]


def _other_length(unit: bytes, rng: random.Random) -> list[bytes]:
    return [unit[:2] + struct.pack(">L", rng.choice(_LONG)) + unit[6:]]


def _length_inside(unit: bytes, rng: random.Random) -> list[bytes]:
    at = rng.randrange(6, max(len(unit) - 4, 7))
    return [unit[:at] + struct.pack(rng.choice("<>") + "L", rng.choice(_LONG)) + unit[at + 4 :]]


def _cut(unit: bytes, rng: random.Random) -> list[bytes]:
    return [unit[: rng.randrange(len(unit) + 1)]]


def _other_kind(unit: bytes, rng: random.Random) -> list[bytes]:
    return [bytes([rng.randrange(10)]) + unit[1:]]


def _twice(unit: bytes, _rng: random.Random) -> list[bytes]:
    return [unit, unit]


def _gone(_unit: bytes, _rng: random.Random) -> list[bytes]:
    return [b""]


_WAYS = (_flip, _flip, _other_length, _length_inside, _cut, _other_kind, _twice, _gone)
