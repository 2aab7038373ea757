"""Whose scan it is, and of which operation: what fits, what speaks against it, what is asked.

The hospital's number and the birth date come here as already compared (by keyed hashes); nothing
here knows an identity.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

from registry.domain.scans import ScanKind

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date


class Agreement(StrEnum):
    """How what the files say stands to what the log says."""

    SAME = "the same"
    OTHER = "another"
    UNKNOWN = "not said by both"


class Objection(StrEnum):
    """What speaks against attaching a scan to a case, in words."""

    ANOTHER_NUMBER = "the hospital number in the files is not the case's patient's"
    ANOTHER_BIRTH_DATE = "the birth date in the files is not the case's patient's"
    BEFORE_OPERATION = "the scan was made before the operation"

    @property
    def can_be_confirmed(self) -> bool:
        """Say whether a person may answer for it with a reason; a day cannot be argued with."""
        return self is not Objection.BEFORE_OPERATION


@dataclass(frozen=True)
class CaseFacts:
    """A case as matching sees it.

    Attributes
    ----------
    number, born : hospital number and birth date of its patient against the files'
    """

    case_id: int
    operated_on: date
    number: Agreement
    born: Agreement


def objections(case: CaseFacts, scanned_on: date) -> list[Objection]:
    """Return what speaks against the case, the gravest last.

    Every kind of scan is refused before its operation: what was imaged then was not yet there. An
    intra-operative image is of the day of operation or, past midnight, of the next.
    """
    found = []
    if case.number is Agreement.OTHER:
        found.append(Objection.ANOTHER_NUMBER)
    if case.born is Agreement.OTHER:
        found.append(Objection.ANOTHER_BIRTH_DATE)
    if scanned_on < case.operated_on:
        found.append(Objection.BEFORE_OPERATION)
    return found


def in_order_of_fit(cases: Iterable[CaseFacts], scanned_on: date) -> list[CaseFacts]:
    """Return the cases before the scan, the latest first, then those after it, the next first.

    Of a patient's operations a scan most often follows the latest one; a person may say otherwise.
    """
    before = [case for case in cases if case.operated_on <= scanned_on]
    after = [case for case in cases if case.operated_on > scanned_on]
    return [
        *sorted(before, key=lambda case: (case.operated_on, case.case_id), reverse=True),
        *sorted(after, key=lambda case: (case.operated_on, case.case_id)),
    ]


def suggested_kind(
    scanned_on: date, operated_on: date, window_days: tuple[int, int]
) -> ScanKind | None:
    """Return the likely kind by the days alone; None where only a person can know.

    On the day of operation both an intra-operative 3D image and a post-operative CT are made; past
    the unit's window for audit scans it is a later CT.
    """
    days = (scanned_on - operated_on).days
    if days <= 0:
        return None
    return ScanKind.LATER_CT if days > window_days[1] else ScanKind.POST_OPERATIVE_CT


def kind_note(kind: ScanKind, scanned_on: date, operated_on: date) -> str:
    """Return what is odd about a kind on that day, in words, or nothing.

    An operation may go on past midnight; the rest is common practice, no source.
    """
    days = (scanned_on - operated_on).days
    if kind is ScanKind.INTRA_OPERATIVE_3D and days > 1:
        return f"called intra-operative, and made {days} days after the operation"
    return ""
