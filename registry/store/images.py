"""The image store: voxels written once under the digest of their bytes, read by memory map.

A file is a magic word, one block of JSON (shape, voxel type, affine, attributes, padded with
spaces) and the voxels in little-endian order [k, j, i]. Its name is the SHA-256 of all of it, so
the digest covers geometry and attributes too. Voxels are written with plain writes, not through
a map: on a full disk a map kills the process where a write raises.
"""

from __future__ import annotations

import fcntl
import hashlib
import json
import os
import re
import secrets
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from registry.domain.problems import FailureError, NotFoundError
from registry.store.private_files import open_held

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator
    from pathlib import Path

    from numpy.typing import NDArray

_MAGIC = b"ledger voxels 1\n"
_VOXELS_AT = 16384
_CHUNK = 4 * 1024 * 1024
_TYPES = {"int16": "<i2", "int32": "<i4"}
_DIGEST = re.compile(r"[0-9a-f]{64}")
_SEALED, _PART = ".voxels", ".part"


@dataclass(frozen=True)
class Image:
    """One scan's voxels, read-only and read from the disk only where they are touched.

    Attributes
    ----------
    voxels : Hounsfield units, [k, j, i]
    affine : 4 x 4, voxel index (i, j, k, 1) to patient coordinates, mm (LPS), voxel centres
    attributes : the few that are kept; they name nobody
    """

    digest: str
    voxels: NDArray[Any] = field(repr=False)
    affine: NDArray[np.float64]
    attributes: dict[str, Any]


class ImageWriter:
    """Takes one image slice by slice; nothing is visible before `seal`."""

    def __init__(self, store: ImageStore, path: Path, descriptor: int) -> None:
        self._store = store
        self._path = path
        self._descriptor = descriptor
        self._shape = (0, 0, 0)
        self._type = np.dtype("<i2")
        self._written: set[int] = set()

    def begin(self, shape: tuple[int, int, int], dtype: str) -> None:
        """Make room for slices x rows x columns; what was written before is forgotten."""
        if dtype not in _TYPES or min(shape) < 1:
            raise ValueError(f"no image of shape {shape} and type {dtype}")
        self._shape, self._type, self._written = shape, np.dtype(_TYPES[dtype]), set()
        with _disk_words():
            os.ftruncate(self._descriptor, 0)
            # Asks for the whole room now, so that a full disk is told before the work.
            os.posix_fallocate(self._descriptor, 0, _VOXELS_AT + self._plane_bytes * shape[0])

    @property
    def _plane_bytes(self) -> int:
        return self._shape[1] * self._shape[2] * self._type.itemsize

    def write(self, index: int, plane: NDArray[Any]) -> None:
        """Write slice `index`, rows x columns."""
        if plane.shape != self._shape[1:] or not 0 <= index < self._shape[0]:
            raise ValueError(f"slice {index} of shape {plane.shape} is none of {self._shape}")
        voxels = plane.astype(self._type, order="C", casting="same_kind", copy=False)
        content = voxels.data.cast("B")
        with _disk_words():
            _write_at(self._descriptor, content, _VOXELS_AT + index * self._plane_bytes)
        self._written.add(index)

    def seal(self, affine: NDArray[np.float64], attributes: dict[str, Any]) -> str:
        """Put the image in its place for good and return its digest."""
        if self._shape[0] == 0 or len(self._written) != self._shape[0]:
            raise ValueError(f"{len(self._written)} of {self._shape[0]} slices were written")
        with _disk_words():
            _write_at(self._descriptor, _header(self._shape, self._type, affine, attributes), 0)
            digest = _digest_of(self._path)
            os.fchmod(self._descriptor, 0o400)
            os.fsync(self._descriptor)
            self._store.place(self._path, digest)
        return digest

    def write_as_is(self, blocks: Iterable[bytes], digest: str) -> None:
        """Put bytes in the place of an image of that name."""
        with _disk_words():
            offset = 0
            for block in blocks:
                _write_at(self._descriptor, block, offset)
                offset += len(block)
            os.fchmod(self._descriptor, 0o400)
            os.fsync(self._descriptor)
            self._store.place(self._path, digest)


class ImageStore:
    """The folder that holds a ledger's images."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    @property
    def folder(self) -> Path:
        """The folder itself, for a process that opens it anew."""
        return self._folder

    @contextmanager
    def writer(self) -> Iterator[ImageWriter]:
        """Give a writer; whatever was not sealed when the block ends is gone."""
        with _disk_words():
            self._folder.mkdir(mode=0o700, parents=True, exist_ok=True)
            path = self._folder / f"{secrets.token_hex(8)}{_PART}"
            descriptor = open_held(path)
        try:
            yield ImageWriter(self, path, descriptor)
        finally:
            os.close(descriptor)
            path.unlink(missing_ok=True)

    def place(self, part: Path, digest: str) -> None:
        """Give a finished file its name in one step; sound bytes already there are left alone."""
        final = self._path(digest)
        if not (final.exists() and self.check(digest) is None):
            part.replace(final)
        self._sync()

    def open(self, digest: str) -> Image:
        """Return the image; its bytes are trusted, `check` works the digest out again."""
        path = self._path(digest)
        if not path.is_file():
            raise NotFoundError(f"no image {digest} in the image store")
        try:
            with path.open("rb") as file:
                header = _read_header(file.read(_VOXELS_AT))
            shape = tuple(header["shape"])
            voxels = np.memmap(path, header["dtype"], mode="r", offset=_VOXELS_AT, shape=shape)
            affine = np.array(header["affine"], dtype=np.float64)
        except (OSError, ValueError, KeyError, TypeError) as error:
            raise FailureError(
                f"image {digest} is damaged and cannot be opened; restore it from a backup"
            ) from error
        return Image(digest, voxels, affine, header["attributes"])

    def blocks(self, digest: str) -> Iterator[bytes]:
        """Yield an image's bytes as they are on the disk; FileNotFoundError where it is gone."""
        with self._path(digest).open("rb") as file:
            while block := file.read(_CHUNK):
                yield block

    def put_back(self, digest: str, blocks: Iterable[bytes]) -> None:
        """Write an image's bytes as a backup holds them; whether they are sound, `check` says."""
        with self.writer() as writer:
            writer.write_as_is(blocks, digest)

    def check(self, digest: str) -> str | None:
        """Return what is wrong with an image, in words, or None when its bytes are sound."""
        path = self._path(digest)
        try:
            found = _digest_of(path)
        except FileNotFoundError:
            return f"image {digest} is missing"
        except OSError as error:
            return f"image {digest} cannot be read ({error.strerror})"
        return None if found == digest else f"image {digest} is not what was written"

    def digests(self) -> list[str]:
        """Return the digest of every image in the store, sorted."""
        names = (path.name.removesuffix(_SEALED) for path in self._folder.glob(f"*{_SEALED}"))
        return sorted(name for name in names if _DIGEST.fullmatch(name))

    def remove(self, digest: str) -> None:
        """Delete an image, as when a patient is withdrawn; nothing happens if it is gone."""
        with _disk_words():
            self._path(digest).unlink(missing_ok=True)
            if self._folder.is_dir():
                self._sync()

    def sweep(self) -> list[str]:
        """Delete what writers that died left behind and return its names."""
        swept = []
        for path in sorted(self._folder.glob(f"*{_PART}")):
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

    def _sync(self) -> None:
        descriptor = os.open(self._folder, os.O_RDONLY | os.O_DIRECTORY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)

    def _path(self, digest: str) -> Path:
        if not _DIGEST.fullmatch(digest):
            raise NotFoundError("no such image in the image store")
        return self._folder / f"{digest}{_SEALED}"


@contextmanager
def _disk_words() -> Iterator[None]:
    try:
        yield
    except OSError as error:
        raise FailureError(
            f"the image store cannot be written ({error.strerror or error}); nothing was kept"
        ) from error


def _write_at(descriptor: int, content: bytes | memoryview, offset: int) -> None:
    view = memoryview(content)
    while view:
        count = os.pwrite(descriptor, view, offset)
        view, offset = view[count:], offset + count


def _header(
    shape: tuple[int, int, int],
    dtype: np.dtype[Any],
    affine: NDArray[np.float64],
    attributes: dict[str, Any],
) -> bytes:
    document = {
        "affine": np.asarray(affine, dtype=np.float64).reshape(4, 4).tolist(),
        "attributes": attributes,
        "dtype": dtype.str,
        "shape": list(shape),
    }
    text = json.dumps(document, sort_keys=True, separators=(",", ":"), allow_nan=False)
    header = _MAGIC + text.encode("ascii")
    if len(header) > _VOXELS_AT:
        raise ValueError("the attributes do not fit into the image's header")
    return header.ljust(_VOXELS_AT)


def _read_header(block: bytes) -> dict[str, Any]:
    if not block.startswith(_MAGIC):
        raise ValueError("no image header")
    document: dict[str, Any] = json.loads(block[len(_MAGIC) :])
    return document


def _digest_of(path: Path) -> str:
    digest = hashlib.sha256()
    with path.open("rb") as file:
        while chunk := file.read(_CHUNK):
            digest.update(chunk)
    return digest.hexdigest()
