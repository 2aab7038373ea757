"""How often the default interval holds the true rate, over a grid of simulated units.

    python -m tests.build.coverage_grid [--seed N] [--samples N] [--write] [--cells]

Patients of 4 to 16 screws have rates of their own, from a beta or a logistic-normal distribution
with a given mean and a given correlation within patients; screws are breached independently given
their patient. Nothing here is taken from data: the numbers are ours. The formulas are those of the
program (`reports/statistics/patient_sums.py`), a sample a row. Without a seed one is drawn and
printed. `--write` puts the table into DEVELOPERS.md.
"""

from __future__ import annotations

import argparse
import secrets
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from scipy import optimize, special

from reports.statistics.intervals import clopper_pearson, normal_quantile, score_limits
from reports.statistics.patient_sums import (
    PatientSums,
    Spread,
    default_limits,
    pooled_correlation,
)

if TYPE_CHECKING:
    from collections.abc import Iterator

RATES = (0.02, 0.05, 0.10, 0.20)
RHOS = (0.0, 0.05, 0.15, 0.30)
FEWEST_SCREWS, MOST_SCREWS = 4, 16
FEWEST_PATIENTS = 5
SAMPLES = 10_000
PROMISED = 0.94
DOCUMENT = Path(__file__).parents[2] / "DEVELOPERS.md"
BEGIN, END = "<!-- coverage table -->", "<!-- end of the coverage table -->"

# Six surgeons: patients in hundredths of the unit's, and own rates as multiples that are scaled
# so that the unit's rate is the one asked for.
VOLUMES = (35, 25, 15, 10, 10, 5)
MULTIPLES = (0.6, 0.8, 1.0, 1.3, 1.6, 2.0)

_ENTRIES_AT_ONCE = 400_000


@dataclass(frozen=True)
class Unit:
    """A kind of unit. `shown` patients are one surgeon's, with `own_rho` where it is another."""

    rate: float
    rho: float
    patients: int
    is_logistic_normal: bool = False
    surgeons: tuple[int, ...] = ()
    multiples: tuple[float, ...] = ()
    own_rho: float | None = None


@dataclass(frozen=True)
class Cell:
    """One kind of row and how often its intervals held the rate.

    `short` says that it is known to hold less than 94%: `named` where the interval was described
    as falling short when it was chosen, `found` where this simulation found it.
    """

    group: str
    words: str
    samples: int
    held: float
    plain_held: float
    short: str = ""

    @property
    def highest(self) -> float:
        """Return the upper 99% simulation limit."""
        return clopper_pearson(round(self.held * self.samples), self.samples, 0.99).high

    @property
    def falls_short(self) -> bool:
        """Return whether the simulation shows that fewer than 94% hold the rate."""
        return self.highest < PROMISED


def samples_of(unit: Unit, samples: int, rng: np.random.Generator):
    """Return events and sizes of every patient, shape (samples, patients), surgeon by surgeon."""
    shape = (samples, unit.patients)
    sizes = rng.integers(FEWEST_SCREWS, MOST_SCREWS + 1, shape)
    rates = np.empty(shape)
    at = 0
    surgeons = unit.surgeons or (unit.patients,)
    multiples = unit.multiples or (1.0,) * len(surgeons)
    for number, (patients, multiple) in enumerate(zip(surgeons, multiples, strict=True)):
        rho = unit.rho if number or unit.own_rho is None else unit.own_rho
        draw = _logistic_normal if unit.is_logistic_normal else _beta
        rates[:, at : at + patients] = draw(unit.rate * multiple, rho, (samples, patients), rng)
        at += patients
    return rng.binomial(sizes, rates), sizes


def _beta(rate, rho, shape, rng):
    if rho == 0:
        return np.full(shape, rate)
    weight = (1 - rho) / rho
    return rng.beta(rate * weight, (1 - rate) * weight, shape)


def _logistic_normal(rate, rho, shape, rng):
    middle, spread = logistic_normal_parameters(rate, rho)
    return special.expit(middle + spread * rng.standard_normal(shape))


def logistic_normal_parameters(rate, rho):
    """Return mean and standard deviation of the logit that give a rate and a correlation."""
    nodes, weights = np.polynomial.hermite_e.hermegauss(200)
    weights = weights / weights.sum()

    def miss(parameters):
        own = special.expit(parameters[0] + np.exp(parameters[1]) * nodes)
        mean = weights @ own
        variance = weights @ (own - mean) ** 2
        return [mean - rate, variance / (rate * (1 - rate)) - rho]

    found = optimize.root(miss, [special.logit(rate), 0.0], tol=1e-10)
    assert found.success, found.message
    return found.x[0], np.exp(found.x[1])


@dataclass
class Tally:
    """How many intervals of one kind of row held the rate."""

    rate: float
    seen: int = 0
    held: int = 0
    plain: int = 0

    def add(self, sums: PatientSums, *, rho_p, unit: PatientSums) -> None:
        """Count the rows of some samples, with the unit that each is of."""
        found = default_limits(
            sums,
            pooled_rho=rho_p,
            unit_patients=unit.patients,
            unit_with_event=unit.with_event,
        )
        plain = score_limits(sums.events, sums.screws, np.array(normal_quantile(0.95)))
        self.seen += len(sums.screws)
        self.held += int(((found.low <= self.rate) & (self.rate <= found.high)).sum())
        self.plain += int(((plain[0] <= self.rate) & (self.rate <= plain[1])).sum())

    def cell(self, group: str, words: str, short: str = "") -> Cell:
        shares = (self.held / self.seen, self.plain / self.seen)
        return Cell(group, words, self.seen, *shares, short)


def unit_sums(events, sizes, surgeons) -> tuple[PatientSums, np.ndarray]:
    """Return the sums of whole units, and the correlation that each pools within surgeons."""
    ends = np.cumsum(surgeons)
    parts = [
        PatientSums.along_last(events[:, end - own : end], sizes[:, end - own : end]).spread()
        for own, end in zip(surgeons, ends, strict=True)
    ]
    names = ("between", "within", "df_between", "df_within", "lost")
    spread = Spread(*(np.stack([getattr(part, name) for part in parts], -1) for name in names))
    whole = PatientSums.along_last(events, sizes)
    return whole, pooled_correlation(spread.pooled().icc(), whole.patients)


def chunks(unit: Unit, samples: int, rng: np.random.Generator):
    """Yield events and sizes of some samples at a time, with the units' sums."""
    rows = max(_ENTRIES_AT_ONCE // unit.patients, 1)
    for start in range(0, samples, rows):
        events, sizes = samples_of(unit, min(rows, samples - start), rng)
        yield (events, sizes, *unit_sums(events, sizes, unit.surgeons or (unit.patients,)))


def whole_unit(group: str, unit: Unit, samples: int, rng) -> Cell:
    """Return the cell of all screws of a unit together."""
    tally = Tally(unit.rate)
    for _, _, whole, rho_p in chunks(unit, samples, rng):
        tally.add(whole, rho_p=rho_p, unit=whole)
    # Few patients have all of the events there, and their sizes vary.
    is_short = (unit.rate, unit.rho) == (0.02, 0.30) and unit.patients in {50, 100}
    short = "found" if is_short and not unit.surgeons else ""
    return tally.cell(group, f"{_words(unit)}, {unit.patients} patients", short)


def parts_of_unit(unit: Unit, samples: int, rng) -> Iterator[Cell]:
    """Yield the cells of the first surgeon and of one level of as many patients."""
    own = unit.surgeons[0]
    surgeon, level = Tally(unit.rate), Tally(unit.rate)
    for events, sizes, whole, rho_p in chunks(unit, samples, rng):
        y, m = events[:, :own], sizes[:, :own]
        surgeon.add(PatientSums.along_last(y, m), rho_p=rho_p, unit=whole)
        at_level = rng.integers(1, 3, m.shape)
        breached = rng.hypergeometric(y, m - y, at_level)
        level.add(PatientSums.along_last(breached, at_level), rho_p=rho_p, unit=whole)
    words = f"{_words(unit)}, {own} of {unit.patients} patients"
    if unit.own_rho is not None:
        yield surgeon.cell("surgeon who clusters more", words, "named")
        return
    yield surgeon.cell(f"one surgeon, unit of {unit.patients}", words)
    # Five patients have seven or eight screws at the level: one breach is then far from 2 or 5 %.
    short = {0.02: "found", 0.05: "named"}.get(unit.rate, "") if own == FEWEST_PATIENTS else ""
    yield level.cell("one level, 1 or 2 screws a patient", words, short)


def grid(samples: int, rng: np.random.Generator) -> Iterator[Cell]:
    """Yield every cell."""
    for rate in RATES:
        for rho in RHOS:
            for patients in (10, 20, 50, 100, 200, 400):
                unit = Unit(rate, rho, patients)
                yield whole_unit("whole unit", unit, samples, rng)
                if rho:
                    normal = replace(unit, is_logistic_normal=True)
                    yield whole_unit("whole unit, logistic-normal patients", normal, samples, rng)
            for patients in (20, 40, 100, 200):
                volumes = tuple(patients * volume // 100 for volume in VOLUMES)
                scale = sum(volumes) / np.dot(volumes, MULTIPLES)
                unit = Unit(
                    rate,
                    rho,
                    sum(volumes),
                    surgeons=volumes,
                    multiples=tuple(scale * multiple for multiple in MULTIPLES),
                )
                yield whole_unit("six unequal surgeons", unit, samples, rng)
            for patients in (40, 150):
                for own in (FEWEST_PATIENTS, 10, 25):
                    others = _others(patients - own)
                    unit = Unit(rate, rho, patients, surgeons=(own, *others))
                    yield from parts_of_unit(unit, samples, rng)
                    if rho == 0.05:
                        yield from parts_of_unit(replace(unit, own_rho=0.30), samples, rng)


def _others(patients: int) -> tuple[int, int, int]:
    """Return a unit's other patients as three surgeons'."""
    third = patients // 3
    return third, third, patients - 2 * third


def _words(unit: Unit) -> str:
    rho = f"{unit.rho:.2f}" if unit.own_rho is None else f"{unit.own_rho:.2f} in {unit.rho:.2f}"
    return f"rate {unit.rate:.0%}, rho {rho}"


def table(cells: list[Cell], seed: int) -> str:
    """Return the table of DEVELOPERS.md, a row a set of cells."""
    rows = [
        "| rows of a table | cells | 94% or more | lowest | where | screws as independent |",
        "| --- | --- | --- | --- | --- | --- |",
    ]
    sets: dict[str, list[Cell]] = {}
    for cell in cells:
        name = f"{cell.group} ({cell.short} short)" if cell.short else cell.group
        sets.setdefault(name, []).append(cell)
    for name, members in sorted(sets.items(), key=lambda entry: entry[1][0].short != ""):
        lowest = min(members, key=lambda cell: cell.held)
        enough = sum(cell.held >= PROMISED for cell in members)
        plain = min(cell.plain_held for cell in members)
        rows.append(
            f"| {name} | {len(members)} | {enough} | {lowest.held:.1%} | {lowest.words} "
            f"| {plain:.1%} |"
        )
    seen = min(cell.samples for cell in cells)
    return "\n".join([*rows, "", f"{seen:,} samples a cell, seed {seed}."])


def main() -> None:
    """Simulate, print, and write if asked."""
    parser = argparse.ArgumentParser(description="coverage of the default interval")
    parser.add_argument("--seed", type=int, default=secrets.randbits(32))
    parser.add_argument("--samples", type=int, default=SAMPLES)
    parser.add_argument("--write", action="store_true", help="put the table into DEVELOPERS.md")
    parser.add_argument("--cells", action="store_true", help="print every cell")
    asked = parser.parse_args()
    cells = []
    for cell in grid(asked.samples, np.random.default_rng(asked.seed)):
        cells.append(cell)
        if asked.cells:
            print(f"{cell.held:.4f} {cell.plain_held:.4f} {cell.group}: {cell.words}", flush=True)
    made = table(cells, asked.seed)
    print(made)
    if asked.write:
        text = DOCUMENT.read_text(encoding="utf-8")
        before, _, rest = text.partition(BEGIN)
        after = rest.partition(END)[2]
        DOCUMENT.write_text(f"{before}{BEGIN}\n{made}\n{END}{after}", encoding="utf-8")


if __name__ == "__main__":
    main()
