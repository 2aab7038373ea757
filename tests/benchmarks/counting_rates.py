"""Rates of 20 strata with their default intervals, against pandas' groupby.

    python -m tests.benchmarks.counting_rates

Three peers. `whole_table` is what a good analyst writes for the same rows, vectorised: events from
the four walls, counts, patients, the unit's correlation pooled within surgeons, and the default
interval; its digits are compared with ours before anything is timed. `bare_groupby` leaves out
the interval: counts and patients alone. `screws_alone` leaves out the patients as well: one
groupby of sums, from which no default interval can be made. Memory is the most that a process of
its own had resident, less what it had before it began.
"""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pandas as pd
from scipy import stats

from registry.domain.directions import PEDICLE_WALLS
from reports.frame import COLUMNS, LEVEL_BY_CODE, check
from reports.tables.rates import Question, rates
from reports.tables.splits import Split
from tests.benchmarks.turns import ratio

WALLS = [f"{wall}_mm" for wall in PEDICLE_WALLS]
LEVELS = [*(f"T{n}" for n in range(1, 13)), *(f"L{n}" for n in range(1, 6)), "S1", "C7", "C6"]


def drawn_unit(screws: int, *, strata: int = 20, a_patient: int = 8, seed: int = 6) -> pd.DataFrame:
    """Return a frame of invented screws, some without a scan, patients' own rates from a beta."""
    rng = np.random.default_rng(seed)
    number = np.arange(screws)
    case = number // a_patient
    cases = int(case[-1]) + 1
    first = rng.integers(0, strata // 2, cases)
    place = (first[case] * 2 + number % a_patient) % (2 * strata)
    level = np.array(LEVELS, dtype=object)[place // 2 % len(LEVELS)]
    imaged = (rng.random(cases) < 0.9)[case]
    own = rng.beta(0.5, 9.5, cases)[case]
    beyond = np.where(rng.random(screws) < own, rng.choice([2.1, 3.0, 4.5], screws), 0.0)
    wall = rng.integers(0, 4, screws)
    held = {
        "screw_id": number,
        "patient": np.char.add("P", case.astype(str)),
        "case_id": case,
        "operated_on": np.datetime64("2016-01-01", "s") + (case % 3650).astype("timedelta64[D]"),
        "level": level,
        "region": [LEVEL_BY_CODE[code].region.value for code in level],
        "side": np.array(["L", "R"], dtype=object)[place % 2],
        "number": number % a_patient + 1,
        "surgeon": (case % 12).astype("int64"),
        "imaged": imaged,
        "pedicle": np.ones(screws, dtype=bool),
        "graded": imaged,
        "partly_read": np.zeros(screws, dtype=bool),
        "provisional": imaged & (rng.random(screws) < 0.02),
        **{name: np.where(imaged, (wall == at) * beyond, np.nan) for at, name in enumerate(WALLS)},
    }
    same = {"quarter": "2016Q1", "entry_technique": "isthmus", "guidance": "freehand",
            "life": "placed"}  # fmt: skip
    held |= {name: np.full(screws, word, dtype=object) for name, word in same.items()}
    return pd.DataFrame(
        {name: pd.Series(held.get(name), range(screws), kind) for name, kind in COLUMNS.items()}
    )


def ours(table: pd.DataFrame) -> pd.DataFrame:
    """Return our table by level."""
    rows = rates(table, Question(by=(Split.LEVEL,))).rows
    names = ("placed", "imaged", "graded", "breached", "provisional", "patients",
             "patients_with_event", "low", "high")  # fmt: skip
    made = {row.stratum[Split.LEVEL]: [getattr(row, name) for name in names] for row in rows}
    return pd.DataFrame.from_dict(made, "index", columns=names)


def screws_alone(table: pd.DataFrame) -> pd.DataFrame:
    """Return the counts of screws by one groupby."""
    screws = _with_event(table)
    return screws.groupby("level")[["imaged", "graded", "breached", "provisional"]].sum()


def bare_groupby(table: pd.DataFrame) -> pd.DataFrame:
    """Return the same counts by pandas' groupby, without an interval."""
    return _counted(_with_event(table))[0]


def whole_table(table: pd.DataFrame) -> pd.DataFrame:
    """Return the same table by pandas' groupby, the default interval in columns."""
    screws = _with_event(table)
    counted, cells = _counted(screws)
    by_surgeon = (
        screws[screws["graded"]]
        .groupby(["surgeon", "patient"], sort=False)["breached"]
        .agg(m="size", y="sum")
    )
    patients = by_surgeon.groupby("patient")["y"].sum()
    pooled = _spread(by_surgeon, "surgeon").sum()
    rho_u, in_unit = max(_icc(pooled), 0), len(patients)
    rho_p = (in_unit * rho_u + 2.5) / (in_unit + 25)
    spread = _spread(cells, "level")
    n, x, k = counted["graded"], counted["breached"], counted["patients"]
    p = x / n
    residual = (cells["y"] - cells["m"] * p.reindex(cells.index, level="level")) ** 2
    d_lin = residual.groupby("level").sum() * k / (k - 1) / n / (p * (1 - p))
    deff = np.maximum(1 + (spread["m2"] / n - 1) * np.maximum(_icc(spread), rho_p), d_lin)
    n_eff = n / deff
    t = stats.t.ppf(0.975, ((patients > 0).sum() + 8) * in_unit / k)
    middle, square = p + t**2 / n_eff / 2, t**2 / n_eff
    half = np.sqrt(p * (1 - p) * square + square**2 / 4)
    return counted.assign(low=(middle - half) / (1 + square), high=(middle + half) / (1 + square))


def _with_event(table: pd.DataFrame) -> pd.DataFrame:
    columns = table[["level", "patient", "surgeon", "imaged", "graded", "provisional"]]
    breached = (table[WALLS].max(axis=1) >= 2) & table["graded"]
    return columns.assign(breached=breached)


def _counted(screws: pd.DataFrame) -> tuple[pd.DataFrame, pd.DataFrame]:
    counted = screws.groupby("level").agg(
        placed=("imaged", "size"), imaged=("imaged", "sum"), graded=("graded", "sum"),
        breached=("breached", "sum"), provisional=("provisional", "sum"),
    )  # fmt: skip
    cells = (
        screws[screws["graded"]]
        .groupby(["level", "patient"], sort=False)["breached"]
        .agg(m="size", y="sum")
    )
    has_event = cells["y"] > 0
    return counted.assign(
        patients=cells.groupby("level").size(),
        patients_with_event=has_event.groupby("level").sum(),
    ), cells


def _spread(cells: pd.DataFrame, group: str) -> pd.DataFrame:
    parts = cells.assign(m2=cells["m"] ** 2, share=cells["y"] ** 2 / cells["m"], k=1)
    sums = parts.groupby(group).sum()
    between = sums["share"] - sums["y"] ** 2 / sums["m"]
    return sums.assign(
        between=between, within=sums["y"] - sums["share"], df_b=sums["k"] - 1,
        df_w=sums["m"] - sums["k"], lost=sums["m"] - sums["m2"] / sums["m"],
    )  # fmt: skip


def _icc(spread):
    msb, msw = spread["between"] / spread["df_b"], spread["within"] / spread["df_w"]
    return (msb - msw) / (msb + (spread["lost"] / spread["df_b"] - 1) * msw)


def measure() -> None:
    """Print ratios, growth and memory."""
    check(drawn_unit(2000))
    for screws in (100_000, 1_000_000):
        compare(f"{screws:,} screws, 20 levels", drawn_unit(screws))
    for a_patient in (4, 16):
        compare(
            f"1,000,000 screws, {1_000_000 // a_patient:,} patients",
            drawn_unit(1_000_000, a_patient=a_patient),
        )
    for strata in (4, 10):
        compare(f"1,000,000 screws, {strata} levels", drawn_unit(1_000_000, strata=strata))
    for screws in (100_000, 1_000_000):
        for name in ("ours", "screws_alone", "bare_groupby", "whole_table"):
            print(f"most memory {name}, {screws:,} screws: {_memory_mb(name, screws):.0f} MB")


def compare(name: str, table: pd.DataFrame) -> None:
    """Print the ratios of one frame, once the digits are alike."""
    theirs = whole_table(table)
    mine = ours(table).loc[theirs.index, theirs.columns]
    np.testing.assert_allclose(mine.to_numpy(float), theirs.to_numpy(float), rtol=1e-9, atol=1e-12)
    for peer in (screws_alone, bare_groupby, whole_table):
        ratio(f"{name}, {peer.__name__}", lambda: ours(table), {"pandas": lambda p=peer: p(table)})


_CHILD = """
import ctypes, gc, re, sys
from pathlib import Path
from tests.benchmarks.counting_rates import drawn_unit, {name}

def most():
    # Not getrusage: its figure begins with that of the process it was started from.
    return int(re.search(r"VmHWM:\\s+(\\d+)", Path("/proc/self/status").read_text())[1]) / 1024

table = drawn_unit({screws})
{name}(table.head(1000))
gc.collect()
# What making the frame left free would be taken again unseen.
ctypes.CDLL("libc.so.6").malloc_trim(0)
Path("/proc/self/clear_refs").write_text("5")
before = most()
{name}(table)
print(most() - before)
"""


def _memory_mb(name: str, screws: int) -> float:
    done = subprocess.run(
        [sys.executable, "-c", _CHILD.format(name=name, screws=screws)],
        cwd=Path(__file__).parents[2],
        capture_output=True,
        text=True,
        check=True,
    )
    return float(done.stdout)


if __name__ == "__main__":
    measure()
