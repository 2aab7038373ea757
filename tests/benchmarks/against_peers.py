"""How quick the heavy steps are, as ratios to a public peer measured in the same run.

    python tests/benchmarks/against_peers.py

Machines are noisy: each ratio is the median of several turns, ours and the peer's taken in turn.
It prints; it judges nothing and no test waits for it.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks import counting_rates, cutting_sections, reading_a_ct, sections_to_pixels

if __name__ == "__main__":
    with tempfile.TemporaryDirectory() as made:
        reading_a_ct.measure(Path(made))
        cutting_sections.measure(Path(made))
        sections_to_pixels.measure(Path(made))
    counting_rates.measure()
