"""Sections across a screw, against two peers on the same int16 crop; and all of a screw's, cold.

The peers' pictures are compared with ours before anything is timed: equal to 1 HU.
"""

from __future__ import annotations

import os
import time
from typing import TYPE_CHECKING

import numpy as np
import SimpleITK as sitk  # noqa: N813 - as its own documents write it
from scipy.ndimage import map_coordinates

from registry.measure.axes import ScrewAxis, section_frames
from registry.measure.sections import sample_section, sample_sections
from registry.store.images import ImageStore
from tests.benchmarks.turns import ratio

if TYPE_CHECKING:
    from pathlib import Path

SIDE, STEP_MM = 256, 0.25
VOXEL_MM = (0.45, 0.45, 1.0)
AXIS = ScrewAxis((86.0, 110.0, 96.0), (72.0, 68.0, 104.0))


def measure(folder: Path) -> None:
    """Print the ratio for one section, and how long all sixty take."""
    voxels = np.random.default_rng(1).integers(-1000, 3000, (200, 384, 384)).astype(np.int16)
    affine = np.diag([*VOXEL_MM, 1.0])
    frame = section_frames(AXIS, [20.0], "R")[0]
    half = (SIDE - 1) / 2 * STEP_MM
    corner = frame.origin - half * frame.medial + half * frame.cranial
    image = sitk.GetImageFromArray(voxels)
    image.SetSpacing(VOXEL_MM)

    def ours():
        return sample_section(voxels, affine, frame, SIDE * STEP_MM / 2, STEP_MM)

    def by_scipy():
        steps = np.arange(SIDE) * STEP_MM
        points = (
            corner[:, None, None]
            - frame.cranial[:, None, None] * steps[None, :, None]
            + frame.medial[:, None, None] * steps[None, None, :]
        )
        kji = points[::-1] / np.array(VOXEL_MM[::-1])[:, None, None]
        return map_coordinates(voxels, kji, order=1, output=np.int16)

    def by_simpleitk():
        wanted = sitk.Image(SIDE, SIDE, 1, sitk.sitkInt16)
        normal = np.cross(frame.medial, -frame.cranial)
        wanted.SetSpacing((STEP_MM, STEP_MM, 1.0))
        wanted.SetOrigin(corner.tolist())
        wanted.SetDirection(
            np.column_stack([frame.medial, -frame.cranial, normal]).ravel().tolist()
        )
        made = sitk.Resample(image, wanted, sitk.Transform(), sitk.sitkLinear, -1000)
        return sitk.GetArrayFromImage(made)[0]

    peers = {"scipy.ndimage.map_coordinates": by_scipy, "SimpleITK's resampler": by_simpleitk}
    for name, peer in peers.items():
        worst = np.abs(ours().astype(int) - peer()).max()
        print(f"a section differs from that of {name} by at most {worst} HU")
    ratio(f"a section of {SIDE} x {SIDE} at {STEP_MM} mm", ours, peers, turns=200)
    _all_cold(voxels, affine, folder)


def _all_cold(voxels, affine, folder: Path) -> None:
    """Print how long all sections of a screw take from an image that no memory holds."""
    store = ImageStore(folder / "images")
    with store.writer() as writer:
        writer.begin(voxels.shape, "int16")
        for index, plane in enumerate(voxels):
            writer.write(index, plane)
        digest = writer.seal(affine, {})
    (path,) = (folder / "images").glob(f"{digest}*")
    descriptor = os.open(path, os.O_RDONLY)
    os.posix_fadvise(descriptor, 0, 0, os.POSIX_FADV_DONTNEED)
    os.close(descriptor)
    frames = section_frames(AXIS, np.linspace(0.0, 45.0, 60), "R")
    start = time.perf_counter()
    held = store.open(digest)
    sample_sections(held.voxels, held.affine, frames, SIDE * STEP_MM / 2, STEP_MM)
    took = 1000 * (time.perf_counter() - start)
    print(
        f"all 60 sections of {SIDE} x {SIDE} of a screw, the image's pages dropped: {took:.0f} ms"
    )
