"""Ours and a public peer's, taken in turn in one run."""

from __future__ import annotations

import statistics
import time

TURNS = 5


def ratio(name, ours, peers, *, turns=TURNS):
    """Print the median of ours and of each peer, which is given by its name, and the ratio.

    The ratio is to the fastest peer: below 1 ours took less time.
    """
    steps = {"ours": ours, **peers}
    times = {each: [] for each in steps}
    for step in steps.values():
        step()
    for _ in range(turns):
        for each, step in steps.items():
            start = time.perf_counter()
            step()
            times[each].append(1000 * (time.perf_counter() - start))
    medians = {each: statistics.median(taken) for each, taken in times.items()}
    fastest = min(medians[peer] for peer in peers)
    shown = ", ".join(f"{each} {taken:.2f} ms" for each, taken in medians.items())
    print(f"{name}: {shown}; ratio {medians['ours'] / fastest:.2f}", flush=True)
