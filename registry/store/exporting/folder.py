"""A new folder of files: whole or not there, and for its owner's eyes alone."""

from __future__ import annotations

import os
import shutil
import tempfile
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator


def check_free(out: Path, home: Path) -> None:
    """Refuse a folder that holds anything, is none, or lies in the ledger's own."""
    if out.is_symlink() or (out.exists() and not out.is_dir()):
        raise BadInputError(Fault("is there and is no folder", str(out), "name a new folder"))
    if out.is_dir() and any(out.iterdir()):
        raise BadInputError(
            Fault("is there and is not empty", str(out), "name a new folder; nothing was written")
        )
    if out.resolve().is_relative_to(home.resolve()):
        raise BadInputError(
            Fault("lies in the ledger's own folder", str(out), "name a folder outside of it")
        )
    if not out.resolve().parent.is_dir():
        raise BadInputError(
            Fault("the folder above it is not there", str(out), "make that one first")
        )


@contextmanager
def staged(out: Path, files: Iterable[tuple[str, bytes]]) -> Iterator[Callable[[], None]]:
    """Write the files beside `out`; give what puts them in place. Not called, nothing stays.

    Files are taken and written one at a time.
    """
    beside = Path(tempfile.mkdtemp(prefix=".export-", dir=out.resolve().parent))
    try:
        for name, data in files:
            _write(beside / name, data)
        yield lambda: _put(beside, out)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def check_new_file(out: Path, home: Path) -> None:
    """Refuse a file that is there, that has no folder to lie in, or that lies in the ledger's."""
    if out.exists() or out.is_symlink():
        raise BadInputError(Fault("is there already", str(out), "name a new file"))
    if out.resolve().is_relative_to(home.resolve()):
        raise BadInputError(
            Fault("lies in the ledger's own folder", str(out), "name a file outside of it")
        )
    if not out.resolve().parent.is_dir():
        raise BadInputError(
            Fault("the folder above it is not there", str(out), "make that one first")
        )


@contextmanager
def staged_file(out: Path, data: bytes) -> Iterator[Callable[[], None]]:
    """Write one file beside `out`; give what puts it in place. Not called, nothing stays."""
    beside = Path(tempfile.mkdtemp(prefix=".export-", dir=out.resolve().parent))
    try:
        _write(beside / out.name, data)
        # A link takes no file's place that came to be there meanwhile.
        yield lambda: os.link(beside / out.name, out.resolve())
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def _write(path: Path, data: bytes) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "wb") as opened:
        opened.write(data)
        opened.flush()
        os.fsync(opened.fileno())


def _put(beside: Path, out: Path) -> None:
    if out.is_dir():
        out.rmdir()  # empty, or it is refused here
    beside.rename(out.resolve())
