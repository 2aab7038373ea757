"""How quick the heavy steps are, as ratios to a public peer measured in the same run.

    python tests/benchmarks/against_peers.py

Machines are noisy: each ratio is the median of several turns, ours and the peer's taken in turn.
It prints; it judges nothing and no test waits for it.
"""

from __future__ import annotations

import statistics
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

import numpy as np
import SimpleITK as sitk  # noqa: N813 - as its own documents write it
from statsmodels.stats.proportion import proportion_confint

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from registry.imaging.intake import read_series, survey
from registry.measure.axes import ScrewAxis, section_frames
from registry.measure.sections import sample_sections
from registry.store.images import ImageStore
from reports.frame import ScrewRow, frame
from reports.tables.rates import Question, rates
from reports.tables.splits import Split
from tests.imaging.written_files import slices, write

TURNS = 5


def ratio(name, ours, peer):
    ours(), peer()
    times = {ours: [], peer: []}
    for _ in range(TURNS):
        for step in (ours, peer):
            start = time.perf_counter()
            step()
            times[step].append(time.perf_counter() - start)
    mine, theirs = (statistics.median(times[step]) for step in (ours, peer))
    print(f"{name}: {mine:.3f} s against {theirs:.3f} s, ratio {mine / theirs:.2f}")


def reading_a_ct(folder: Path) -> None:
    files = folder / "ct"
    files.mkdir()
    write(slices(150, shape=(512, 512)), files)
    store = ImageStore(folder / "images")

    def ours():
        with store.writer() as writer:
            volume = read_series(survey([files]).series_to_read(), writer)
            store.remove(writer.seal(volume.affine, volume.attributes))

    def peer():
        reader = sitk.ImageSeriesReader()
        reader.SetFileNames(reader.GetGDCMSeriesFileNames(str(files)))
        sitk.WriteImage(reader.Execute(), str(folder / "peer.mha"))

    ratio("150 slices of 512 x 512 into one file, SimpleITK's series reader", ours, peer)


def cutting_sections() -> None:
    voxels = np.random.default_rng(1).integers(-1000, 3000, (200, 384, 384)).astype(np.int16)
    affine = np.diag([0.45, 0.45, 1.0, 1.0])
    axis = ScrewAxis((60.0, 120.0, 90.0), (75.0, 78.0, 96.0))
    frames = section_frames(axis, np.arange(0, 45.0), "R")
    image = sitk.GetImageFromArray(voxels)
    image.SetSpacing((0.45, 0.45, 1.0))

    def ours():
        sample_sections(voxels, affine, frames, 20.0, 0.25)

    def peer():
        for section in frames:
            wanted = sitk.Image(161, 161, 1, sitk.sitkInt16)
            normal = np.cross(section.medial, -section.cranial)
            turn = np.column_stack([section.medial, -section.cranial, normal])
            corner = section.origin - 20 * section.medial + 20 * section.cranial
            wanted.SetSpacing((0.25, 0.25, 1.0))
            wanted.SetOrigin(corner.tolist())
            wanted.SetDirection(turn.ravel().tolist())
            sitk.Resample(image, wanted, sitk.Transform(), sitk.sitkLinear, -1000)

    ratio("45 sections of 161 x 161 across a screw, SimpleITK's resampler", ours, peer)


def counting_rates() -> None:
    rng = np.random.default_rng(2)
    day = date(2026, 1, 1)
    walls = ("medial", "lateral", "cranial", "caudal")
    rows = [
        ScrewRow(
            screw_id=number,
            patient=f"P{number // 8}",
            case_id=number // 8,
            operated_on=day + timedelta(days=number // 80),
            level=f"L{1 + number % 8 // 2}",
            side="LR"[number % 2],
            number=1,
            entry_technique="isthmus",
            guidance="freehand",
            surgeon=number // 8 % 6,
            imaged=True,
            extents_mm={wall: 0 if rng.random() < 0.9 else 3 for wall in walls},
        )
        for number in range(30_000)
    ]
    table = frame(rows)

    def ours():
        rates(table, Question(by=(Split.LEVEL,)))

    def peer():
        columns = [f"{wall}_mm" for wall in walls]
        breached = table[columns].max(axis=1) >= 2
        counts = breached.groupby(table["level"]).agg(["sum", "count"])
        proportion_confint(counts["sum"], counts["count"], method="wilson")

    ratio("30,000 screws by level, pandas and statsmodels' plain interval", ours, peer)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        reading_a_ct(Path(made))
    cutting_sections()
    counting_rates()
