"""Scans of a case, and which of them the case is counted on."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date


class ScanKind(StrEnum):
    """When and how a scan was made."""

    INTRA_OPERATIVE_3D = "intra-operative 3D"
    POST_OPERATIVE_CT = "post-operative CT"
    LATER_CT = "later CT"


class ScanReason(StrEnum):
    """Why a scan was made."""

    ROUTINE = "routine"
    SYMPTOMS = "symptoms"
    OTHER = "other"
    NOT_STATED = "not stated"


@dataclass(frozen=True)
class ScanFacts:
    """What decides whether a case is counted on a scan.

    Attributes
    ----------
    scan_id : int
    scanned_on : date
    kind, reason : as recorded
    is_adequate : bool, False where someone has said that the scan cannot be read at all
    """

    scan_id: int
    scanned_on: date
    kind: ScanKind
    reason: ScanReason
    is_adequate: bool = True


def audit_scan(
    scans: Iterable[ScanFacts], operated_on: date, window_days: tuple[int, int]
) -> ScanFacts | None:
    """Return the one scan that a case is counted on, or None.

    The first adequate post-operative CT within the window, both ends included, whose reason is
    routine, other or not stated. A later or a symptom scan never replaces it.

    Parameters
    ----------
    scans : of one case, any order
    operated_on : day of operation
    window_days : first and last day after the operation
    """
    first, last = window_days
    fitting = [
        scan
        for scan in scans
        if scan.kind is ScanKind.POST_OPERATIVE_CT
        and scan.reason is not ScanReason.SYMPTOMS
        and scan.is_adequate
        and first <= (scan.scanned_on - operated_on).days <= last
    ]
    return min(fitting, key=lambda scan: (scan.scanned_on, scan.scan_id), default=None)


def why_not_counted(scan: ScanFacts, operated_on: date, window_days: tuple[int, int]) -> str:
    """Return why a case is not counted on this scan, in words; '' where nothing speaks against it.

    An earlier scan that fits is the one other reason, which only the caller can see.
    """
    first, last = window_days
    day = (scan.scanned_on - operated_on).days
    if scan.kind is not ScanKind.POST_OPERATIVE_CT:
        return f"its kind is {scan.kind}"
    if scan.reason is ScanReason.SYMPTOMS:
        return "it was made for symptoms"
    if not scan.is_adequate:
        return "it was said to be unreadable"
    if not first <= day <= last:
        return f"day {day} is outside the unit's {first} to {last}"
    return ""
