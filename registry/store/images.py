"""The image store: voxels written once under the digest of their bytes, read by memory map.

A file is a magic word, one block of JSON (shape, voxel type, affine, attributes, padded with
spaces) and the voxels in little-endian order [k, j, i]. Its name is the SHA-256 of all of it, so
the digest covers geometry and attributes too. Voxels are written with plain writes, not through
a map: on a full disk a map kills the process where a write raises.
"""

from __future__ import annotations

import json
import os
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from registry.domain.problems import FailureError, NotFoundError
from registry.store.sealed_files import SealedFiles, digest_of_file, disk_words, write_at

if TYPE_CHECKING:
    from collections.abc import Iterator
    from pathlib import Path

    from numpy.typing import NDArray

_MAGIC = b"ledger voxels 1\n"
_VOXELS_AT = 16384
_TYPES = {"int16": "<i2", "int32": "<i4"}


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
        with disk_words():
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
        with disk_words():
            write_at(self._descriptor, content, _VOXELS_AT + index * self._plane_bytes)
        self._written.add(index)

    def seal(self, affine: NDArray[np.float64], attributes: dict[str, Any]) -> str:
        """Put the image in its place for good and return its digest."""
        if self._shape[0] == 0 or len(self._written) != self._shape[0]:
            raise ValueError(f"{len(self._written)} of {self._shape[0]} slices were written")
        with disk_words():
            write_at(self._descriptor, _header(self._shape, self._type, affine, attributes), 0)
            digest = digest_of_file(self._path)
        self._store.put_in_place(self._path, self._descriptor, digest)
        return digest


class ImageStore(SealedFiles):
    """The images in a ledger's folder of images."""

    ending = ".voxels"
    kind = "image"

    @property
    def folder(self) -> Path:
        """The folder itself, for a process that opens it anew."""
        return self._folder

    @contextmanager
    def writer(self) -> Iterator[ImageWriter]:
        """Give a writer; whatever was not sealed when the block ends is gone."""
        with self.part() as (path, descriptor):
            yield ImageWriter(self, path, descriptor)

    def open(self, digest: str) -> Image:
        """Return the image; its bytes are trusted, `check` works the digest out again."""
        path = self.path_of(digest)
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
