"""Record a reading made on the desk: worked out from its marks, saved with what follows from it."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from registry.actions.assign import assign_second_reading
from registry.actions.desk_answer import answer_of
from registry.actions.desk_screw import open_screw
from registry.actions.desk_side import SAME_AXIS, is_axis_of_another
from registry.actions.desk_told import saved_words
from registry.actions.keep_evidence import draw_evidence, keeping
from registry.actions.policy import raise_finding
from registry.actions.settle import settle
from registry.actions.worklist import following, worklist
from registry.domain.access import Deed, Reach, require
from registry.domain.problems import BadInputError, ConflictError, Fault, NotFoundError
from registry.domain.readings import (
    Confidence,
    CountedReading,
    Method,
    ProposalSeen,
    ReadingRole,
)
from registry.domain.scales import grade
from registry.store.models.readings import Reading
from registry.store.queries.assignments import saving_facts
from registry.store.queries.drafts import note_saved
from registry.store.queries.proposed import proposal_seen

if TYPE_CHECKING:
    from datetime import datetime

    from registry.actions.desk_answer import Answer, Submission
    from registry.actions.worklist import BlindScrew
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.assignments import SavingFacts
    from registry.store.writing import Writing


@dataclass(frozen=True)
class Recorded:
    """What came of it.

    Attributes
    ----------
    reading_id : int
    grade : on the unit's scale, or None
    words : screw and finding, for the line that its reader sees next
    following : the screw to read next, None where nothing more is owed
    finding_id : what met the unit's policy for findings that cannot wait, or None
    is_practice : the screw is drawn, and the truth may be shown beside what was read
    """

    reading_id: int
    grade: str | None
    words: str
    following: BlindScrew | None
    finding_id: int | None = None
    is_practice: bool = False


def record_reading(
    ledger: Ledger,
    viewer: Viewer,
    assignment_id: int,
    submission: Submission,
    now: datetime,
    *,
    key: str = "",
) -> Recorded:
    """Save a reading, ask for a second one where the rule says so, and work out the consensus.

    The draft that it was made from ends in the same transaction, under the key of this saving.

    Raises
    ------
    BadInputError : what is missing or wrong, all of it
    ConflictError : the reading is not the viewer's to make (any more); nothing was changed
    """
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    try:
        screw = open_screw(ledger, viewer, assignment_id, now)
    except NotFoundError as problem:
        raise _not_owed() from problem
    answer = answer_of(screw, submission, ledger.settings)
    drawn = draw_evidence(screw, submission, answer)
    with keeping(ledger, viewer, drawn, now) as evidence, ledger.writing(viewer, now) as work:
        # Asked again under the lock: somebody may have read it since the page was opened.
        facts = saving_facts(work.session, viewer, assignment_id)
        if facts is None:
            raise _not_owed()
        _refuse_axis_of_another(submission, facts)
        seen = proposal_seen(work.session, viewer, facts.screw_id, facts.scan_id)
        by = _by(ledger, viewer, assignment_id, now) | {"proposal_seen": seen}
        reading_id = _insert(work, facts, by, submission, answer)
        evidence.keep(work, reading_id, facts.screw_id)
        finding_id = None
        if not facts.is_practice:
            finding_id = raise_finding(
                work,
                ledger.settings,
                reading_id=reading_id,
                screw_id=facts.screw_id,
                scan_id=facts.scan_id,
                role=facts.role,
                extents_mm=answer.extents,
            )
        is_counted = not facts.is_drawn and _may_count(ledger, seen)
        if facts.role == ReadingRole.FIRST and is_counted:
            assign_second_reading(
                work,
                ledger.settings,
                screw_id=facts.screw_id,
                scan_id=facts.scan_id,
                operated_on=facts.operated_on,
                extents_mm=answer.extents,
                is_near_cut_off=answer.is_near_cut_off,
                is_low_confidence=submission.confidence is Confidence.LOW,
            )
        settle(work, ledger.settings, [facts.screw_id])
        found = grade(answer.extents, screw.level.code, ledger.settings.scale)
        words = saved_words(screw, submission, answer, found)
        outcome = {
            "reading_id": reading_id,
            "grade": found,
            "words": words,
            "finding_id": finding_id,
            "is_practice": facts.is_practice,
        }
        # Rows that a draft hangs on have to be there first.
        work.flush_rows()
        told = json.dumps(outcome)
        note_saved(work.session, viewer, assignment_id, key=key, outcome=told, now=now)
    owed = worklist(ledger, viewer, now, in_practice=facts.is_practice or None)
    coming = following(owed, screw.image.digest)
    return Recorded(reading_id, found, words, coming, finding_id, facts.is_practice)


def _may_count(ledger: Ledger, seen: ProposalSeen | None) -> bool:
    """Return whether a reading is one of those that the unit counts.

    The rule for second readings takes no other: it would ask for more where a proposal was shown.
    """
    is_changed = seen is ProposalSeen.AFTER_OWN
    return not is_changed or ledger.settings.counted_reading is CountedReading.AFTER_PROPOSAL


def _refuse_axis_of_another(submission: Submission, facts: SavingFacts) -> None:
    """Refuse a screw that was read under another name, and tell nothing of that reading."""
    marks = submission.marks
    if marks is None or submission.way in {None, Method.TYPED} or submission.axis_confirmed:
        return
    if is_axis_of_another(marks.placing, facts.marks_of_others):
        raise BadInputError(SAME_AXIS)


def _not_owed() -> ConflictError:
    return ConflictError(
        Fault(
            "this reading is not yours to make, or has been made meanwhile; nothing was saved",
            mend="what you marked stays on the page until you leave it; go on from the worklist",
        )
    )


def _by(ledger: Ledger, viewer: Viewer, assignment_id: int, now: datetime) -> dict[str, Any]:
    """Return the columns that say who read, when, and for which asking."""
    return {
        "reader_id": viewer.person_id,
        "recorded_by_id": viewer.account_id,
        "assignment_id": assignment_id,
        "read_on": now.astimezone(ZoneInfo(ledger.settings.zone)).date(),
        "recorded_at": now,
    }


def _insert(
    work: Writing,
    facts: SavingFacts,
    by: dict[str, Any],
    submission: Submission,
    answer: Answer,
) -> int:
    extents: dict[str, Any] = {f"{wall}_mm": value for wall, value in answer.extents.items()}
    return work.insert(
        Reading,
        "read a screw",
        screw_id=facts.screw_id,
        scan_id=facts.scan_id,
        role=facts.role,
        is_assessable=submission.not_assessable is None,
        not_assessable_reason=submission.not_assessable,
        # A screw that cannot be read was still looked at, by eye.
        method=submission.way or Method.BY_EYE,
        confidence=submission.confidence,
        note=submission.note.strip() or None,
        is_blind=facts.is_blind,
        marks=_kept_marks(submission),
        seconds_spent=submission.seconds_spent,
        supersedes_id=facts.supersedes_id,
        superseded_reason=None if facts.supersedes_id is None else facts.asked_because,
        **by,
        **extents,
        **answer.columns,
    )


def _kept_marks(submission: Submission) -> str:
    marks = submission.marks
    document = {
        "marks": None if marks is None else json.loads(marks.to_json()),
        "shown_depths_mm": sorted(submission.shown.depths_mm),
        "shown_planes": sorted(submission.shown.planes),
        "window_hu": submission.window_hu,
    }
    return json.dumps(document, sort_keys=True, separators=(",", ":"))
