"""Files for their owner alone that appear whole or not at all, and the folders they are made in."""

from __future__ import annotations

import fcntl
import os
import secrets
import shutil
import sqlite3
from contextlib import closing, contextmanager, suppress
from typing import TYPE_CHECKING

from registry.domain.problems import BadInputError, ConflictError, FailureError, Fault

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path
    from typing import BinaryIO

_PART = ".pedicle-ledger-*.part"
_DATABASE = "patients.sqlite"


@contextmanager
def new_file(target: Path) -> Iterator[BinaryIO]:
    """Give a file that takes its name when the block ends well, and never that of another."""
    refuse_existing(target)
    folder = target.absolute().parent
    with in_words(target):
        _sweep(folder)
        part = folder / _PART.replace("*", secrets.token_hex(8))
        descriptor = open_held(part)
        try:
            with os.fdopen(descriptor, "wb") as file:
                yield file
                file.flush()
                os.fsync(file.fileno())
                _name(part, target)
            sync_folder(folder)
        finally:
            part.unlink(missing_ok=True)


def refuse_existing(target: Path) -> None:
    """Raise where something has that name already, or there is no folder for it."""
    if target.exists() or target.is_symlink():
        raise ConflictError(
            Fault(f"{target} is there already", mend="nothing was changed; give a new name")
        )
    if not target.absolute().parent.is_dir():
        raise BadInputError(
            Fault(f"there is no folder {target.parent}", str(target), "make it first")
        )


def _name(part: Path, target: Path) -> None:
    try:
        os.link(part, target)
    except FileExistsError:
        refuse_existing(target)
    except OSError:  # a disk that knows no links
        refuse_existing(target)
        part.rename(target)


def open_held(part: Path) -> int:
    """Make a file to be written and return its descriptor, locked until it is closed.

    The lock tells a sweep, in whatever process, that somebody is still writing. A sweep may come
    between making and locking; then the file is made again.
    """
    while True:
        descriptor = os.open(part, os.O_RDWR | os.O_CREAT | os.O_EXCL, 0o600)
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        if os.fstat(descriptor).st_nlink:
            return descriptor
        os.close(descriptor)


def _sweep(folder: Path) -> None:
    """Delete what writers that were killed left behind."""
    for path in folder.glob(_PART):
        with suppress(OSError), path.open("rb") as file:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            path.unlink()


@contextmanager
def in_words(where: Path) -> Iterator[None]:
    """Turn the system's refusals into a line."""
    try:
        yield
    except OSError as error:
        raise FailureError(
            f"{where} cannot be written ({error.strerror or error}); nothing was kept"
        ) from error


def sync_folder(folder: Path) -> None:
    """Have the names in a folder on the disk."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


@contextmanager
def working_folder(path: Path) -> Iterator[Path]:
    """Give an empty folder for its owner alone, gone when the block ends; a dead one's is cleared.

    ConflictError where somebody works in it now.
    """
    with in_words(path):
        path.mkdir(mode=0o700, exist_ok=True)
        lock = os.open(path, os.O_RDONLY | os.O_DIRECTORY)
    try:
        try:
            fcntl.flock(lock, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            raise ConflictError(
                Fault(f"somebody is at work in {path}", mend="wait until it is done")
            ) from None
        _empty(path)
        try:
            yield path
        finally:
            shutil.rmtree(path, ignore_errors=True)
    finally:
        os.close(lock)


def _empty(folder: Path) -> None:
    for path in folder.iterdir():
        if path.is_dir() and not path.is_symlink():
            shutil.rmtree(path)
        else:
            path.unlink()


def copy_keys(source: Path, target: Path) -> None:
    """Copy a folder of keys, whole or not at all; what it holds beside them is left."""
    refuse_existing(target)
    with in_words(target), working_folder(target.with_name("keys.part")) as part:
        for path in sorted(source.iterdir()):
            is_key = path.suffix == ".key" or path.name == "heads"
            if is_key and path.is_file():
                _copy(path, part / path.name)
        if (source / _DATABASE).exists():
            _copy_database(source / _DATABASE, part / _DATABASE)
        part.rename(target)
        sync_folder(target.parent)


def _copy(source: Path, target: Path) -> None:
    with os.fdopen(os.open(target, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600), "wb") as file:
        file.write(source.read_bytes())
        file.flush()
        os.fsync(file.fileno())


def _copy_database(source: Path, target: Path) -> None:
    # By SQLite itself: somebody may be adding a patient's key.
    try:
        with closing(sqlite3.connect(source)) as there, closing(sqlite3.connect(target)) as copy:
            there.backup(copy)
        target.chmod(0o600)
    except sqlite3.Error as error:
        raise FailureError(f"the keys of patients in {source} cannot be read: {error}") from error
