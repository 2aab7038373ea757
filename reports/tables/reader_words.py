"""How the agreement of readers is said to people: numbers with their intervals, and sentences."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.statistics.agreement import Weights
from reports.tables.rate_words import percent

if TYPE_CHECKING:
    from collections.abc import Iterable

    from reports.statistics.estimate import Estimate
    from reports.tables.readers import Agreement, Drift, GroupAgreement

ONE_GRADE = "not defined: both readers used one grade only"
NO_PAIR = "not defined: no such pair"
NO_SPREAD = "no interval"

_KAPPA_NAMES = {
    Weights.UNWEIGHTED: "Kappa, unweighted",
    Weights.LINEAR: "Kappa, linear weights",
    Weights.QUADRATIC: "Kappa, quadratic weights",
}

GROUP_HEADINGS = ["screws", "patients", "same grade", "kappa, quadratic", "AC1", "difference, mm"]
DRIFT_HEADINGS = [
    *("reader", "readings of", "screws", "own less the other's, mm", "change, mm a year"),
]

FEW_PATIENTS = 40
"""Below so many patients the intervals are said to fall short (`tests/long`)."""


def shortfall_words(patients: int) -> str:
    """Return what has to be said of the intervals of few patients; '' of many."""
    if not 0 < patients < FEW_PATIENTS:
        return ""
    return (
        f"Of {patients} {'patient' if patients == 1 else 'patients'} the intervals that leave out "
        "one at a time are too narrow: in simulations with 15 patients they held the truth in 90% "
        "to 93% of draws in place of 95%."
    )


def number_words(found: Estimate, digits: int = 2, undefined: str = "not defined") -> str:
    """Return a number with its interval: 0.81 (0.70 to 0.92)."""
    if found.value is None:
        return undefined
    if found.low is None or found.high is None:
        return f"{fixed(found.value, digits)} ({NO_SPREAD})"
    low, high = (fixed(limit, digits) for limit in (found.low, found.high))
    return f"{fixed(found.value, digits)} ({low} to {high})"


def fixed(value: float, digits: int) -> str:
    """Return a number with so many decimals, and no 0 below 0."""
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if float(text) == 0 else text


def share_words(found: Estimate, undefined: str = "not defined") -> str:
    """Return a share with its interval in per cent: 83.0% (75.1% to 88.8%)."""
    if found.value is None:
        return undefined
    if found.low is None or found.high is None:
        return f"{percent(found.value)}% ({NO_SPREAD})"
    return f"{percent(found.value)}% ({percent(found.low)}% to {percent(found.high)}%)"


def grade_rows(found: Agreement) -> list[tuple[str, str]]:
    """Return the shares with the same grade, by name."""
    neither = "not defined: neither found one"
    return [
        ("Same grade, all screws", share_words(found.observed)),
        (
            f"Same grade, of the {found.breached} that either called a breach",
            share_words(found.observed_breached, undefined=neither),
        ),
    ]


def class_rows(found: Agreement) -> list[list[str]]:
    """Return each grade, how often the first and the second reading gave it, and confirmed."""
    never = "not defined: never used"
    return [
        [
            *(each.grade, str(each.first), str(each.second)),
            share_words(each.agreement, undefined=never),
        ]
        for each in found.classes
    ]


def group_rows(groups: Iterable[GroupAgreement]) -> list[list[str]]:
    """Return a row a group: its name, then what stands under `GROUP_HEADINGS`."""
    return [
        [
            *(each.name, str(each.screws), str(each.patients), share_words(each.observed)),
            *(number_words(each.kappa), number_words(each.ac1), number_words(each.bias)),
        ]
        for each in groups
    ]


def drift_rows(drifts: Iterable[tuple[str, Drift]]) -> list[list[str]]:
    """Return a row a reader under `DRIFT_HEADINGS`, and one for each half-year of theirs."""
    rows = []
    for name, each in drifts:
        change = number_words(each.slope)
        rows.append([name, "all", str(each.screws), number_words(each.bias), change])
        rows += [
            [name, words, str(screws), number_words(bias), ""] for words, screws, bias in each.years
        ]
    return rows


def chance_rows(found: Agreement) -> list[tuple[str, str]]:
    """Return what is corrected for chance, by name."""
    nothing = ONE_GRADE if found.screws else NO_PAIR
    rows = [
        (name, number_words(found.kappa[weights], undefined=nothing))
        for weights, name in _KAPPA_NAMES.items()
    ]
    fleiss = number_words(found.interchangeable, undefined=nothing)
    rows.append(("Kappa, readers interchangeable (Fleiss)", fleiss))
    return [*rows, ("AC1 (Gwet)", number_words(found.ac1, undefined=NO_PAIR))]


def millimetre_rows(found: Agreement) -> list[tuple[str, str, str]]:
    """Return the correlations of the millimetres: name, all pairs, those with any breach."""
    flat = "not defined: the millimetres do not differ" if found.screws else NO_PAIR
    few = "not defined: too few pairs with a breach, or all alike"
    return [
        (
            "ICC(2,1), absolute agreement",
            number_words(found.icc_2_1, undefined=flat),
            number_words(found.breached_icc_2_1, undefined=few),
        ),
        (
            "ICC(3,1), consistency",
            number_words(found.icc_3_1, undefined=flat),
            number_words(found.breached_icc_3_1, undefined=few),
        ),
    ]


def limits_rows(found: Agreement) -> list[tuple[str, str]]:
    """Return the mean difference and its limits."""
    limits = found.limits
    sd = "not defined" if limits.sd is None else fixed(limits.sd, 2)
    return [
        ("Mean difference, second less first, mm", number_words(limits.bias)),
        ("Standard deviation of the differences, mm", sd),
        ("Lower limit of agreement, mm", number_words(limits.lower)),
        ("Upper limit of agreement, mm", number_words(limits.upper)),
    ]


def summary(found: Agreement) -> str:
    """Return in a sentence or two what the pairs show."""
    if not found.screws:
        return "No screw has been read twice blind in this period, so nothing can be compared."
    screws = "1 screw" if found.screws == 1 else f"{found.screws} screws"
    patients = "1 patient" if found.patients == 1 else f"{found.patients} patients"
    said = (
        f"Of {screws} in {patients} read twice blind, "
        f"{share_words(found.observed)} got the same grade. "
    )
    if not found.breached:
        return f"{said}Neither reader found a breach in any of them."
    return (
        f"{said}Of the {found.breached} that either reader called a breach, it was "
        f"{share_words(found.observed_breached)}: that is the harder half of the question, for most"
        " screws are contained and easily agreed on."
    )
