"""Findings that cannot wait by the unit's own policy: raised, answered for, closed."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.domain.access import Deed, Reach, require
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    Fault,
    NotAllowedError,
    NotFoundError,
)
from registry.domain.readings import ReadingRole
from registry.store.models.findings import Finding
from registry.store.queries.findings import ListedFinding, listed_findings, version_of_finding

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime
    from decimal import Decimal

    from registry.domain.access import Viewer
    from registry.domain.directions import Direction
    from registry.domain.settings import Settings
    from registry.store.home import Ledger
    from registry.store.writing import Writing

_SHORT, _LONG = 200, 500


@dataclass(frozen=True)
class PolicyAnswer:
    """What a reader says was done about a finding.

    Attributes
    ----------
    is_followed : whether the unit's policy was followed
    told_whom, told_at, told_how : who was told, when and how; needed where it was followed
    not_followed_reason : needed where it was not
    """

    is_followed: bool
    told_whom: str = ""
    told_at: datetime | None = None
    told_how: str = ""
    not_followed_reason: str = ""


def raise_finding(
    work: Writing,
    settings: Settings,
    *,
    reading_id: int,
    screw_id: int,
    scan_id: int,
    role: str,
    extents_mm: Mapping[Direction, Decimal | None],
) -> int | None:
    """Keep that a first reading met the unit's policy; return the finding, or None where not."""
    policy = settings.policy()
    met = policy.met(extents_mm)
    if role != ReadingRole.FIRST or not met:
        return None
    return work.insert(
        Finding,
        "meet the unit's policy",
        screw_id=screw_id,
        scan_id=scan_id,
        reading_id=reading_id,
        rule_met=met,
        policy_words=policy.words,
        raised_at=work.now,
    )


def findings(ledger: Ledger, viewer: Viewer) -> list[ListedFinding]:
    """Return the findings that a viewer may answer for, open ones first."""
    require(viewer, Deed.ANSWER_FINDINGS)
    with ledger.reading() as session:
        return listed_findings(session, viewer)


def one_finding(ledger: Ledger, viewer: Viewer, finding_id: int) -> ListedFinding:
    """Return a finding; NotFoundError where it is not there, or not the viewer's."""
    require(viewer, Deed.ANSWER_FINDINGS)
    with ledger.reading() as session:
        found = listed_findings(session, viewer, finding_id)
    if not found:
        raise NotFoundError("there is no such finding among those you may answer for")
    return found[0]


def answer_finding(
    ledger: Ledger,
    viewer: Viewer,
    finding_id: int,
    answer: PolicyAnswer,
    *,
    seen_version: int,
    now: datetime,
) -> None:
    """Keep who was told, when and how, or why nobody was; said again it replaces what was said."""
    found = one_finding(ledger, viewer, finding_id)
    _check(answer, now)
    told: dict[str, Any] = {"told_whom": None, "told_at": None, "told_how": None}
    if answer.is_followed:
        told = {
            "told_whom": answer.told_whom.strip(),
            "told_at": answer.told_at,
            "told_how": answer.told_how.strip(),
        }
    with ledger.writing(viewer, now) as work:
        _require_same(work, viewer, finding_id, seen_version)
        if found.closed_at is not None:
            raise ConflictError(Fault("this finding has been closed", mend="nothing was changed"))
        work.update(
            Finding,
            "answer for a finding",
            finding_id,
            is_followed=answer.is_followed,
            not_followed_reason=None if answer.is_followed else answer.not_followed_reason.strip(),
            answered_by_id=viewer.account_id,
            answered_at=now,
            **told,
        )


def _check(answer: PolicyAnswer, now: datetime) -> None:
    faults = []
    if answer.is_followed:
        for name, what, text in (
            ("told_whom", "who was told", answer.told_whom),
            ("told_how", "how they were told", answer.told_how),
        ):
            faults += _text_faults(name, what, text, _SHORT)
        if answer.told_at is None:
            faults.append(Fault("when they were told is missing", "told_at", "give day and time"))
        elif answer.told_at > now:
            faults.append(Fault("that is yet to come", "told_at", "say when they were told"))
    else:
        what = "why the policy was not followed"
        faults += _text_faults("not_followed_reason", what, answer.not_followed_reason, _LONG)
    if faults:
        raise BadInputError(*faults)


def _text_faults(name: str, what: str, text: str, longest: int) -> list[Fault]:
    if not text.strip():
        return [Fault(f"{what} is missing", name, "say it in a few words")]
    if len(text.strip()) > longest:
        return [Fault(f"{what} is longer than {longest} characters", name, "shorten it")]
    return []


def close_finding(
    ledger: Ledger, viewer: Viewer, finding_id: int, words: str, *, seen_version: int, now: datetime
) -> None:
    """Close a finding, answered for or not; no lead does so in whose own case it is."""
    require(viewer, Deed.CLOSE_FINDINGS, at_least=Reach.ALL)
    found = one_finding(ledger, viewer, finding_id)
    if found.viewer_took_part:
        raise NotAllowedError("you operated or assisted in this case: another lead closes it")
    faults = _text_faults("closing_words", "what it is closed with", words, 2 * _LONG)
    if faults:
        raise BadInputError(*faults)
    with ledger.writing(viewer, now) as work:
        _require_same(work, viewer, finding_id, seen_version)
        if found.closed_at is not None:
            raise ConflictError(Fault("this finding is closed already", mend="nothing was changed"))
        work.update(
            Finding,
            "close a finding",
            finding_id,
            because=words.strip(),
            closed_by_id=viewer.account_id,
            closed_at=now,
            closing_words=words.strip(),
        )


def _require_same(work: Writing, viewer: Viewer, finding_id: int, seen_version: int) -> None:
    if version_of_finding(work.session, viewer, finding_id) != seen_version:
        raise ConflictError(
            Fault(
                "somebody has changed this finding since the page was opened",
                mend="look at what they said below, and send yours again if it still holds",
            )
        )
