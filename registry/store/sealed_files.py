"""Files written once under the digest of their bytes, and never changed: images, pictures, seals.

Each kind has its own ending, so that several kinds may lie in one folder.
"""

from __future__ import annotations

import fcntl
import hashlib
import os
import re
import secrets
from contextlib import contextmanager
from typing import TYPE_CHECKING, ClassVar

from registry.domain.problems import FailureError, NotFoundError
from registry.store.private_files import open_held

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

_CHUNK = 4 * 1024 * 1024
_DIGEST = re.compile(r"[0-9a-f]{64}")
_PART = ".part"


class SealedFiles:
    """The files of one kind in a folder."""

    ending: ClassVar[str]
    kind: ClassVar[str]

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    @contextmanager
    def part(self) -> Iterator[tuple[Path, int]]:
        """Give a file to be written; whatever was not put in its place at the end is gone."""
        with disk_words():
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            path = self._folder / f"{secrets.token_hex(8)}{_PART}"
            descriptor = open_held(path)
        try:
            yield path, descriptor
        finally:
            os.close(descriptor)
            path.unlink(missing_ok=True)

    def put_in_place(self, part: Path, descriptor: int, digest: str) -> None:
        """Give a whole file its name in one step; sound bytes already there are left alone."""
        with disk_words():
            os.fchmod(descriptor, 0o400)
            os.fsync(descriptor)
            final = self.path_of(digest)
            if not (final.exists() and self.check(digest) is None):
                part.replace(final)
            self._sync()

    def blocks(self, digest: str) -> Iterator[bytes]:
        """Yield a file's bytes as they are on the disk; FileNotFoundError where it is gone."""
        with self.path_of(digest).open("rb") as file:
            while block := file.read(_CHUNK):
                yield block

    def put_back(self, digest: str, blocks: Iterable[bytes]) -> None:
        """Write a file's bytes as a backup holds them; whether they are sound, `check` says."""
        with self.part() as (path, descriptor):
            with disk_words():
                offset = 0
                for block in blocks:
                    write_at(descriptor, block, offset)
                    offset += len(block)
            self.put_in_place(path, descriptor, digest)

    def check(self, digest: str) -> str | None:
        """Return what is wrong with a file, in words, or None when its bytes are sound."""
        path = self.path_of(digest)
        try:
            found = digest_of_file(path)
        except FileNotFoundError:
            return f"{self.kind} {digest} is missing"
        except OSError as error:
            return f"{self.kind} {digest} cannot be read ({error.strerror})"
        return None if found == digest else f"{self.kind} {digest} is not what was written"

    def digests(self) -> list[str]:
        """Return the digest of every file of this kind, sorted."""
        names = (path.name.removesuffix(self.ending) for path in self._listed(self.ending))
        return sorted(name for name in names if _DIGEST.fullmatch(name))

    def remove(self, digest: str) -> None:
        """Delete a file, as when a patient is withdrawn; nothing happens if it is gone."""
        with disk_words():
            self.path_of(digest).unlink(missing_ok=True)
            if self._folder.is_dir():
                self._sync()

    def sweep(self) -> list[str]:
        """Delete what writers that died left behind and return its names."""
        swept = []
        for path in sorted(self._listed(_PART)):
            try:
                descriptor = os.open(path, os.O_RDONLY)
            except FileNotFoundError:
                continue
            try:
                fcntl.flock(descriptor, fcntl.LOCK_EX | fcntl.LOCK_NB)
            except BlockingIOError:
                continue
            else:
                path.unlink(missing_ok=True)
                swept.append(path.name)
            finally:
                os.close(descriptor)
        return swept

    def path_of(self, digest: str) -> Path:
        """Return where a file of that digest lies; NotFoundError for what is no digest."""
        if not _DIGEST.fullmatch(digest):
            raise NotFoundError(f"no such {self.kind} in the image store")
        return self._folder / f"{digest}{self.ending}"

    def _listed(self, ending: str) -> Iterator[Path]:
        return self._folder.glob(f"*{ending}")

    def _sync(self) -> None:
        descriptor = os.open(self._folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)


class WholeFiles(SealedFiles):
    """Files of one kind that are short enough to be held in memory."""

    @staticmethod
    def digest_of(content: bytes) -> str:
        """Return the name under which a file is kept."""
        return hashlib.sha256(content).hexdigest()

    def keep(self, content: bytes) -> str:
        """Put a file in its place for good and return its digest."""
        digest = self.digest_of(content)
        with self.part() as (path, descriptor):
            with disk_words():
                write_at(descriptor, content, 0)
            self.put_in_place(path, descriptor, digest)
        return digest

    def content(self, digest: str) -> bytes:
        """Return a file's bytes, held against their digest.

        Raises
        ------
        NotFoundError : there is none
        FailureError : it is not what was written
        """
        try:
            found = b"".join(self.blocks(digest))
        except FileNotFoundError:
            raise NotFoundError(f"no {self.kind} {digest} in the image store") from None
        if self.digest_of(found) != digest:
            raise FailureError(f"{self.kind} {digest} is damaged; restore it from a backup")
        return found


@contextmanager
def disk_words() -> Iterator[None]:
    """Turn what the disk says into one line."""
    try:
        yield
    except OSError as error:
        raise FailureError(
            f"the image store cannot be written ({error.strerror or error}); nothing was kept"
        ) from error


def write_at(descriptor: int, content: bytes | memoryview, offset: int) -> None:
    """Write all of it at a place of the file."""
    view = memoryview(content)
    while view:
        count = os.pwrite(descriptor, view, offset)
        view, offset = view[count:], offset + count


def digest_of_file(path: Path) -> str:
    """Return the SHA-256 of a file's bytes."""
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()
