"""How rates are said to people: headings, percentages, and the sentences beside the rows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.tables.splits import PERSONS, IntervalName, Split

if TYPE_CHECKING:
    from reports.statistics.clustered import UnitClustering
    from reports.tables.rates import PeerPoint, Question, RateRow, RateTable
    from reports.tables.surgeon_table import SurgeonPoint

HEADINGS = (
    *("patients", "with a breach", "of patients %", "placed", "imaged", "graded", "breached"),
    *("rate %", "interval %", "mean of patients %", "design effect", "own correlation", "df"),
)

_METHODS = {
    IntervalName.CLUSTERED: "score interval on effective screws, patients as clusters",
    IntervalName.WILSON: "Wilson, screws treated as independent",
    IntervalName.CLOPPER_PEARSON: "Clopper-Pearson, screws treated as independent",
    IntervalName.JEFFREYS: "Jeffreys, screws treated as independent",
    IntervalName.MID_P: "mid-P, screws treated as independent",
}

_SIMULATED_AT = 0.95

_SURGEONS_CLUSTERING = (
    "Where a surgeon's own clustering cannot be seen, the interval assumes the unit's: for a "
    "surgeon whose patients cluster far more than the unit's it falls short, holding the rate in "
    "as few as 88 of 100 simulated units where it says 95."
)
_SIMULATED = (
    "In simulated units this interval held the true rate about 94 times in 100 or more where 95 "
    "is said, but for rates of 2% where screws of a patient are much alike (correlation 0.30): "
    "there 93 times."
)
_OF_FEW = "Of fewer than ten graded screws it held the true rate in as few as 91 of 100 such units."
_FEW_SCREWS = 10
_OF_PATIENTS = (
    "The share of patients with such a breach has an exact interval (Clopper-Pearson): patients "
    "are independent of one another."
)
_TOO_NARROW = (
    "Screws of one patient are alike, so this interval is too narrow: where they cluster much it "
    "held the rate in two thirds of simulated units."
)


def stratum_heading(split: Split) -> str:
    """Return a split as a heading: entry technique, diameter mm."""
    return "diameter mm" if split is Split.DIAMETER else split.value.replace("_", " ")


def percent(share: float) -> str:
    """Return a proportion in per cent with one decimal."""
    return f"{100 * share:.1f}"


def words_of(row: RateRow) -> list[str]:
    """Return a row's cells under `HEADINGS`; a dash where a number is undefined."""
    affected = "-" if row.patients_with_event is None else str(row.patients_with_event)
    counts = [str(count) for count in (row.placed, row.imaged, row.graded, row.breached)]
    rate = "-" if row.rate is None else percent(row.rate)
    interval = "-"
    if row.low is not None and row.high is not None:
        interval = f"{percent(row.low)} to {percent(row.high)}"
    effect = "-" if row.design_effect is None else f"{row.design_effect:.2f}"
    df = "-" if row.df is None else f"{row.df:.1f}"
    mean = "-" if row.patient_mean is None else percent(row.patient_mean)
    own = "-" if row.rho is None else f"{row.rho:.3f}"
    told = [str(row.patients), affected, share_words(row) or "-", *counts]
    return [*told, rate, interval, mean, effect, own, df]


def share_words(row: RateRow | SurgeonPoint) -> str:
    """Return the share of patients with a breach in per cent, with its interval; or nothing."""
    found = row.patient_share
    if found.value is None or found.low is None or found.high is None:
        return ""
    return f"{percent(found.value)}; {percent(found.low)} to {percent(found.high)}"


def words_of_rate(row: RateRow) -> str:
    """Return a row's counts in a line, with its rate and interval where it has them."""
    counts = f"{row.breached} of {row.graded} graded screws, {row.placed} placed"
    if row.rate is None:
        return f"{counts}; no rate"
    if row.low is None or row.high is None:
        return f"{percent(row.rate)}% ({counts})"
    return f"{percent(row.rate)}%, interval {percent(row.low)}% to {percent(row.high)}% ({counts})"


def words_of_peer(peer: PeerPoint) -> list[str]:
    """Return a peer's cells under `HEADINGS`: the rate, and dashes."""
    return [near_percent(peer.rate) if name == "rate %" else "-" for name in HEADINGS]


def near_percent(share: float) -> str:
    """Return a rounded proportion in per cent, marked as such."""
    return f"near {100 * share:.0f}"


def interval_words(table: RateTable) -> str:
    """Return the interval's confidence and method: 95% interval: ..."""
    return f"{_confidence(table)} interval: {_METHODS[table.question.interval]}"


def period_words(table: RateTable) -> str:
    """Return the period of operations in words."""
    return period_of(table.question)


def period_of(asked: Question) -> str:
    """Return a question's period of operations in words."""
    start, end = asked.start, asked.end
    if start and end:
        return f"operations from {start} to {end}"
    if start:
        return f"operations from {start}"
    return f"operations up to {end}" if end else "all operations"


def notes(table: RateTable) -> list[str]:
    """Return the sentences that must stand beside the rows."""
    asked, unit = table.question, table.unit
    event = asked.event.words()
    said = [f"{event[0].upper()}{event[1:]}; {period_words(table)}.", f"{interval_words(table)}."]
    if asked.interval is IntervalName.CLUSTERED and unit is not None:
        said += _clustering(table, unit)
    if asked.interval is not IntervalName.CLUSTERED and _has_limits(table):
        said.append(_TOO_NARROW)
    if asked.interval is IntervalName.CLUSTERED and unit is None and _has_limits(table):
        said.append("The limits are widened to whole per cent; what made them is not shown.")
    if any(row.patient_share.value is not None for row in table.rows):
        said.append(_OF_PATIENTS)
    said += _other_stories(table)
    said += table.withheld
    if table.is_partial and not table.withheld:
        said.append("What would tell another person's own results is not shown to this account.")
    if any(row.graded < asked.minimum for row in table.rows):
        said.append(f"Below {asked.minimum} graded screws counts are given and no rate.")
    owed = sum(row.provisional for row in table.rows)
    if owed:
        said.append(
            f"Provisional, a second reading or an adjudication is owed: "
            f"{_counted(owed, 'graded screw')}."
        )
    if table.second_reading:
        said.append(table.second_reading)
    return said


def _clustering(table: RateTable, unit: UnitClustering) -> list[str]:
    """Return where the correlation used comes from, and where the interval falls short."""
    own = "not defined yet" if unit.rho is None else f"{unit.rho:.3f}"
    basis = (
        f"Correlation within patients used: {unit.pooled_rho:.3f}, from the unit's own ({own}; "
        f"{_counted(unit.patients, 'patient')}, {unit.patients_with_event} with such a breach) "
        "and an assumed 0.10 worth 25 patients."
    )
    said = [basis]
    if _has_limits(table) and table.question.confidence == _SIMULATED_AT:
        said.append(_SIMULATED)
        if any(row.low is not None and row.graded < _FEW_SCREWS for row in table.rows):
            said.append(_OF_FEW)
    if PERSONS & set(table.question.by):
        said.append(_SURGEONS_CLUSTERING)
    return said


def _other_stories(table: RateTable) -> list[str]:
    """Return a sentence where the rate and the patients' own rates do not tell the same."""
    rows = [row for row in table.rows if row.tells_another_story]
    if not rows:
        return []
    named = "; ".join(" and ".join(row.stratum.values()) for row in rows)
    where = f" ({named})" if table.question.by else ""
    said = (
        f"The mean of the patients' own rates lies outside the interval{where}: patients with few "
        "screws do not fare as those with many do, and the rate weighs patients by their screws."
    )
    return [said]


def _has_limits(table: RateTable) -> bool:
    return any(row.low is not None for row in table.rows)


def _confidence(table: RateTable) -> str:
    """Return the confidence in per cent: 95%, 99.8%."""
    return f"{100 * table.question.confidence:.10g}%"


def _counted(number: int, noun: str) -> str:
    """Return a number with its noun: 1 patient, 2 patients."""
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
