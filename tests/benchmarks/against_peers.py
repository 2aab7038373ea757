"""How quick the heavy steps are, as ratios to a public peer measured in the same run.

    python tests/benchmarks/against_peers.py

Machines are noisy: each ratio is the median of several turns, ours and the peer's taken in turn.
It prints; it judges nothing and no test waits for it.
"""

from __future__ import annotations

import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path

import numpy as np
from statsmodels.stats.proportion import proportion_confint

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from reports.frame import ScrewRow, frame
from reports.tables.rates import Question, rates
from reports.tables.splits import Split
from tests.benchmarks import cutting_sections, reading_a_ct, sections_to_pixels
from tests.benchmarks.turns import ratio


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

    peers = {"pandas and statsmodels' plain interval": peer}
    ratio("30,000 screws by level", ours, peers)


if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        reading_a_ct.measure(Path(made))
        cutting_sections.measure(Path(made))
        sections_to_pixels.measure(Path(made))
    counting_rates()
