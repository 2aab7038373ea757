"""Findings that met the unit's policy, as far as a viewer may answer for them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from sqlalchemy import ColumnElement, false, or_, select

from registry.domain.access import Deed, Reach, reach
from registry.store.models.cases import Case, Screw
from registry.store.models.findings import Finding
from registry.store.models.readings import Reading
from registry.store.visible import took_part, visible_findings

if TYPE_CHECKING:
    from datetime import datetime

    from sqlalchemy.orm import Session

    from registry.domain.access import Viewer
    from registry.domain.reply import Quarter


@dataclass(frozen=True)
class ListedFinding:
    """One finding.

    Attributes
    ----------
    finding_id : also the number by which it is spoken of without the case
    level, side, number : of the screw
    rule_met : what met the policy
    policy_words : as they were shown
    raised_at : when the reading was saved
    is_followed : whether the policy was followed; None until somebody has said so
    told_whom, told_at, told_how : of who was told
    not_followed_reason : where it was not followed
    answered_at : when that was said
    closed_at, closing_words : None while it is open
    version : of the row, for the form that changes it
    reading_id : which met it
    case_id, case_reference : for who may see all cases, else None: a reader stays blind, and so
        does a lead to what they have read themselves, until they have said what was done
    viewer_took_part : the viewer operated or assisted in the case
    """

    finding_id: int
    level: str
    side: str
    number: int
    rule_met: str
    policy_words: str
    raised_at: datetime
    is_followed: bool | None
    told_whom: str | None
    told_at: datetime | None
    told_how: str | None
    not_followed_reason: str | None
    answered_at: datetime | None
    closed_at: datetime | None
    closing_words: str | None
    version: int
    case_id: int | None
    case_reference: str | None
    viewer_took_part: bool
    reading_id: int

    @property
    def state(self) -> str:
        """Return in words how far it is."""
        return _state(
            is_followed=self.is_followed,
            is_answered=self.answered_at is not None,
            is_closed=self.closed_at is not None,
        )


def _state(*, is_followed: bool | None, is_answered: bool, is_closed: bool) -> str:
    """Return in words how far a finding is."""
    if is_closed:
        return "closed"
    if not is_answered:
        return "not answered for yet"
    return "followed" if is_followed else "not followed"


def listed_findings(
    session: Session, viewer: Viewer, finding_id: int | None = None
) -> list[ListedFinding]:
    """Return the findings a viewer may answer for, open ones first, then the latest; or one."""
    sees_cases = reach(viewer, Deed.SEE_CASES) is Reach.ALL
    part: ColumnElement[bool] = false()
    is_own: ColumnElement[bool] = false()
    if viewer.person_id is not None:
        part, is_own = took_part(viewer.person_id), Reading.reader_id == viewer.person_id
    is_told = or_(~is_own, Finding.answered_at.is_not(None), Finding.closed_at.is_not(None))
    query = (
        visible_findings(viewer)
        .join(Screw, Screw.id == Finding.screw_id)
        .join(Case, Case.id == Screw.case_id)
        .join(Reading, Reading.id == Finding.reading_id)
        .add_columns(Screw.level, Screw.side, Screw.number, Case.id, Case.reference, is_told, part)
        .order_by(Finding.closed_at.is_not(None), Finding.id.desc())
    )
    if finding_id is not None:
        query = query.where(Finding.id == finding_id)
    return [
        ListedFinding(
            finding_id=row.id,
            level=level,
            side=side,
            number=number,
            rule_met=row.rule_met,
            policy_words=row.policy_words,
            raised_at=row.raised_at,
            is_followed=row.is_followed,
            told_whom=row.told_whom,
            told_at=row.told_at,
            told_how=row.told_how,
            not_followed_reason=row.not_followed_reason,
            answered_at=row.answered_at,
            closed_at=row.closed_at,
            closing_words=row.closing_words,
            version=row.version,
            case_id=case_id if sees_cases and told else None,
            case_reference=reference if sees_cases and told else None,
            viewer_took_part=bool(own_part),
            reading_id=row.reading_id,
        )
        for row, level, side, number, case_id, reference, told, own_part in session.execute(query)
    ]


@dataclass(frozen=True)
class QuarterFinding:
    """A finding as a quarter's report lists it: number, screw, what met the policy, how far."""

    finding_id: int
    level: str
    side: str
    rule_met: str
    state: str


def findings_of_quarter(session: Session, quarter: Quarter) -> list[QuarterFinding]:
    """Return the findings of a quarter's cases by number: no case, no person."""
    query = (
        select(Finding, Screw.level, Screw.side)
        .join(Screw, Screw.id == Finding.screw_id)
        .join(Case, Case.id == Screw.case_id)
        .where(Case.operated_on.between(quarter.first, quarter.last))
        .order_by(Finding.id)
    )
    return [
        QuarterFinding(
            row.id,
            level,
            side,
            row.rule_met,
            _state(
                is_followed=row.is_followed,
                is_answered=row.answered_at is not None,
                is_closed=row.closed_at is not None,
            ),
        )
        for row, level, side in session.execute(query)
    ]


def version_of_finding(session: Session, viewer: Viewer, finding_id: int) -> int | None:
    """Return the version of a finding that the viewer may answer for, or None."""
    return session.execute(
        visible_findings(viewer).where(Finding.id == finding_id).with_only_columns(Finding.version)
    ).scalar_one_or_none()
