"""Sealed files for tests, and every way of changing one byte."""

from __future__ import annotations

import random
from typing import TYPE_CHECKING

from registry.store.sealing.checking import sealed
from registry.store.sealing.container import FIRST_LINE

if TYPE_CHECKING:
    from collections.abc import Iterator

KEY = bytes(range(32))
SAID = {"quarter": "2026Q3", "unit": "Spinal unit", "sealed_at": "2026-11-28T10:00:00Z"}
FILES = {
    "2026Q3.json": b'{"rate": "0.0812"}\n',
    "2026Q3.empty.csv": b"",
    "2026Q3.pdf": random.Random(1).randbytes(3000),  # noqa: S311 - any bytes will do
}


def a_sealed_file() -> bytes:
    return sealed(KEY, SAID, FILES)


def changed_bytes(data: bytes, count: int, seed: int) -> Iterator[tuple[int, bytes]]:
    """Give copies of which one byte is another, with its place; each part has its share.

    The first fifth falls into the first line, the length, the manifest and the signature.
    """
    drawn = random.Random(seed)  # noqa: S311 - a test's own draw
    head = data.index(FILES["2026Q3.json"]) if FILES["2026Q3.json"] in data else len(data)
    for number in range(count):
        limit = (len(FIRST_LINE) + 11, head, len(data))[min(number % 5, 2)]
        at = drawn.randrange(limit)
        other = (data[at] + drawn.randrange(1, 256)) % 256
        yield at, data[:at] + bytes([other]) + data[at + 1 :]
