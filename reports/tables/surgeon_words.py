"""How a table of surgeons is said to people, so that it opens a conversation and closes none."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.tables.rate_words import percent, share_words

if TYPE_CHECKING:
    from collections.abc import Callable

    from reports.statistics.estimate import Estimate
    from reports.statistics.intervals import Interval
    from reports.tables.rates import RateRow
    from reports.tables.surgeon_table import SurgeonPoint, SurgeonTable

HEADINGS = (
    *("surgeon", "patients", "placed", "imaged %", "graded", "breached", "effective"),
    *("rate % (interval)", "95% lines", "99.8% lines", "expected", "O/E (interval)"),
    *("shrunken % (interval)", "patients with a breach (%; interval)", "where"),
)

SIGNALS: tuple[tuple[str, str], ...] = tuple(
    {
        "Data": "are the screws, scans and readings complete and right; who was not imaged, and "
        "why; were second readings owed",
        "Case mix": "levels, deformity, revisions and bone: were these harder screws to place than "
        "others', beyond what the expected number allows for",
        "Structure": "guidance, instruments, imaging and staff that were there on those days",
        "Process": "how entry points were found, tracks probed and screws checked before closure",
        "Person": "only then the surgeon: a change of technique, of health, or of workload",
    }.items()
)
"""What to look at where a point lies beyond a line, in this order (common practice, no source)."""

_USUAL_LEVEL = 0.05

CONVERSATION = (
    "A point beyond a line is a question, not a finding: look in the order below before anything "
    "is said about a person. A point between the lines proves nothing either."
)


def words_of(point: SurgeonPoint) -> list[str]:
    """Return a point's cells under `HEADINGS`; a dash where a number is undefined."""
    return [
        point.code,
        *(str(point.patients), str(point.placed), share_imaged(point)),
        *(str(point.graded), str(point.breached), _number(point.effective)),
        in_per_cent(point.rate),
        between(point.limits_95),
        between(point.limits_998),
        _number(point.expected),
        quotient(point.observed_over_expected),
        in_per_cent(point.shrunken),
        affected(point),
        str(point.position),
    ]


def affected(one: SurgeonPoint | RateRow) -> str:
    """Return the patients with a breach, with their share and its interval where it has one."""
    if one.patients_with_event is None:
        return "-"
    share = share_words(one)
    return f"{one.patients_with_event} ({share})" if share else str(one.patients_with_event)


def share_imaged(point: SurgeonPoint) -> str:
    """Return the share of placed screws whose case has an audit scan, in per cent."""
    return percent(point.imaged / point.placed) if point.placed else "-"


def in_per_cent(made: Estimate) -> str:
    """Return a proportion with its interval: 4.1 (1.6 to 9.8)."""
    return _with_limits(made, percent)


def quotient(made: Estimate) -> str:
    """Return a quotient with its interval: 1.21 (0.60 to 2.30)."""
    return _with_limits(made, "{:.2f}".format)


def between(limits: Interval | None) -> str:
    """Return limits of a proportion in per cent: 0.4 to 9.1."""
    return "-" if limits is None else f"{percent(limits.low)} to {percent(limits.high)}"


def imaging_words(point: SurgeonPoint) -> str:
    """Return the cases by reason: routine 12, not stated 3."""
    return ", ".join(f"{words} {count}" for words, count in point.imaging.items()) or "-"


def notes(table: SurgeonTable) -> list[str]:
    """Return the sentences that must stand beside the points."""
    said = [table.rates.notes()[0]]
    if table.target is not None:
        said.append(
            f"The target is the unit's own rate in the period, {percent(table.target)}%. Of "
            "surgeons whose true rate it is, 95 and 99.8 in 100 are expected between the lines; "
            "by chance alone one in twenty lies beyond the inner lines."
        )
        said.append(
            "The lines are exact and drawn on effective screws: graded screws lessened for those "
            "that share a patient."
        )
    if table.spread:
        said.append(_spread_words(table))
    if any(point.expected is not None for point in table.points):
        said.append(table.expected_words)
    if any(point.observed_over_expected.low is not None for point in table.points):
        said.append(
            "Limits of observed over expected (O/E): exact Poisson on counts divided by the "
            "design effect, an approximation."
        )
    if any(point.shrunken.value is not None for point in table.points):
        said.append(
            "Shrunken: the rate that is likely given all surgeons, drawn to the unit's the further "
            "the fewer the screws. Surgeons' rates are taken from a beta distribution round the "
            "target; its spread in log odds is unknown, half-normal with scale 0.5 beforehand "
            "(our assumption)."
        )
    said += table.rates.notes()[1:]
    return [*said, *(words for words in table.withheld if words not in said)]


def _spread_words(table: SurgeonTable) -> str:
    """Return how far the points lie apart, and what is made of it."""
    found = table.spread
    if found is None:
        return ""
    lie = "are not seen to lie" if found.p_value >= _USUAL_LEVEL else "lie"
    said = (
        f"Over-dispersion {found.phi:.2f} (1 is chance; p = {found.p_value:.3f}; "
        f"{found.surgeons} surgeons, {found.winsorised} pulled in): the points {lie} further "
        "apart than chance alone would put them."
    )
    if not found.is_enough:
        return f"{said} With fewer than ten surgeons that is too unsure to widen lines by."
    if table.is_widened:
        return (
            f"{said} The lines are widened for it, {table.widening}: what many surgeons differ by "
            "is taken as usual, which can also hide one who differs."
        )
    return f"{said} The lines are not widened for it."


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.1f}"


def _with_limits(made: Estimate, written: Callable[[float], str]) -> str:
    if made.value is None:
        return "-"
    told = written(made.value)
    if made.low is None or made.high is None:
        return told
    return f"{told} ({written(made.low)} to {written(made.high)})"
