"""Which rows a viewer may see: one function a record, and every query starts from one of them.

A rule that is absent means no.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from sqlalchemy import (
    ColumnElement,
    Select,
    String,
    and_,
    cast,
    exists,
    false,
    literal,
    or_,
    select,
    true,
)
from sqlalchemy.orm import aliased

from registry.domain.access import Deed, Reach, Role, Viewer, reach
from registry.domain.known_truth import Purpose
from registry.domain.readings import ReadingRole
from registry.store.apart import WITH_DRAWN
from registry.store.models.arrivals import ArrivalRow
from registry.store.models.cases import Case, CaseAssistant, Screw
from registry.store.models.drawn import DrawnCase, DrawnScan
from registry.store.models.evidence import Evidence
from registry.store.models.findings import Finding
from registry.store.models.outcomes import Outcome
from registry.store.models.patients import Patient
from registry.store.models.people import Account
from registry.store.models.readings import Assignment, ConsensusRow, Reading
from registry.store.models.replies import Rereading
from registry.store.models.scans import Scan
from registry.store.models.trail import EventRow
from registry.store.models.unit import CaseSeen
from registry.store.visible_notes import OWN_NOTES, is_anothers_note

if TYPE_CHECKING:
    from collections.abc import Iterable

# Each is made once: an alias takes longer to make than the question in which it stands to answer.
_OPERATED = aliased(Screw)
_COVER, _ASKED = aliased(Rereading), aliased(Rereading)


def took_part(person_id: int) -> ColumnElement[bool]:
    """Return what holds of a case in which a person operated or assisted.

    Never null, so that its opposite is what holds of every other case.
    """
    return or_(
        Case.surgeon_id == person_id,
        and_(Case.second_surgeon_id.is_not(None), Case.second_surgeon_id == person_id),
        exists()
        .where(CaseAssistant.case_id == Case.id, CaseAssistant.person_id == person_id)
        .correlate(Case),
        exists()
        .where(_OPERATED.case_id == Case.id, _OPERATED.operator_id == person_id)
        .correlate(Case),
    )


def _of_reach(found: Reach, own: ColumnElement[bool]) -> ColumnElement[bool]:
    if found is Reach.ALL:
        return true()
    return own if found is Reach.OWN else false()


def visible_cases(viewer: Viewer) -> Select[Case]:
    """Return the cases a viewer may look at, surgeon and technique included."""
    own = false() if viewer.person_id is None else took_part(viewer.person_id)
    return select(Case).where(_of_reach(reach(viewer, Deed.SEE_CASES), own))


def enterable_cases(viewer: Viewer) -> Select[Case]:
    """Return the cases that are a viewer's to enter, were they not there."""
    own = false() if viewer.person_id is None else took_part(viewer.person_id)
    return select(Case).where(_of_reach(reach(viewer, Deed.ENTER_CASES), own))


def entered_cases(viewer: Viewer) -> Select[Case]:
    """Return the cases that a viewer has entered, as long as they may enter any."""
    by_them = Case.entered_by_id == viewer.account_id
    has_reach = reach(viewer, Deed.ENTER_CASES) is not Reach.NONE
    return select(Case).where(by_them if has_reach else false())


def correctable_cases(viewer: Viewer) -> Select[Case]:
    """Return the cases whose record a viewer may put right; none of a withdrawn patient.

    Those that they may look at as well as enter, and those that they have entered themselves: who
    reads blind never opens a case that another has entered.
    """
    seen, enterable, entered = (
        cases(viewer).with_only_columns(Case.id)
        for cases in (visible_cases, enterable_cases, entered_cases)
    )
    in_reach = or_(and_(Case.id.in_(seen), Case.id.in_(enterable)), Case.id.in_(entered))
    return select(Case).where(in_reach, ~is_withdrawn())


def scannable_cases(viewer: Viewer) -> Select[Case]:
    """Return the cases to which a viewer may attach a scan; none of a withdrawn patient."""
    cases = select(Case).where(_of_reach(reach(viewer, Deed.LOAD_SCANS), false()))
    return cases.where(~is_withdrawn())


def visible_arrivals(viewer: Viewer) -> Select[ArrivalRow]:
    """Return what came in and is not yet a scan, for who may attach scans."""
    return select(ArrivalRow).where(_of_reach(reach(viewer, Deed.LOAD_SCANS), false()))


def is_withdrawn() -> ColumnElement[bool]:
    """Return what holds of a case whose patient was withdrawn."""
    return (
        exists()
        .where(Patient.id == Case.patient_id, Patient.withdrawn_at.is_not(None))
        .correlate(Case)
    )


def visible_readings(viewer: Viewer) -> Select[Reading]:
    """Return the readings a viewer may look at: those of the cases they may look at."""
    cases = visible_cases(viewer).with_only_columns(Case.id)
    screws = select(Screw.id).where(Screw.case_id.in_(cases))
    return select(Reading).where(Reading.screw_id.in_(screws))


def own_readings(viewer: Viewer) -> Select[Reading]:
    """Return the readings that a viewer made, whoever's screws they are: for their own eyes.

    Those of drawn screws are among them, and look like any other.
    """
    may = viewer.person_id is not None and reach(viewer, Deed.READ_SCREWS) is Reach.ALL
    own = select(Reading).where(Reading.reader_id == viewer.person_id if may else false())
    return own.execution_options(**WITH_DRAWN)


def drawn_readings(viewer: Viewer) -> Select[Reading]:
    """Return the readings of drawn screws that a viewer may look at with the truth beside them.

    All of them for who sees rates by surgeon; else those that they made themselves in practice.
    Which of the others are drawn is not told to their reader.
    """
    own = Reading.reader_id == viewer.person_id if viewer.person_id is not None else false()
    in_practice = and_(own, DrawnScan.purpose == Purpose.PRACTICE)
    drawn = (
        select(Reading)
        .join(DrawnCase, DrawnCase.scan_id == Reading.scan_id)
        .join(DrawnScan, DrawnScan.id == DrawnCase.drawn_scan_id)
    )
    sees_all = reach(viewer, Deed.SEE_SURGEONS) is Reach.ALL
    may = reach(viewer, Deed.READ_SCREWS) is Reach.ALL
    return drawn.where(true() if sees_all else in_practice if may else false()).execution_options(
        **WITH_DRAWN
    )


def reopenable_readings(viewer: Viewer) -> Select[Reading]:
    """Return the readings of which a viewer may look at what they were made on.

    Those that they made, those of the cases that they may look at, those whose finding they may
    answer for, and, once they have looked, those between which an adjudication of theirs decided.
    """
    screws = select(Screw.id).where(shown_screw(viewer))
    found = select(Reading).where(
        or_(
            Reading.id.in_(own_readings(viewer).with_only_columns(Reading.id)),
            Reading.id.in_(visible_readings(viewer).with_only_columns(Reading.id)),
            Reading.id.in_(visible_findings(viewer).with_only_columns(Finding.reading_id)),
            and_(_was_decided_by(viewer), Reading.screw_id.in_(screws)),
        )
    )
    # A drawn screw that does not open again would be told from the others by that.
    return found.execution_options(**WITH_DRAWN)


def _was_decided_by(viewer: Viewer) -> ColumnElement[bool]:
    made = aliased(Reading, own_readings(viewer).subquery())
    on_this_screw = and_(made.screw_id == Reading.screw_id, made.scan_id == Reading.scan_id)
    is_decision = made.role == ReadingRole.ADJUDICATION
    return exists().where(on_this_screw, is_decision).correlate(Reading)


def shown_screw(viewer: Viewer) -> ColumnElement[bool]:
    """Return what holds of a screw whose case a viewer was shown, under any account of theirs."""
    # Compared with no person, every account without one would be theirs.
    same = false() if viewer.person_id is None else Account.person_id == viewer.person_id
    theirs = select(Account.id).where(or_(Account.id == viewer.account_id, same))
    of_case = and_(CaseSeen.case_id == Screw.case_id, CaseSeen.account_id.in_(theirs))
    return exists().where(of_case).correlate(Screw)


def ordered_assignments(viewer: Viewer) -> Select[Assignment]:
    """Return the assignments that a viewer may look at with why they were made and for whom."""
    return select(Assignment).where(_of_reach(reach(viewer, Deed.ORDER_READINGS), false()))


def visible_outcomes(viewer: Viewer) -> Select[Outcome]:
    """Return the outcomes a viewer may look at: those of the cases they may look at."""
    cases = visible_cases(viewer).with_only_columns(Case.id)
    return select(Outcome).where(Outcome.case_id.in_(cases))


def readable_assignments(viewer: Viewer) -> Select[Assignment]:
    """Return the owed readings a viewer may take on.

    Nobody reads a case in which they operated or assisted, nor a screw that they have read
    already, unless it is made out to them to replace a reading of their own, nor a contained screw
    that covers a re-reading which they asked for; an assignment made out to a person is theirs
    alone. Adjudication needs that, but for the quality lead. What is closed is owed no longer.
    Drawn screws are among them, each made out to its one reader, and look like any other.
    """
    owed = (
        select(Assignment)
        .join(Screw, Screw.id == Assignment.screw_id)
        .join(Case, Case.id == Screw.case_id)
        .execution_options(**WITH_DRAWN)
    )
    if viewer.person_id is None or reach(viewer, Deed.READ_SCREWS) is not Reach.ALL:
        return owed.where(false())
    person = viewer.person_id
    on_this_screw = and_(
        Reading.screw_id == Assignment.screw_id, Reading.scan_id == Assignment.scan_id
    )
    has_read = exists().where(on_this_screw, Reading.reader_id == person).correlate(Assignment)
    replaces_own = (
        exists()
        .where(Reading.id == Assignment.supersedes_id, Reading.reader_id == person)
        .correlate(Assignment)
    )
    covers_own = (
        exists()
        .where(
            _COVER.assignment_id == Assignment.id,
            _ASKED.seed == _COVER.seed,
            _ASKED.asked_by_id == person,
        )
        .correlate(Assignment)
    )
    own = Assignment.reader_id == person
    is_lead = Role.QUALITY_LEAD in viewer.roles
    return owed.where(
        ~took_part(person),
        ~covers_own,
        Assignment.closed_at.is_(None),
        or_(~has_read, and_(own, replaces_own)),
        ~is_fulfilled(),
        or_(own, Assignment.reader_id.is_(None)),
        true() if is_lead else or_(Assignment.role != ReadingRole.ADJUDICATION, own),
    )


def visible_findings(viewer: Viewer) -> Select[Finding]:
    """Return the findings that a viewer may answer for: those of their own readings, or all.

    One that a drawn screw met is shown to its reader as any other is, and is none to anybody else.
    """
    own = Finding.reading_id.in_(
        select(Reading.id).where(Reading.recorded_by_id == viewer.account_id)
    )
    may = reach(viewer, Deed.ANSWER_FINDINGS)
    found = select(Finding).where(_of_reach(may, own))
    return found if may is Reach.ALL else found.execution_options(**WITH_DRAWN)


def is_fulfilled() -> ColumnElement[bool]:
    """Return what holds of an assignment for which there is a reading.

    One of its role on the screw, wherever it came from; to replace a reading, one that does.
    """
    on_this_screw = and_(
        Reading.screw_id == Assignment.screw_id, Reading.scan_id == Assignment.scan_id
    )
    is_read = exists().where(on_this_screw, Reading.role == Assignment.role)
    is_replaced = exists().where(Reading.supersedes_id == Assignment.supersedes_id)
    return or_(
        and_(Assignment.supersedes_id.is_(None), is_read.correlate(Assignment)),
        is_replaced.correlate(Assignment),
    )


def visible_accounts(viewer: Viewer) -> Select[Account]:
    """Return the accounts a viewer may look at: their own, or all for who manages them."""
    return select(Account).where(
        _of_reach(
            max(reach(viewer, Deed.MANAGE_ACCOUNTS), Reach.OWN), Account.id == viewer.account_id
        )
    )


def own_cases(viewer: Viewer) -> Select[Case]:
    """Return the cases in which a viewer operated or assisted, for who replies to own data."""
    is_own = false() if viewer.person_id is None else took_part(viewer.person_id)
    return select(Case).where(is_own if reach(viewer, Deed.REPLY) >= Reach.OWN else false())


CLINICAL = frozenset(
    {
        *("patient", "vault_entry", "operation", "case_assistant", "screw", "scan", "image"),
        *("reading", "consensus", "assignment", "draw", "outcome", "finding", "rereading"),
        *("reply_answer", "case_seen", "proposal", "proposal_shown", "evidence"),
        *("drawn_scan", "drawn_screw", "drawn_case"),
        *("quarter_remark", "quarter_seal", "quarter_action", *OWN_NOTES),
        "meeting_pack",
    }
)
"""Tables whose values are clinical, or say of whom they are."""

_SET_IN_MOTION = ("consensus", "assignment", "draw", "rereading")
"""What a reading, or a reply, sets in motion.

A reader is not told whether theirs was the second, nor a surgeon which contained screws cover what
they asked for.
"""

_ANSWERS = ("reading", "evidence", *_SET_IN_MOTION)
"""Those, the reading itself, which holds whether it was the second, and what it was made on."""

OF_CASE = (CaseAssistant, Screw, Scan, Outcome)
"""The records that a case has."""

OF_SCREW = (Reading, Evidence, ConsensusRow, Assignment, Finding, Rereading)
"""The records that a screw has."""


def visible_events(viewer: Viewer) -> Select[EventRow]:
    """Return the events that a viewer may list: own deeds and own cases, or all.

    What a reading or a reply sets in motion is done in somebody's name and is no deed of theirs.
    """
    own = and_(_is_by(viewer), ~_is_in(_SET_IN_MOTION))
    return select(EventRow).where(
        _of_reach(reach(viewer, Deed.SEE_TRAIL), or_(own, _is_of_own_case(viewer)))
    )


def has_visible_values(viewer: Viewer) -> ColumnElement[bool]:
    """Return what holds of a listed event whose values and reason a viewer may see as well.

    Who sees every case sees all but others' own notes; who looks after the machine sees no clinical
    value; a reader sees what they entered and not what their readings set in motion.
    """
    if reach(viewer, Deed.SEE_TRAIL) is Reach.ALL and reach(viewer, Deed.SEE_CASES) is Reach.ALL:
        return ~is_anothers_note(viewer)
    own = or_(and_(_is_by(viewer), ~_is_in(_ANSWERS)), _is_of_own_case(viewer))
    if reach(viewer, Deed.SEE_TRAIL) is Reach.ALL:
        return or_(own, ~_is_in(sorted(CLINICAL)))
    return own


def has_visible_actor(viewer: Viewer) -> ColumnElement[bool]:
    """Return what holds of a listed event of which a viewer may know who set it in motion.

    That a contained screw of theirs covers what a colleague asked for is not told to a surgeon.
    """
    if reach(viewer, Deed.SEE_TRAIL) is Reach.ALL:
        return true()
    return or_(_is_by(viewer), ~_is_in(_SET_IN_MOTION))


def events_of_cases(cases: Select[Case]) -> ColumnElement[bool]:
    """Return what holds of an event of some cases: of a row of theirs, as it stands."""
    found = cases.with_only_columns(Case.id)
    screws = select(Screw.id).where(Screw.case_id.in_(found))
    rows = [
        select(Case.id).where(Case.id.in_(found)),
        *(select(model.id).where(model.case_id.in_(found)) for model in OF_CASE),
        *(select(model.id).where(model.screw_id.in_(screws)) for model in OF_SCREW),
    ]
    tables = (Case, *OF_CASE, *OF_SCREW)
    return or_(
        *(
            EventRow.record.in_(_named(model.__tablename__, row))
            for model, row in zip(tables, rows, strict=True)
        )
    )


def _named(table: str, ids: Select[int]) -> Select[str]:
    found = ids.subquery()
    return select(literal(f"{table}:") + cast(found.c.id, String))


def _is_by(viewer: Viewer) -> ColumnElement[bool]:
    return EventRow.actor == viewer.name


def _is_of_own_case(viewer: Viewer) -> ColumnElement[bool]:
    return events_of_cases(own_cases(viewer))


def _is_in(tables: Iterable[str]) -> ColumnElement[bool]:
    return or_(*(EventRow.record.startswith(f"{table}:", autoescape=True) for table in tables))
