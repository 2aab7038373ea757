"""The trail's heads that are kept beside the keys, away from the database.

`keys/heads` gains a sealed line with each backup, restore and move. A database that was put back
to an earlier state has a trail that is whole in itself; only what is kept elsewhere tells it.
"""

from __future__ import annotations

import hashlib
import hmac
import json
import os
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING

from sqlalchemy import text

from registry.store.verification import Wrong

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from sqlalchemy.orm import Session

_NAME = "heads"


@dataclass(frozen=True)
class KeptHead:
    """The trail's end at an instant.

    Attributes
    ----------
    at : instant, as the trail writes it
    what : "backup", "restore" or "move"
    length : events of the trail
    head : digest of the last
    """

    at: str
    what: str
    length: int
    head: str


def keep_head(folder: Path, key: bytes, kept: KeptHead) -> None:
    """Add a sealed line, on the disk when this returns."""
    line = json.dumps({**asdict(kept), "seal": _seal(key, kept)}, sort_keys=True) + "\n"
    descriptor = os.open(folder / _NAME, os.O_RDWR | os.O_CREAT | os.O_APPEND, 0o600)
    try:
        size = os.fstat(descriptor).st_size
        if size and os.pread(descriptor, 1, size - 1) != b"\n":
            # A line that was cut off by a crash stays by itself.
            line = "\n" + line
        os.write(descriptor, line.encode())
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def last_head(folder: Path, key: bytes, what: str) -> KeptHead | None:
    """Return the last head that was kept at a backup, a restore or a move; None without one."""
    kept = [found for line in _lines(folder) if (found := _read(line, key)) is not None]
    return next((head for head in reversed(kept) if head.what == what), None)


def check_heads(session: Session, folder: Path, key: bytes) -> Iterator[Wrong]:
    """Yield what does not fit the last head that was kept; nothing where none was."""
    last: KeptHead | None = None
    for number, line in enumerate(_lines(folder), 1):
        found = _read(line, key)
        if found is None:
            yield Wrong(f"keys/{_NAME} line {number}", "not as it was written")
        else:
            last = found
    if last is None or last.length == 0:
        return
    digest = session.execute(
        text("SELECT digest FROM event WHERE sequence = :last"), {"last": last.length}
    ).scalar()
    if digest is None:
        yield Wrong("trail", f"shorter than at the {last.what} of {last.at} ({last.length} events)")
    elif digest != last.head:
        yield Wrong("trail", f"another than at the {last.what} of {last.at}")


def _lines(folder: Path) -> list[bytes]:
    try:
        content = (folder / _NAME).read_bytes()
    except FileNotFoundError:
        return []
    # What stands behind the last line's end was never finished.
    return [line for line in content.split(b"\n")[:-1] if line.endswith(b"}")]


def _read(line: bytes, key: bytes) -> KeptHead | None:
    try:
        found = json.loads(line)
        seal = found.pop("seal")
        kept = KeptHead(**found)
        is_sealed = hmac.compare_digest(seal.encode(), _seal(key, kept).encode())
    except (ValueError, TypeError, KeyError, AttributeError):
        return None
    return kept if is_sealed else None


def _seal(key: bytes, kept: KeptHead) -> str:
    said = json.dumps(asdict(kept), sort_keys=True)
    return hmac.new(key, f"kept head|{said}".encode(), hashlib.sha256).hexdigest()
