"""Files that came in and wait to be read: `HOME/incoming`, encrypted, a folder an arrival.

Names and numbers are our own. Each arrival has a key of its own beside the patients' keys; with the
key destroyed nothing of it can be read again, whatever the disk still holds. In no backup.
"""

from __future__ import annotations

import fcntl
import os
import re
import secrets
import shutil
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, BinaryIO

from registry.domain.problems import BadInputError, Fault, NoRoomError
from registry.store.private_files import open_held, sync_folder
from registry.store.spooled_file import CHUNK, open_spooled, write_spooled

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from registry.store.keys import Keys

_TOKEN = re.compile(r"[0-9a-f]{32}")
_SEALED, _PART = ".spooled", ".part"


def new_token() -> str:
    """Return a name for an arrival's folder and key that nobody can guess."""
    return secrets.token_hex(16)


@dataclass(frozen=True)
class SpooledFile:
    """One file as it waits.

    Attributes
    ----------
    number : in the order in which files were counted, from 1
    """

    number: int
    _path: Path = field(repr=False)
    _key: bytes = field(repr=False)

    def open(self) -> BinaryIO:
        """Return a seekable stream of its bytes, for the caller to close."""
        return open_spooled(self._path, self._key)


@dataclass(frozen=True)
class TakenFile:
    """A file that is whole and on the disk, and not yet counted.

    Attributes
    ----------
    size : bytes, as they came in
    """

    size: int
    _part: Path = field(repr=False)

    def place(self, number: int) -> None:
        """Give it its number for good."""
        with disk_words():
            self._part.rename(self._part.with_name(f"{number:08}{_SEALED}"))
            sync_folder(self._part.parent)

    def take_back(self, number: int) -> None:
        """Take it out again after `place`: it was not counted after all."""
        with suppress(OSError):
            self._part.with_name(f"{number:08}{_SEALED}").unlink()


class Spool:
    """The folder of all arrivals.

    What would leave fewer than `keep_free` bytes of its disk is not taken: the database, which
    mostly lies on the same one, goes on whatever is sent.
    """

    def __init__(self, folder: Path, keys: Keys, keep_free: int = 0) -> None:
        self._folder = folder
        self._keys = keys
        self._keep_free = keep_free

    @contextmanager
    def taking(self, token: str, blocks: Iterable[bytes]) -> Iterator[TakenFile]:
        """Write a file to the disk and give it; whatever has no number when the block ends is gone.

        FailureError where the disk is full; nothing of the file stays.
        """
        folder, key = self.room_of(token)
        part = folder / f"{secrets.token_hex(8)}{_PART}"
        with disk_words():
            descriptor = open_held(part)
        file = os.fdopen(descriptor, "wb")
        try:
            size = _written(file, key, self.within_room(blocks))
            yield TakenFile(size, part)
        finally:
            # What a full disk left unwritten was told already, and closing would tell it again.
            with suppress(OSError):
                file.close()
            part.unlink(missing_ok=True)

    def within_room(self, blocks: Iterable[bytes]) -> Iterator[bytes]:
        """Yield the blocks as long as the disk has room for them; else NoRoomError."""
        for block in blocks:
            with disk_words():
                free = shutil.disk_usage(self._folder).free
            if self._keep_free and free - len(block) < self._keep_free:
                raise NoRoomError(
                    "the disk is nearly full, and nothing of this file was kept; make room there "
                    "(`keep_free_mb`)"
                )
            yield block

    def room_of(self, token: str) -> tuple[Path, bytes]:
        """Return an arrival's folder and key, both made where there were none."""
        key = self._keys.make_arrival_key(token)
        with disk_words():
            self._make_folder(token)
        return self._path(token), key

    def files(self, token: str) -> list[SpooledFile]:
        """Return the files of an arrival in the order of their numbers; none where it is gone."""
        key = self._keys.arrival_keys().get(token)
        if key is None:
            return []
        paths = sorted(self._path(token).glob(f"*{_SEALED}"))
        return [SpooledFile(int(path.stem), path, key) for path in paths]

    def destroy(self, token: str) -> None:
        """Destroy an arrival's key, then its files; nothing happens if they are gone."""
        self._keys.destroy_arrival_key(token)
        shutil.rmtree(self._path(token), ignore_errors=True)

    def tokens(self) -> set[str]:
        """Return the arrivals that have a folder or a key."""
        there = {path.name for path in self._folder.glob("*") if _TOKEN.fullmatch(path.name)}
        return there | self._keys.arrival_keys().keys()

    def sweep_parts(self) -> None:
        """Delete what writers that died left."""
        for path in self._folder.glob(f"*/*{_PART}"):
            with suppress(OSError), path.open("rb") as file:
                fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
                path.unlink()

    def _make_folder(self, token: str) -> None:
        self._folder.mkdir(mode=0o700, exist_ok=True)
        path = self._path(token)
        if not path.is_dir():
            path.mkdir(mode=0o700, exist_ok=True)
            sync_folder(self._folder)

    def _path(self, token: str) -> Path:
        if not _TOKEN.fullmatch(token):
            raise ValueError("not the name of an arrival")
        return self._folder / token


def in_blocks(stream: BinaryIO, expected: int | None, room: int) -> Iterator[bytes]:
    """Yield a stream's bytes; BadInputError where it ends early, is too long or breaks off.

    Parameters
    ----------
    expected : its length where it is known
    room : bytes that it may have at most
    """
    size = 0
    while block := _block(stream):
        size += len(block)
        if size > room:
            raise BadInputError(
                Fault("more came in than one arrival may hold", mend="see `largest_arrival_mb`")
            )
        if expected is not None and size > expected:
            break
        yield block
    if expected is not None and size != expected:
        raise BadInputError(
            Fault("the file did not come in whole; nothing of it was kept", mend="send it again")
        )


def _block(stream: BinaryIO) -> bytes:
    try:
        return stream.read(CHUNK)
    except OSError as error:
        raise BadInputError(
            Fault("the file broke off on its way in; nothing of it was kept", mend="send it again")
        ) from error


def _written(file: BinaryIO, key: bytes, blocks: Iterable[bytes]) -> int:
    with disk_words():
        size = write_spooled(file, key, blocks)
        file.flush()
        os.fsync(file.fileno())
    return size


@contextmanager
def disk_words() -> Iterator[None]:
    """Turn what the disk refuses into a FailureError in words."""
    try:
        yield
    except OSError as error:
        raise NoRoomError(
            f"there is no place for what comes in ({error.strerror or error}); nothing of this "
            "file was kept"
        ) from error
