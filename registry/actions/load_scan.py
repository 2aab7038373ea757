"""Take a CT in from paths: choose the series, keep its voxels, attach it to its case."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.attach_scan import (
    ScanChoice,
    SealedVolume,
    attach_scan,
    drop_unused,
)
from registry.actions.match_scan import case_facts, fitting_case, named_in_files
from registry.actions.side_note import side_notes
from registry.domain.access import Deed, Reach, Viewer, require
from registry.domain.matching import Objection, objections
from registry.domain.problems import BadInputError, ConflictError, Fault, ProblemError
from registry.domain.scans import ScanFacts, ScanKind, ScanReason, why_not_counted
from registry.imaging.intake import read_series, survey
from registry.imaging.left_behind import report
from registry.imaging.sources import gather
from registry.store.queries.scans import (
    case_for_scan,
    cases_of_patient,
    numbered_case_for_scan,
)

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from datetime import date, datetime
    from pathlib import Path

    from registry.actions.attach_scan import AttachedScan
    from registry.imaging.intake import FoundSeries, LeftOut, ListedSeries, Survey
    from registry.imaging.left_behind import LeftBehindReport
    from registry.store.home import Ledger
    from registry.store.queries.scans import CaseForScan

_NO_CASE = "no case before this scan has the hospital number that the files carry"


@dataclass(frozen=True)
class ScanOrder:
    """What the person said about the scan; None where the files or the ledger decide.

    Attributes
    ----------
    series : number in the list of what lies there
    patient_because : why it is the case's patient's although the files say otherwise
    is_burned_in_confirmed : somebody has looked, and no slice names anybody
    """

    case_ref: str | None = None
    kind: ScanKind | None = None
    reason: ScanReason | None = None
    series: int | None = None
    patient_because: str = ""
    is_burned_in_confirmed: bool = False


@dataclass(frozen=True)
class LoadedScan:
    """What came of it.

    Attributes
    ----------
    case_ref : the case it was attached to
    scanned_on : day of the scan
    kind, reason : as recorded
    shape : slices, rows, columns
    is_new : False where exactly this was attached already and nothing changed
    readings_owed : first readings that were asked for
    not_counted : why the case is not counted on this scan, where its own facts say so, else ''
    left_out : what was not read, and why
    warnings : what a reader should know
    left_behind : what was not kept of the files' attributes, without values
    """

    case_ref: str
    scanned_on: date
    kind: ScanKind
    reason: ScanReason
    shape: tuple[int, int, int]
    is_new: bool
    readings_owed: int
    not_counted: str
    left_out: tuple[LeftOut, ...]
    warnings: tuple[str, ...]
    left_behind: LeftBehindReport


@dataclass(frozen=True)
class ListedScans:
    """What lies under some paths.

    Attributes
    ----------
    series : a line each
    by_rule : number of the one that the rule chooses, None where a person has to
    aside : files that are no slices of CT, those alike in one folder together
    """

    series: tuple[ListedSeries, ...]
    by_rule: int | None
    aside: tuple[LeftOut, ...]


def list_scans(viewer: Viewer, paths: Sequence[Path]) -> ListedScans:
    """Return what lies under `paths`; nothing is kept."""
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)
    found = survey(paths)
    try:
        by_rule = found.series_to_read().number
    except BadInputError:
        by_rule = None
    return ListedScans(found.listing, by_rule, tuple(gather(found.aside)))


def load_scan(
    ledger: Ledger, viewer: Viewer, paths: Sequence[Path], order: ScanOrder, now: datetime
) -> LoadedScan:
    """Read the one fitting series under `paths` and attach it to its case.

    Raises
    ------
    BadInputError
        nothing fits, or the case cannot be told; every reason is said and nothing is kept
    ConflictError
        the case has another image for that day and kind, or the series is attached elsewhere
    """
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)
    if order.case_ref is not None:
        # Told before the files are looked at, and looked up again under the lock.
        with ledger.reading() as session:
            _named_case(case_for_scan(session, viewer, order.case_ref), order.case_ref)
    found = survey(paths, accept_burned_in=order.is_burned_in_confirmed)
    series = _chosen(found, order, lambda each: _against(ledger, viewer, order, each))
    ledger.images.sweep()
    with ledger.images.writer() as writer:
        volume = read_series(series, writer)
        digest = writer.seal(volume.affine, volume.attributes)
    sealed = SealedVolume(volume, digest)
    try:
        case = _case(ledger, viewer, order, sealed)
        # Before the lock: the image is looked at.
        notes = side_notes(ledger, case.case_id, digest)
        with ledger.writing(viewer, now) as work:
            case = _still(case, numbered_case_for_scan(work.session, viewer, case.case_id))
            choice = ScanChoice(case, order.kind, order.reason, order.patient_because, notes)
            attached = attach_scan(ledger, work, viewer, sealed, choice)
    except ProblemError:
        drop_unused(ledger, viewer, digest, now)
        raise
    if not attached.is_new:
        # The same series with other contents, as with a slice that was damaged since.
        drop_unused(ledger, viewer, digest, now)
    return _loaded(ledger, case, sealed, attached, found.left_out_beside(series))


def _loaded(
    ledger: Ledger,
    case: CaseForScan,
    sealed: SealedVolume,
    attached: AttachedScan,
    left_out: tuple[LeftOut, ...],
) -> LoadedScan:
    facts = ScanFacts(attached.scan_id, attached.scanned_on, attached.kind, attached.reason)
    return LoadedScan(
        case_ref=case.reference,
        scanned_on=attached.scanned_on,
        kind=attached.kind,
        reason=attached.reason,
        shape=sealed.volume.shape,
        is_new=attached.is_new,
        readings_owed=attached.readings_owed,
        not_counted=why_not_counted(facts, case.operated_on, ledger.settings.audit_window_days),
        left_out=left_out,
        warnings=attached.warnings,
        left_behind=report(sealed.volume.attributes["left_behind"]),
    )


def _chosen(found: Survey, order: ScanOrder, unfit: Callable[[FoundSeries], str]) -> FoundSeries:
    """Return the series by number, else by the rule among those that fit the case."""
    if order.series is None:
        against = [unfit(each) for each in found.found if each.is_readable]
        if against and all(against):
            # The same for each: said once.
            raise BadInputError(*(Fault(each, mend=_mend(each)) for each in dict.fromkeys(against)))
    return found.series_to_read(order.series, unfit)


def _mend(against: str) -> str:
    if against == Objection.BEFORE_OPERATION:
        return "name the case it followed"
    if against == _NO_CASE:
        return "name the case with --case"
    return "name their own case, or confirm the patient with a reason (--confirm-patient)"


def _against(ledger: Ledger, viewer: Viewer, order: ScanOrder, series: FoundSeries) -> str:
    """Return in words what speaks against a series, or nothing."""
    named = named_in_files(ledger, series.patient_id, series.birth_date)
    scanned_on = series.summary.acquired_on
    if scanned_on is None:
        return ""
    with ledger.reading() as session:
        if order.case_ref is not None:
            case = _named_case(case_for_scan(session, viewer, order.case_ref), order.case_ref)
        else:
            cases = cases_of_patient(session, viewer, named.number_hash)
            fitting = fitting_case(ledger, cases, named, scanned_on)
            if fitting is None:
                return _NO_CASE
            case = fitting
    against = objections(case_facts(ledger, case, named), scanned_on)
    if order.patient_because.strip():
        against = [each for each in against if not each.can_be_confirmed]
    return against[-1].value if against else ""


def _case(ledger: Ledger, viewer: Viewer, order: ScanOrder, sealed: SealedVolume) -> CaseForScan:
    identity, scanned_on = sealed.volume.identity, sealed.volume.scanned_on
    named = named_in_files(ledger, identity.patient_id, identity.birth_date)
    with ledger.reading() as session:
        if order.case_ref is not None:
            found = case_for_scan(session, viewer, order.case_ref)
            return _named_case(found, order.case_ref)
        cases = cases_of_patient(session, viewer, named.number_hash)
    found = None if scanned_on is None else fitting_case(ledger, cases, named, scanned_on)
    if found is None:
        raise BadInputError(Fault(_NO_CASE, mend="name the case with --case"))
    return found


def _still(case: CaseForScan, found: CaseForScan | None) -> CaseForScan:
    if found is None:
        raise ConflictError(
            Fault(f"case {case.reference} takes no scan any more", mend="nothing was changed")
        )
    return found


def _named_case(case: CaseForScan | None, reference: str) -> CaseForScan:
    if case is None:
        raise BadInputError(Fault(f"no case {reference!r}", "--case", "load its theatre log first"))
    return case
