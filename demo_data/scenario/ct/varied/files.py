"""A drawn scene as DICOM files, as a scanner would send them (PS3.3 A.3, CT Image)."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from ..files import INTERCEPT_HU, ct_image, set_hounsfield

if TYPE_CHECKING:
    from pathlib import Path

    import numpy.typing as npt

    from ..files import StudyLabels
    from ..levels import Vector
    from .scene import Scanner

_TWELVE_BITS = 12


def write_scene(
    folder: Path,
    labels: StudyLabels,
    scanner: Scanner,
    voxels: npt.NDArray[np.int16],
    affine: Vector,
) -> tuple[Path, ...]:
    """Write one file a slice into `folder`, in the order of k; returns them in that order.

    `voxels` [k, j, i] and `affine`, from (i, j, k, 1) to LPS, are those of `draw_scene`.
    """
    folder.mkdir(parents=True, exist_ok=True)
    spacing = np.linalg.norm(affine[:3, :3], axis=0)
    directions = affine[:3, :3] / spacing
    across, down = (_number(float(spacing[k])) for k in (0, 1))
    files = []
    for k, values in enumerate(voxels):
        image = ct_image(labels, "axial", 3, k + 1)
        image.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
        image.SeriesDescription = f"Spine {_kernel(scanner).lower()} {scanner.slice_mm:g}"
        image.PatientPosition = _position(scanner)
        image.ReconstructionDiameter = _number(float(spacing[0]) * voxels.shape[2])
        image.ImageOrientationPatient = [_number(float(v)) for v in directions[:, :2].T.ravel()]
        corner = affine[:3, 3] + k * affine[:3, 2]
        image.ImagePositionPatient = [_number(float(part)) for part in corner]
        image.SliceLocation = _number(float(corner[2]))
        image.SliceThickness = _number(scanner.slice_mm)
        image.ConvolutionKernel = _kernel(scanner)
        image.WindowCenter, image.WindowWidth = 500, 2000
        image.RescaleType = "HU"
        set_hounsfield(image, values, [down, across])
        if scanner.is_twelve_bit:
            image.BitsStored, image.HighBit = _TWELVE_BITS, _TWELVE_BITS - 1
            image.PixelRepresentation = 0
            image.PixelData = (values - INTERCEPT_HU).astype("<u2").tobytes()
            image["PixelData"].VR = "OW"
        files.append(folder / f"IM{k + 1:04d}.dcm")
        image.save_as(files[-1], enforce_file_format=True)
    return tuple(files)


def _kernel(scanner: Scanner) -> str:
    return "BONE" if scanner.sharpness_mm < 0.45 else "STANDARD"  # noqa: PLR2004 - between the two


def _position(scanner: Scanner) -> str:
    """Return the patient position (PS3.3 C.7.3.1.1.2): which end first, which side down."""
    return ("FF" if scanner.is_feet_first else "HF") + ("P" if scanner.is_prone else "S")


def _number(value: float) -> str:
    """Return a decimal string of at most 16 characters (PS3.5 6.2, DS)."""
    return f"{value:.9f}".rstrip("0").rstrip(".")[:16] or "0"
