"""Note a scan that is held elsewhere, and correct what is recorded of a scan.

Which scan a case is counted on follows from all of them, and what is owed follows from that.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from registry.actions.corrections import fields_changed, require_change, require_version
from registry.actions.follow_case import follow_cases
from registry.actions.typed_reason import reason_given
from registry.domain.access import Deed, Reach, require
from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.domain.scans import ScanKind, ScanReason
from registry.intake import values
from registry.intake.entered import LONGEST_DAY_TEXT, Asked, day_faults, place_of, read_fields
from registry.store.models.scans import Scan
from registry.store.queries.scans import correctable_case, scan_there

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date, datetime

    from registry.actions.corrections import Correction
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.writing import Writing

SCAN: tuple[Asked, ...] = (
    Asked("scanned_on", "Day of the scan", "a day", values.day, LONGEST_DAY_TEXT, is_required=True),
    Asked(
        "kind",
        "Kind",
        "a kind of scan",
        values.word(ScanKind),
        is_required=True,
        words=tuple(kind.value for kind in ScanKind),
    ),
    Asked(
        "reason",
        "Why it was made",
        "a reason for a scan",
        values.word(ScanReason),
        is_required=True,
        words=tuple(reason.value for reason in ScanReason),
    ),
    Asked(
        "is_adequate",
        "Can be read",
        "a yes or no",
        values.truth,
        is_required=True,
        words=("yes", "no"),
    ),
)
"""What is asked about a scan, in the order of the form."""


def add_scan_elsewhere(
    ledger: Ledger,
    viewer: Viewer,
    case_id: int,
    texts: Mapping[str, str],
    *,
    today: date,
    now: datetime,
) -> int:
    """Note a scan that is held elsewhere; return it.

    Raises
    ------
    BadInputError : what is wrong with what was typed, all of it
    ConflictError : the case has a scan of that day and kind
    """
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)
    found = _read(texts, today)
    with ledger.writing(viewer, now) as work:
        correctable_case(work.session, viewer, case_id)
        _refuse_twice(work, case_id, found, None)
        scan_id = work.insert(
            Scan,
            "note a scan held elsewhere",
            case_id=case_id,
            warnings="[]",
            matched_by_id=viewer.account_id,
            **found,
        )
        follow_cases(work, ledger.settings, [case_id])
    return scan_id


def correct_scan(
    ledger: Ledger,
    viewer: Viewer,
    case_id: int,
    scan_id: int,
    correction: Correction,
    *,
    today: date,
    now: datetime,
) -> None:
    """Correct a scan's day, kind or reason, or say that it cannot be read.

    Raises
    ------
    BadInputError : what is wrong with what was typed, all of it; or nothing differs
    ChangedMeanwhileError : another correction came first; nothing was changed
    ConflictError : the case has another scan of that day and kind
    """
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)
    because = reason_given(correction.because)
    found = _read(correction.texts, today)
    with ledger.writing(viewer, now) as work:
        scan = correctable_case(work.session, viewer, case_id).scan(scan_id)
        require_version(correction.version, scan.version)
        require_change(fields_changed(SCAN, correction.texts, scan.texts))
        _refuse_twice(work, case_id, found, scan_id)
        work.update(Scan, "correct a scan", scan_id, because=because, **found)
        follow_cases(work, ledger.settings, [case_id])


def _read(texts: Mapping[str, str], today: date) -> dict[str, Any]:
    found, faults = read_fields(SCAN, texts)
    faults += day_faults(SCAN, found, ["scanned_on"], today)
    if faults:
        raise BadInputError(*faults)
    return found


def _refuse_twice(
    work: Writing, case_id: int, found: Mapping[str, Any], scan_id: int | None
) -> None:
    there = scan_there(work.session, case_id, found["scanned_on"], found["kind"].value)
    if there is not None and there.scan_id != scan_id:
        raise ConflictError(
            Fault(
                f"there is a {found['kind']} of {found['scanned_on']} already",
                place_of(SCAN, "scanned_on"),
                "nothing was changed: correct that one",
            )
        )
