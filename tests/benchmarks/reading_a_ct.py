"""Intake of a CT of 512 x 512 x 600 against SimpleITK: its series reader and an uncompressed file.

Both end with the bytes safe on the disk (fsync). Ours also works out a digest over every byte.
Memory is the most that a process of its own had resident, less what it had before it began.
"""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import SimpleITK as sitk  # noqa: N813 - as its own documents write it

from registry.imaging.intake import read_series, survey
from registry.store.images import ImageStore
from tests.benchmarks.turns import ratio
from tests.imaging.written_files import a_slice, stored_values, write

SLICES, SIDE = 600, 512
DECODED_MB = SLICES * SIDE * SIDE * 2 / 2**20


def measure(folder: Path) -> None:
    """Print the ratio of times, and the most memory."""
    files = folder / "ct"
    for index in range(SLICES):
        values = stored_values(index % 100, (SIDE, SIDE))
        made = a_slice(index, position=(-100.0, -90.0, 0.8 * index), values=values)
        write([made], files, prefix=f"{index:03d}-")

    def ours():
        by_us(files, folder)

    def peer():
        by_simpleitk(files, folder)

    ratio(f"{SLICES} slices of {SIDE} x {SIDE} into one file", ours, {"SimpleITK": peer})
    for name in ("by_us", "by_simpleitk"):
        most = _memory_mb(name, files, folder)
        print(f"most memory {name}: {most:.0f} MB, {most / DECODED_MB:.2f} of the decoded series")


def by_us(files: Path, folder: Path) -> None:
    """Take the series into an image store, and throw it away."""
    store = ImageStore(folder / "images")
    with store.writer() as writer:
        volume = read_series(survey([files]).series_to_read(), writer)
        store.remove(writer.seal(volume.affine, volume.attributes))


def by_simpleitk(files: Path, folder: Path) -> None:
    """Read the series and write it uncompressed."""
    reader = sitk.ImageSeriesReader()
    reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(files)))
    made = folder / "peer.mha"
    sitk.WriteImage(reader.Execute(), str(made), useCompression=False)
    descriptor = os.open(made, os.O_RDONLY)
    os.fsync(descriptor)
    os.close(descriptor)
    made.unlink()


_CHILD = """
import re, sys
from pathlib import Path
from tests.benchmarks.reading_a_ct import {name}

def most():
    # Not getrusage: its figure begins with that of the process it was started from.
    return int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1024

before = most()
{name}(Path(sys.argv[1]), Path(sys.argv[2]))
print(most() - before)
"""


def _memory_mb(name: str, files: Path, folder: Path) -> float:
    done = subprocess.run(
        [sys.executable, "-c", _CHILD.format(name=name), str(files), str(folder)],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=True,
    )
    return float(done.stdout)
