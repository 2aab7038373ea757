"""How far readers agree: for the lead over all pairs, for a reader over many own ones."""

from __future__ import annotations

import hashlib
import hmac
from collections import Counter
from dataclasses import dataclass
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from registry.domain.access import Deed, Reach, require
from registry.domain.levels import level
from registry.domain.own_pairs import OWN_PAIRS, coarse_share, shown_until
from registry.domain.scales import SCALES, grade, greatest_extent
from registry.store.queries.people import all_person_names
from registry.store.queries.read_pairs import screws_read_twice
from reports.statistics.agreement import Weights
from reports.statistics.estimate import Estimate
from reports.tables.readers import (
    ReadPair,
    agreement,
    by_readers,
    by_reason,
    drifts,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Collection
    from datetime import date

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.read_pairs import ScrewReadTwice
    from reports.tables.readers import Agreement, Drift, GroupAgreement

NOT_BLIND = "one of the two readings was not blind, or made with the proposal shown"
NOT_ASSESSABLE = "one of the two said that the screw is not assessable"
NO_GRADE = "one of the two left out a wall that the grade needs"
SAME_READER = "both readings are by one reader"
_OUTSIDE = "read outside this ledger"
_NOTHING = Estimate()


@dataclass(frozen=True)
class AgreementAsked:
    """Days of operation, both included, None for open; and whether readers are named."""

    start: date | None = None
    end: date | None = None
    is_named: bool = False


@dataclass(frozen=True)
class ReadersCompared:
    """All that is shown of how readers agree.

    Attributes
    ----------
    asked : what was asked
    whole : over all pairs
    pairs : greatest extents of each pair in mm, first and second, for the chart
    reasons, couples : the same in short, by why screws were read twice, by two readers
    drifts : each reader against the others, by label
    left_out : screws read twice that are not compared, by why
    """

    asked: AgreementAsked
    whole: Agreement
    pairs: tuple[tuple[float, float], ...]
    reasons: tuple[GroupAgreement, ...]
    couples: tuple[GroupAgreement, ...]
    drifts: tuple[tuple[str, Drift], ...]
    left_out: dict[str, int]


@dataclass(frozen=True)
class OwnAgreement:
    """What a reader is shown of their own pairs; figures rounded, None where undefined.

    Attributes
    ----------
    until : last day of saving; None where too few pairs are settled, and then nothing else
    pairs : how many
    observed, ac1, kappa : share with the same grade, AC1, quadratic kappa, in steps of 0.05 from
        0.05 to 0.95
    bias_mm : own less the other's, to a tenth
    """

    until: date | None
    pairs: int = 0
    observed: Estimate = _NOTHING
    ac1: Estimate = _NOTHING
    kappa: Estimate = _NOTHING
    bias_mm: Estimate = _NOTHING


def compare_readers(ledger: Ledger, viewer: Viewer, asked: AgreementAsked) -> ReadersCompared:
    """Return how readers agree over all blind pairs, for who may see everybody's numbers."""
    require(viewer, Deed.SEE_SURGEONS, at_least=Reach.ALL)
    settings = ledger.settings
    with ledger.reading() as session:
        twice = screws_read_twice(session, settings.audit_window_days)
        names = all_person_names(session)
    screws = [screw for screw in twice if _is_in(screw, asked)]
    pairs, left_out = _pairs(screws, settings.scale)
    grades = SCALES[settings.scale].grades
    readers = {reader for pair in pairs for reader in pair.readers}
    labels = _labels(ledger, readers, names) if asked.is_named else _codes(ledger, readers)
    return ReadersCompared(
        asked=asked,
        whole=agreement(pairs, settings.scale, grades),
        pairs=tuple(pair.extents_mm for pair in pairs),
        reasons=by_reason(pairs, grades),
        couples=by_readers(pairs, grades, labels),
        drifts=tuple(
            sorted(((labels[each.reader], each) for each in drifts(pairs)), key=lambda two: two[0])
        ),
        left_out=dict(left_out),
    )


def own_agreement(ledger: Ledger, viewer: Viewer, today: date) -> OwnAgreement:
    """Return how a reader's own readings agree with the others', by `domain.own_pairs`."""
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    if viewer.person_id is None:
        return OwnAgreement(None)
    person, settings = viewer.person_id, ledger.settings
    zone = ZoneInfo(settings.zone)
    with ledger.reading() as session:
        twice = screws_read_twice(session, settings.audit_window_days)
    own = [
        screw
        for screw in twice
        if person in {screw.first.reader_id, screw.second.reader_id}
        and _why_not(screw, settings.scale) is None
    ]
    days = [
        max(screw.first.recorded_at, screw.second.recorded_at).astimezone(zone).date()
        for screw in own
    ]
    until = shown_until(days, today)
    if until is None:
        return OwnAgreement(None)
    shown = [screw for screw, day in zip(own, days, strict=True) if day <= until]
    pairs, _ = _pairs(shown, settings.scale)
    found = agreement(pairs, settings.scale, SCALES[settings.scale].grades)
    bias = next(each.bias for each in drifts(pairs) if each.reader == person)
    return OwnAgreement(
        until=until,
        pairs=len(pairs),
        observed=_each(found.observed, coarse_share),
        ac1=_each(found.ac1, coarse_share),
        kappa=_each(found.kappa[Weights.QUADRATIC], coarse_share),
        bias_mm=_each(bias, lambda mm: round(mm, 1)),
    )


def own_rule() -> str:
    """Return in words what a reader is shown of their own pairs."""
    return (
        f"Shown in sums of at least {OWN_PAIRS} pairs whose later reading was saved in a quarter "
        "that is over, rounded, and never beyond 0.05 and 0.95; never who the other reader was, "
        "nor which reading was the second."
    )


def _is_in(screw: ScrewReadTwice, asked: AgreementAsked) -> bool:
    is_late_enough = asked.start is None or screw.operated_on >= asked.start
    return is_late_enough and (asked.end is None or screw.operated_on <= asked.end)


def _pairs(screws: Collection[ScrewReadTwice], scale: str) -> tuple[list[ReadPair], Counter[str]]:
    """Return the pairs to compare, and why the others are left out."""
    pairs, left_out = [], Counter[str]()
    for screw in screws:
        why_not = _why_not(screw, scale)
        if why_not:
            left_out[why_not] += 1
        elif why_not is None:
            pairs.append(_pair(screw, scale))
    return pairs, left_out


def _why_not(screw: ScrewReadTwice, scale: str) -> str | None:
    """Return why a screw is not compared; None where it is, '' at a level without a grade."""
    two = (screw.first, screw.second)
    if not level(screw.level).has_pedicle_grade:
        return ""
    if not all(each.is_blind for each in two):
        return NOT_BLIND
    if screw.first.reader_id == screw.second.reader_id:
        return SAME_READER
    if not all(each.is_assessable for each in two):
        return NOT_ASSESSABLE
    if any(grade(each.extents_mm, screw.level, scale) is None for each in two):
        return NO_GRADE
    return None


def _pair(screw: ScrewReadTwice, scale: str) -> ReadPair:
    two = (screw.first, screw.second)
    first, second = (str(grade(each.extents_mm, screw.level, scale)) for each in two)
    first_mm, second_mm = (float(greatest_extent(each.extents_mm) or 0) for each in two)
    return ReadPair(
        screw.patient,
        (two[0].reader_id, two[1].reader_id),
        (first, second),
        (first_mm, second_mm),
        (two[0].read_on, two[1].read_on),
        screw.why or _OUTSIDE,
    )


def _labels(ledger: Ledger, readers: Collection[int], names: dict[int, str]) -> dict[int, str]:
    """Return names; two people of one name are told apart by their codes."""
    codes = _codes(ledger, readers)
    told = Counter(names[reader] for reader in readers)
    return {
        reader: names[reader] if told[names[reader]] == 1 else f"{names[reader]} ({codes[reader]})"
        for reader in readers
    }


def _codes(ledger: Ledger, readers: Collection[int]) -> dict[int, str]:
    """Return a code a reader, in an order that tells nothing; the same for the same readers."""
    key = b"|".join([ledger.keys.references, b"readers"])
    ordered = sorted(
        readers, key=lambda reader: hmac.new(key, str(reader).encode(), hashlib.sha256).digest()
    )
    return {reader: f"reader {number}" for number, reader in enumerate(ordered, start=1)}


def _each(found: Estimate, shown: Callable[[float], float]) -> Estimate:
    """Return a number as it is shown, its limits too."""
    return Estimate(*(None if part is None else shown(part) for part in found.cells))
