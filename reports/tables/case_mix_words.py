"""How case mix is said to people: cells, sentences, and the notes beside them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.statistics.case_mix import CaseMix, Refusal
from reports.tables.rate_words import percent
from reports.tables.splits import PERSONS, Split
from reports.tables.surgeon_table import OVERALL_BASIS

if TYPE_CHECKING:
    from reports.statistics.calibration import Fifth
    from reports.statistics.case_mix import Term
    from reports.statistics.estimate import Estimate
    from reports.tables.case_mix import CaseMixTable, ExpectedRow

HEADINGS = (
    *("patients", "graded", "observed", "expected", "observed/expected", "interval"),
    "design effect",
)
TERM_HEADINGS = (
    *("category", "against", "screws", "breached", "odds ratio", "interval", "share kept"),
)
FIFTH_HEADINGS = ("screws", "expected, %", "observed, %", "interval, %")

ADJUSTED = (
    "Expected: by patient and pedicle alone (level, side of the curve, bone quality, Cobb angle, "
    "revision, body mass index), never by guidance or entry technique, which are the surgeon's "
    "choice."
)
UNADJUSTED = (
    "Expected: the unit's overall rate for each screw, as its case-mix model is not used: on "
    "patients that it had not seen it told breached screws from others no better than chance "
    "alone might ({c}). Observed over expected is then the own rate over the unit's, taken of all "
    "screws up to the period's end; nothing is adjusted for."
)
REFUSED = (
    "Expected: the unit's overall rate for each screw. {reason} Observed over expected is then the "
    "own rate over the unit's, taken of all screws up to the period's end; nothing is adjusted for."
)
_LEAST_USEFUL = 0.6
"""A c statistic below which a model is said to tell little (ours, no source)."""
_LIKE_A_COIN = (
    "It tells breached screws from others little better than a coin: what it expects is then "
    "hardly better founded than the unit's overall rate for everybody."
)
_NOT_USED = (
    "The interval does not lie above 0.5, so the model is not used: everybody is expected to have "
    "the unit's overall rate."
)


def words_of(row: ExpectedRow) -> list[str]:
    """Return a row's cells under `HEADINGS`; a dash where a number is undefined."""
    expected = "-" if row.expected is None else f"{row.expected:.1f}"
    effect = "-" if row.design_effect is None else f"{row.design_effect:.2f}"
    counts = (row.patients, row.graded, row.observed)
    return [*map(str, counts), expected, _number(row.ratio.value), span(row.ratio), effect]


def sentence(row: ExpectedRow) -> str:
    """Return a row in a sentence; '' without a ratio."""
    found = row.ratio
    if found.value is None or found.low is None or found.high is None or row.expected is None:
        return ""
    verdict = (
        "1 lies within the interval, no more and no fewer than expected are shown"
        if found.low <= 1 <= found.high
        else f"{'more' if found.value > 1 else 'fewer'} than expected, 1 lies outside the interval"
    )
    return (
        f"{row.group}: {row.observed} observed, {row.expected:.1f} expected, "
        f"{_number(found.value)} times ({span(found)}): {verdict}."
    )


def words_of_term(term: Term, model: CaseMix) -> list[str]:
    """Return a term's cells: its factor, then those under `TERM_HEADINGS`."""
    return [
        term.factor,
        term.category,
        term.reference,
        str(term.size),
        str(term.events),
        _number(term.odds_ratio.value),
        span(term.odds_ratio),
        f"{percent(model.shares[term.factor])}%",
    ]


def words_of_fifth(fifth: Fifth) -> list[str]:
    """Return a fifth's cells under `FIFTH_HEADINGS`."""
    low, high, value = fifth.rate.low, fifth.rate.high, fifth.rate.value
    limits = "-" if low is None or high is None else f"{percent(low)} to {percent(high)}"
    rate = "-" if value is None else percent(value)
    return [str(fifth.size), percent(fifth.expected / fifth.size), rate, limits]


def trust(model: CaseMix) -> list[str]:
    """Return in sentences how far the model can be trusted, on patients that it had not seen."""
    found, c = model.calibration, model.discrimination
    seen = (
        "All of this is of predictions for patients that the factors' weights were made without: "
        "five parts of the patients, each predicted from the other four; the overall level is that "
        "of all."
    )
    said = [seen]
    if c.value is not None:
        little = f" {_LIKE_A_COIN}" if c.value < _LEAST_USEFUL else ""
        if not model.is_used:
            little = f" {_NOT_USED}"
        said.append(
            f"Discrimination: c statistic {_number(c.value)} ({span(c)}), 0.5 is chance, 1 is "
            f"perfect.{little}"
        )
    large, slope = found.in_the_large, found.slope
    said.append(
        f"Calibration in the large: {_number(_near_nought(large.value))} ({span(large)}) on the "
        "log odds; 0 is right, and by construction within these data."
    )
    said.append(
        f"Calibration slope: {_number(slope.value)} ({span(slope)}); 1 is right, below 1 the "
        "predictions spread too far."
    )
    said.append(
        f"Brier score: {found.brier:.4f}; with the overall rate for everybody "
        f"{found.brier_reference:.4f}. Lower is better."
    )
    return said


def expected_words(model: CaseMix) -> str:
    """Return what an expected number stands on, where the model's own page is not beside it."""
    if not model.is_used:
        return f"{unadjusted(model)} A surgeon's own screws are part of it, which pulls it to 1."
    c = model.discrimination.value
    said = [
        (
            f"Expected: by {basis_words(model)}, made from all "
            "graded screws up to the period's end; never guidance or technique, which the "
            "surgeon chooses."
        ),
        _unused(model),
        "A surgeon's own screws are part of it, which pulls observed over expected to 1.",
    ]
    if c is not None and c < _LEAST_USEFUL:
        said.append(f"On patients that it had not seen its c statistic is {c:.2f}. {_LIKE_A_COIN}")
    return " ".join(filter(None, said))


def basis_words(model: CaseMix) -> str:
    """Return by what is expected."""
    if not model.is_used:
        return OVERALL_BASIS
    used = ", ".join(name for name, share in model.shares.items() if share)
    return f"the unit's case-mix model of patient and pedicle ({used})"


def unadjusted(model: CaseMix) -> str:
    """Return that a model is not used, and why."""
    c = model.discrimination
    limits = "" if c.low is None else f", interval {span(c)}"
    return UNADJUSTED.format(c=f"c statistic {_number(c.value)}{limits}; 0.5 is chance")


def _unused(model: CaseMix) -> str:
    """Return which factors the model leaves unused; '' where it uses all."""
    names = [name for name, share in model.shares.items() if share == 0]
    return f"Told no more than chance, so not used: {', '.join(names)}." if names else ""


def _expected_from(model: CaseMix | Refusal) -> str:
    """Return what is expected and of what it is made."""
    if isinstance(model, Refusal):
        return REFUSED.format(reason=model.reason)
    return ADJUSTED if model.is_used else unadjusted(model)


def notes(table: CaseMixTable) -> list[str]:
    """Return the sentences that must stand beside the numbers."""
    event, model = table.question.event.words(), table.model
    is_used = isinstance(model, CaseMix) and model.is_used
    said = [f"{event[0].upper()}{event[1:]}; {_period(table)}."]
    said.append(_expected_from(model))
    if isinstance(model, CaseMix):
        said.append(
            f"The model is made from {model.events} breached screws in {model.patients} patients, "
            f"all up to the period's end, worth {model.effective_events:.0f} independent ones."
        )
        if model.is_used and _unused(model):
            said.append(_unused(model))
        if model.left_out:
            said.append(f"Left out: {'; '.join(model.left_out)}.")
    said.append(
        f"{100 * table.question.confidence:.10g}% intervals: exact Poisson limits on observed "
        "and expected divided by the design effect; the expected are taken as known. Simulated "
        "for surgeons who are as expected (5 to 60 patients, rates of 3 to 20%), 1 lay "
        "within them in 97 of 100 or more."
    )
    if table.split in PERSONS:
        said.append(
            "A person's own screws are part of what is expected, which pulls their quotient "
            "towards 1. In the order of names or codes; this is no ranking."
        )
    if table.split is Split.LEVEL and is_used:
        said.append("Level is one of the factors: quotients by level are near 1 by making.")
    said.append("An association, not an effect: what is not recorded is not adjusted for.")
    if any(row.graded < table.question.minimum for row in table.rows):
        said.append(f"Below {table.question.minimum} graded screws there is no quotient.")
    if table.second_reading:
        said.append(table.second_reading)
    return said


def span(found: Estimate) -> str:
    """Return an interval with two decimals."""
    if found.low is None or found.high is None:
        return "-"
    return f"{found.low:.2f} to {found.high:.2f}"


def _number(value: float | None) -> str:
    return "-" if value is None else f"{value:.2f}"


def _near_nought(value: float | None) -> float | None:
    """Return a value without the sign of what rounding left of nothing."""
    return None if value is None else round(value, 6) + 0.0


def _period(table: CaseMixTable) -> str:
    start, end = table.question.start, table.question.end
    if start and end:
        return f"operations from {start} to {end}"
    if start:
        return f"operations from {start}"
    return f"operations up to {end}" if end else "all operations"
