"""CT files and zips damaged at random, by number: the same number gives the same bytes."""

from __future__ import annotations

import io
import random
import zipfile
from dataclasses import dataclass
from functools import cache
from typing import TYPE_CHECKING

from pydicom.uid import DeflatedExplicitVRLittleEndian, ExplicitVRLittleEndian

from tests.imaging.multi_frame_files import enhanced, packed, whole
from tests.imaging.written_files import COMPRESSED, UNCOMPRESSED, encoded, slices

if TYPE_CHECKING:
    from collections.abc import Callable
    from pathlib import Path

    from pydicom.dataset import FileDataset

COUNT = 10
PATIENT = "INV-0001"
_FRAMES, _ZIPS, _DAMAGED_ZIPS, _ODD = 0.2, 0.25, 0.6, 0.25
"""Shares: of multi-frame images, of zips, of those that are damaged themselves, of odd values."""
_ODD_VALUES: dict[str, tuple[object, ...]] = {
    "Rows": (0, 1, 4096, 65535),
    "Columns": (0, 1, 4096, 65535),
    "NumberOfFrames": ("0", "2", "2147483647", "-1"),
    "SamplesPerPixel": (0, 3, 65535),
    "BitsAllocated": (0, 1, 8, 32, 64, 65535),
    "BitsStored": (0, 1, 12, 17, 65535),
    "HighBit": (0, 65535),
    "PixelRepresentation": (0, 1, 7),
    "PlanarConfiguration": (1, 9),
    "RescaleSlope": ("0", "-1", "1E300", "1E-300", "9999999999999999"),
    "RescaleIntercept": ("1E300", "-1E300"),
    "PixelPaddingValue": (0, -1024, -32768),
    "SliceThickness": ("0", "-3", "1E300"),
    "PixelSpacing": (["0", "0"], ["1E300", "1"], ["-1", "1"], ["1E-300", "1E-300"]),
    "ImagePositionPatient": (["1E300", "0", "0"], ["0", "0", "-1E300"], ["0", "0", "0"]),
    "ImageOrientationPatient": (["0"] * 6, ["1", "0", "0", "1", "0", "0"], ["1E300"] * 6),
    "AcquisitionDate": ("00000000", "99999999", "20260230"),
    "ImageType": ("", ["ORIGINAL"] * 200),
    "PhotometricInterpretation": ("MONOCHROME1", "RGB", "PALETTE COLOR", ""),
    "SOPInstanceUID": ("", "1", "1" * 64),
    "InstanceNumber": ("-2147483648", "2147483647"),
}
_LENGTHS = (b"\xff\xff\xff\xff", b"\xff\xff\xff\x7f", b"\0\0\0\0", b"\xff\xff", b"\xfe\xff\0\xe0")


@dataclass(frozen=True)
class Damage:
    """What was done, in words for whoever repeats it, and where the files lie."""

    words: str
    path: Path


@cache
def _sound(syntax: str) -> tuple[bytes, ...]:
    """Return the files of a sound series."""
    return tuple(encoded(each, syntax) for each in _slices())


@cache
def _sound_frames(syntax: str | None) -> tuple[bytes]:
    """Return the one file of a sound multi-frame image, its frames compressed or as they are."""
    image = enhanced(_slices())
    return (whole(image) if syntax is None else packed(image, _slices(), syntax),)


def _slices() -> list[FileDataset]:
    return slices(COUNT, PatientID=PATIENT)


def damaged(number: int, folder: Path) -> Damage:
    """Write the series of a number, one to three of its files damaged, loose or as a zip."""
    draw = random.Random(f"damaged {number}")  # noqa: S311 - damage, not secrets
    if draw.random() < _FRAMES:
        syntax = draw.choice([None, *COMPRESSED])
        files, words = list(_sound_frames(syntax)), ["multi-frame", str(syntax)]
    else:
        syntax = draw.choice([*UNCOMPRESSED, *COMPRESSED])
        files, words = list(_sound(syntax)), [syntax.name]
    for _ in range(draw.randint(1, 3)):
        at = draw.choice((0, len(files) - 1, draw.randrange(len(files))))
        files[at], done = _one(draw, files[at])
        words.append(f"file {at}: {done}")
    if draw.random() < _ZIPS:
        return Damage("; ".join(words), _zipped(draw, files, folder, words))
    folder.mkdir()
    for at, content in enumerate(files):
        (folder / f"{at}.dcm").write_bytes(content)
    return Damage("; ".join(words), folder)


def _one(draw: random.Random, content: bytes) -> tuple[bytes, str]:
    if draw.random() < _ODD:
        return _odd_value(draw)
    change = draw.choice(_CHANGES)
    return change(draw, content), change.__name__.strip("_")


def _odd_value(draw: random.Random) -> tuple[bytes, str]:
    """Return a well-formed file that holds what no scanner writes."""
    dataset = _slices()[draw.randrange(COUNT)]
    keyword = draw.choice(sorted(_ODD_VALUES))
    value = draw.choice(_ODD_VALUES[keyword])
    setattr(dataset, keyword, value)
    syntax = draw.choice((ExplicitVRLittleEndian, DeflatedExplicitVRLittleEndian))
    return encoded(dataset, syntax), f"{keyword} = {value}"


def _flipped(draw: random.Random, content: bytes) -> bytes:
    changed = bytearray(content)
    end = draw.choice((len(changed), min(len(changed), 1500)))
    for _ in range(draw.randint(1, 20)):
        changed[draw.randrange(end)] ^= 1 << draw.randrange(8)
    return bytes(changed)


def _cut(draw: random.Random, content: bytes) -> bytes:
    return content[: draw.randrange(len(content))]


def _lengthened(draw: random.Random, content: bytes) -> bytes:
    return content + draw.randbytes(draw.randint(1, 3000))


def _with_a_hole(draw: random.Random, content: bytes) -> bytes:
    start = draw.randrange(len(content))
    return content[:start] + content[start + draw.randint(1, 600) :]


def _repeated(draw: random.Random, content: bytes) -> bytes:
    start = draw.randrange(len(content))
    return content[: start + draw.randint(1, 600)] + content[start:]


def _with_other_lengths(draw: random.Random, content: bytes) -> bytes:
    changed = bytearray(content)
    for _ in range(draw.randint(1, 3)):
        value = draw.choice(_LENGTHS)
        at = draw.randrange(132, max(133, len(changed) - len(value)))
        changed[at : at + len(value)] = value
    return bytes(changed)


def _of_another_form(draw: random.Random, content: bytes) -> bytes:
    """Give it the transfer syntax of another file: what is inside is not what is announced."""
    announced = str(draw.choice([*UNCOMPRESSED, *COMPRESSED])).encode()
    start = content.find(b"1.2.840.10008.1.2", 132)
    end = start
    while content[end : end + 1] in b"0123456789." and end < len(content):
        end += 1
    return content[:start] + announced[: end - start].ljust(end - start, b"\0") + content[end:]


def _of_two_halves(draw: random.Random, content: bytes) -> bytes:
    other = draw.choice(_sound(draw.choice([*UNCOMPRESSED, *COMPRESSED])))
    return content[: draw.randrange(len(content))] + other[draw.randrange(len(other)) :]


def _noise(draw: random.Random, content: bytes) -> bytes:
    return content[:132] + draw.randbytes(draw.randint(0, 4000))


_CHANGES: tuple[Callable[[random.Random, bytes], bytes], ...] = (
    _flipped,
    _flipped,
    _cut,
    _lengthened,
    _with_a_hole,
    _repeated,
    _with_other_lengths,
    _with_other_lengths,
    _of_another_form,
    _of_two_halves,
    _noise,
)


def _zipped(draw: random.Random, files: list[bytes], folder: Path, words: list[str]) -> Path:
    folder.mkdir()
    made = io.BytesIO()
    packing = draw.choice((zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_LZMA))
    with zipfile.ZipFile(made, "w", packing) as archive:
        for at, content in enumerate(files):
            up = draw.choice(("", "../" * 5, "/", "a/" * 40))
            archive.writestr(f"{up}{at}.dcm", content)
    content = made.getvalue()
    if draw.random() < _DAMAGED_ZIPS:
        change = draw.choice(_CHANGES)
        content = change(draw, content)
        words.append(f"its zip: {change.__name__.strip('_')}")
    path = folder / "files.zip"
    path.write_bytes(content)
    return path
