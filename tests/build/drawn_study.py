"""The whole drawn study as DICOM files, drawn once for all who look at it or load it."""

from __future__ import annotations

import json
from datetime import date
from pathlib import Path
from typing import TYPE_CHECKING
from unittest import mock

import numpy as np

from demo_data.scenario.ct import study
from demo_data.scenario.ct.draw import draw_volume
from demo_data.scenario.ct.study import DrawnStudy, PatientIdentity, draw_study, drawn_screws
from tests.build.made_once import made_once

if TYPE_CHECKING:
    import pytest

SEED = 11
IDENTITY = PatientIdentity()
OPERATED_ON = date(2024, 10, 14)
SCANNED_ON = date(2024, 10, 17)


def drawn_study(factory: pytest.TempPathFactory) -> Path:
    """Return the folder with the files in `study` and the voxels that were drawn; to be read."""
    return made_once(factory, "drawn-study", _draw)


def draw_into(folder: Path) -> DrawnStudy:
    """Draw the study into a folder."""
    return draw_study(
        folder, seed=SEED, identity=IDENTITY, operated_on=OPERATED_ON, scanned_on=SCANNED_ON
    )


def as_said(folder: Path) -> DrawnStudy:
    """Return what drawing the study said."""
    kept = json.loads((folder / "said.json").read_text(encoding="utf-8"))
    affine = np.load(folder / "affine.npy")
    return DrawnStudy(drawn_screws(), affine, tuple(kept["shape"]), tuple(map(Path, kept["files"])))


def _draw(folder: Path) -> None:
    def kept(*given: object) -> object:
        voxels = draw_volume(*given)
        np.save(folder / "voxels.npy", voxels)
        return voxels

    with mock.patch.object(study, "draw_volume", kept):
        said = draw_into(folder / "study")
    np.save(folder / "affine.npy", said.affine)
    told = {"shape": said.shape, "files": [str(path) for path in said.files]}
    (folder / "said.json").write_text(json.dumps(told), encoding="utf-8")
