"""Read the series of an arrival that a person has chosen, and attach it to the chosen case.

What a person can put right by deciding otherwise (another patient, a series that is damaged, a scan
that is there already) sends the arrival back to wait for them, with the reason; a full disk and the
like leave it failed, to be tried again. Only what was read loses its files.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from registry.actions.accounts import acting
from registry.actions.arrival_survey import ArrivalSurvey, Decision
from registry.actions.attach_scan import ScanChoice, SealedVolume, attach_scan, drop_unused
from registry.actions.held_arrival import LetGoError
from registry.actions.look_through import survey_spooled
from registry.actions.side_note import side_notes
from registry.domain.access import Deed, Reach, require
from registry.domain.arrivals import ArrivalState
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    Fault,
    NotAllowedError,
    ProblemError,
)
from registry.imaging.intake import read_series
from registry.imaging.lasting_words import lasting_words
from registry.store.queries.scans import numbered_case_for_scan

if TYPE_CHECKING:
    from registry.actions.held_arrival import HeldArrival
    from registry.domain.access import Viewer
    from registry.imaging.intake import FoundSeries

_ATTACHED_ALREADY = "it was attached already; nothing was changed"
_ANOTHER_NOW = "what lies in it is not what was looked through; choose again"


def read_arrival(held: HeldArrival) -> None:
    """Read and attach it; LetGoError where it was cancelled meanwhile, and nothing is attached."""
    try:
        _read(held)
    except (BadInputError, ConflictError, NotAllowedError) as error:
        held.finish(ArrivalState.LOOKED_THROUGH, _kept_words(error), decision=None, done=0, total=0)


def _kept_words(error: ProblemError) -> str:
    """Return an error's words without a case's reference.

    Who will read the scan blind may see them, and they outlive the withdrawal of a patient.
    """
    if not isinstance(error, BadInputError | ConflictError):
        return "; ".join(error.lines())
    placed = (
        replace(each, where="" if each.where.startswith("case ") else each.where)
        for each in error.faults
    )
    return "; ".join(BadInputError(*placed).lines())


def _read(held: HeldArrival) -> None:
    ledger = held.ledger
    decision = Decision.from_json(held.row.decision or "")
    viewer = acting(ledger, held.row.decided_by)
    require(viewer, Deed.LOAD_SCANS, at_least=Reach.ALL)
    series = _series(held, decision)
    ledger.images.sweep()
    with ledger.images.writer() as writer:
        volume = read_series(series, writer, held.tell)
        digest = writer.seal(volume.affine, volume.attributes)
    try:
        is_new = _attach(held, viewer, decision, SealedVolume(volume, digest))
    except (ProblemError, LetGoError, MemoryError):
        drop_unused(ledger, viewer, digest, held.now)
        raise
    if not is_new:
        # The same series with other contents, as when it was sent again from a damaged copy.
        drop_unused(ledger, viewer, digest, held.now)
    ledger.spool.destroy(held.row.token)


def _series(held: HeldArrival, decision: Decision) -> FoundSeries:
    """Return the chosen series, found again among the files."""
    found = survey_spooled(
        held.ledger.spool.files(held.row.token),
        lambda _: held.tell(0, 1),
        accept_burned_in=decision.is_burned_in_confirmed,
    )
    series = found.series_to_read(decision.series)
    seen = ArrivalSurvey.from_json(held.row.survey or "").one(decision.series)
    if seen is None or seen.words != lasting_words(series):
        raise ConflictError(Fault(_ANOTHER_NOW))
    return series


def _attach(held: HeldArrival, viewer: Viewer, decision: Decision, sealed: SealedVolume) -> bool:
    """Attach what was read; return whether it was not there before."""
    # Before the lock: the image is looked at.
    notes = side_notes(held.ledger, decision.case_id, sealed.digest)
    with held.ledger.writing(viewer, held.now) as work:
        case = numbered_case_for_scan(work.session, viewer, decision.case_id)
        if case is None:
            raise ConflictError(Fault("its case is not there any more", mend="choose another"))
        choice = ScanChoice(case, decision.kind, decision.reason, decision.patient_because, notes)
        attached = attach_scan(held.ledger, work, viewer, sealed, choice)
        message = "" if attached.is_new else _ATTACHED_ALREADY
        survey = ArrivalSurvey.from_json(held.row.survey or "").with_attached(decision.series)
        held.finish_within(work, message, attached.scan_id, survey.to_json())
    return attached.is_new
