"""How a comparison is said to people: cells, a sentence a pair, and the notes beside them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.statistics.estimate import Estimate
from reports.tables.cells import harmless
from reports.tables.rate_words import percent
from reports.tables.splits import PERSONS, Split

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from reports.statistics.trend import Trend
    from reports.tables.compare import ComparisonTable, Pair
    from reports.tables.rates import RateRow

HEADINGS = (
    *("compared with", "difference, points", "interval", "ratio", "interval of the ratio"),
    *("p", "Holm", "Benjamini-Hochberg", "patients in both"),
)
TREND_HEADINGS = ("quarters", "odds ratio a quarter", "interval", "p")

ASSOCIATION = (
    "A difference is an association, not an effect: what was done was chosen by level, by patient "
    "and by surgeon, and the groups differ in these too."
)
_CHOSEN = frozenset({Split.ENTRY_TECHNIQUE, Split.GUIDANCE, Split.DIAMETER})
_GROUPS_DIFFER = (
    "A difference is an association, not an effect: the groups differ in more than what they are "
    "named by, such as levels, patients and surgeons."
)
_LEAST_P = 0.001
_USUAL_LEVEL = 0.05
_FEW_PATIENTS = 20


def name_of(row: RateRow) -> str:
    """Return the group's name."""
    return ", ".join(row.stratum.values())


def method_words(table: ComparisonTable) -> str:
    """Return in one line how the numbers were made and what they are not."""
    shared = max((pair.shared_patients for pair in table.pairs), default=0)
    same = (
        "the same patients in both allowed for by the covariance of their rates "
        f"({'up to ' if len(table.pairs) > 1 else ''}{_counted(shared, 'patient')})"
        if shared
        else "no patient has screws of both"
    )
    return (
        "difference: Newcombe's method 10 on effective screws, patients as clusters, correlation "
        f"within patients {table.unit.pooled_rho:.3f}, {same}; ratio: delta method on the "
        "logarithm, on the same; an association, not an effect"
    )


def words_of_pair(pair: Pair) -> list[str]:
    """Return a pair's cells: both names, then those under `HEADINGS` after the first."""
    found = pair.compared
    names = [name_of(pair.a), name_of(pair.b)]
    shared = str(pair.shared_patients)
    if found is None:
        return [*names, *["-"] * 7, shared]
    return [
        *names,
        points(found.difference.value),
        span(found.difference, points),
        _times(found.ratio.value),
        span(found.ratio, _times),
        *(p_words(p) for p in (found.p_value, pair.holm, pair.benjamini_hochberg)),
        shared,
    ]


def words_of_trend(found: Trend) -> list[str]:
    """Return a trend's cells under `TREND_HEADINGS`."""
    odds = found.odds_ratio
    return [str(found.quarters), _times(odds.value), span(odds, _times), p_words(found.p_value)]


def sentence(pair: Pair) -> str:
    """Return a pair in a sentence."""
    a, b, found = pair.a, pair.b, pair.compared
    told = Estimate() if found is None else found.difference
    value, low, high = told.value, told.low, told.high
    if found is None or value is None or low is None or high is None:
        few = [row for row in (a, b) if row.rate is None]
        short = " and ".join(f"{name_of(row)} ({row.graded})" for row in few)
        return f"{name_of(a)} and {name_of(b)}: too few graded screws, {short}."
    way = "fewer" if value < 0 else "more"
    rates = f"{_rate(a)} against {_rate(b)}"
    more = f"{abs(100 * value):.1f} points {way}" if round(abs(100 * value), 1) else "no difference"
    verdict = (
        _outside(pair)
        if low > 0 or high < 0
        else "0 lies within the interval, the two may not differ"
    )
    return (
        f"{name_of(a)} less {name_of(b)}: {rates}, {more} ({points(low)} to {points(high)}): "
        f"{verdict}."
    )


def _outside(pair: Pair) -> str:
    """Return what an interval without 0 says, and whether it does so among all comparisons too."""
    if pair.holm is None or pair.holm < _USUAL_LEVEL:
        return "0 lies outside the interval"
    return (
        "0 lies outside this one interval, but among so many comparisons it may be chance "
        f"(Holm's p {p_words(pair.holm)})"
    )


def trend_sentence(name: str, found: Trend) -> str:
    """Return a trend in a sentence."""
    who = name or "All of them together"
    odds = found.odds_ratio
    if odds.value is None or odds.low is None or odds.high is None:
        return f"{who}: no trend can be told over {_counted(found.quarters, 'quarter')}."
    way = "rose" if odds.value > 1 else "fell"
    verdict = (
        f"the odds of a breach {way}, and 1 lies outside the interval"
        if odds.low > 1 or odds.high < 1
        else "1 lies within the interval, there may be no trend"
    )
    return (
        f"{who}: odds times {_times(odds.value)} a quarter ({_times(odds.low)} to "
        f"{_times(odds.high)}) over {_counted(found.quarters, 'quarter')}: {verdict}."
    )


def notes(table: ComparisonTable) -> list[str]:
    """Return the sentences that must stand beside the numbers."""
    question, split = table.asked.counting, table.asked.split
    event = question.event.words()
    said = [
        f"{event[0].upper()}{event[1:]}; {_period(table)}.",
        ASSOCIATION if split in _CHOSEN else _GROUPS_DIFFER,
        f"{100 * question.confidence:.10g}% intervals: {method_words(table).split('; an ')[0]}.",
        "p is 1 less the confidence at which the difference's interval would end at 0.",
    ]
    if len(table.pairs) > 1:
        said.append(
            f"Among {len(table.pairs)} comparisons one in twenty is below 0.05 by chance: Holm's "
            "p-values control the chance of any false alarm, Benjamini and Hochberg's the share of "
            "false ones among those called."
        )
    if split in PERSONS:
        said.append(
            "In the order of names or codes; this is no ranking. Case mix is not allowed for here."
        )
    if any(_is_short(pair) for pair in table.pairs):
        said.append(
            "Where few patients nearly all have screws of both, and cluster strongly, a simulation "
            "found the difference's interval to hold in 90 to 94 of 100, not 95."
        )
    if table.others:
        said.append(f"Not compared: {', '.join(table.others)}.")
    if any(row.rate is None for row in table.rows):
        said.append(f"Below {question.minimum} graded screws counts are given and no comparison.")
    owed = sum(row.provisional for row in table.rows)
    if owed:
        said.append(
            "Provisional, a second reading or an adjudication is owed: "
            f"{_counted(owed, 'graded screw')}."
        )
    if table.second_reading:
        said.append(table.second_reading)
    return said


def _is_short(pair: Pair) -> bool:
    """Return whether a pair is of the kind whose interval was seen to be a little too narrow."""
    fewest = min(pair.a.patients, pair.b.patients)
    return 0 < fewest <= _FEW_PATIENTS and 2 * pair.shared_patients > fewest


def pair_cells(pairs: Sequence[Pair]) -> list[list[object]]:
    """Return a heading and a line a pair, numbers unrounded and None where undefined."""
    of_row = ("patients", "graded", "breached", "rate", "low", "high", "effective")
    heading = [f"{side}_{name}" for side in "ab" for name in ("group", *of_row)]
    names = ("value", "low", "high")
    heading += [f"{what}_{name}" for what in ("difference", "ratio") for name in names]
    lines: list[list[object]] = [
        [*heading, "p", "p_holm", "p_benjamini_hochberg", "shared_patients", "correlation"]
    ]
    for pair in pairs:
        found = pair.compared
        line: list[object] = []
        for row in (pair.a, pair.b):
            line += [harmless(name_of(row)), *(getattr(row, name) for name in of_row)]
        for estimate in (found.difference, found.ratio) if found else (None, None):
            line += [getattr(estimate, name, None) for name in names]
        line += [found.p_value if found else None, pair.holm, pair.benjamini_hochberg]
        lines.append([*line, pair.shared_patients, found.correlation if found else None])
    return lines


def p_words(p: float | None) -> str:
    """Return a p-value as people read it."""
    if p is None:
        return "-"
    return f"< {_LEAST_P}" if p < _LEAST_P else f"{p:.3f}"


def _period(table: ComparisonTable) -> str:
    start, end = table.asked.counting.start, table.asked.counting.end
    if start and end:
        return f"operations from {start} to {end}"
    if start:
        return f"operations from {start}"
    return f"operations up to {end}" if end else "all operations"


def _rate(row: RateRow) -> str:
    rate = "-" if row.rate is None else percent(row.rate)
    return f"{rate}% ({row.breached} of {row.graded})"


def points(value: float | None) -> str:
    """Return a difference of proportions in percentage points, with its sign."""
    return "-" if value is None else f"{100 * value:+.1f}".replace("+0.0", "0.0")


def _times(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def span(found: Estimate, words: Callable[[float | None], str]) -> str:
    """Return the limits of an interval; a dash where there is none."""
    if found.low is None or found.high is None:
        return "-"
    return f"{words(found.low)} to {words(found.high)}"


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"
