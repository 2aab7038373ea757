"""The right of reply: a quarter is laid before its surgeons, who look, correct and ask again."""

from __future__ import annotations

import hashlib
import secrets
from dataclasses import dataclass
from datetime import timedelta
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from registry.actions.settle import settle
from registry.domain.access import Deed, Reach, Role, reach, require
from registry.domain.consensus import ConsensusState
from registry.domain.problems import (
    BadInputError,
    ConflictError,
    Fault,
    NotAllowedError,
    NotFoundError,
)
from registry.domain.reply import (
    ROLE_OF,
    Again,
    Quarter,
    RoundFacts,
    quarter,
    quarter_of,
    stands_in_the_way,
)
from registry.domain.seals import sealable_from
from registry.domain.words import one_line
from registry.store.models.readings import Assignment
from registry.store.models.replies import ReplyAnswer, ReplyRound, Rereading
from registry.store.queries import replies, seals

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date, datetime

    from registry.domain.access import Viewer
    from registry.domain.reply import Hindrance
    from registry.store.home import Ledger
    from registry.store.queries.replies import ReplyScrew, Round, SurgeonOfQuarter
    from registry.store.writing import Writing

REASON = "read again"
"""Why such a reading is owed, the same for what was asked for and for what covers it."""

_LONGEST_ANSWER, _LONGEST_WORDS = 2000, 1000


@dataclass(frozen=True)
class OwnQuarter:
    """A surgeon's own data of a quarter.

    Attributes
    ----------
    quarter : which
    round : None where it has not been laid before the surgeons
    is_open : its days are not over
    screws : the placed screws of the surgeon's own cases
    answered : when and with which words the surgeon said that they have looked, or None
    days : in which the surgeon may reply
    cover : contained screws that are read again beside each that is asked for
    """

    quarter: Quarter
    round: Round | None
    is_open: bool
    screws: Sequence[ReplyScrew]
    answered: tuple[datetime, str | None] | None
    days: int
    cover: int


@dataclass(frozen=True)
class QuarterState:
    """How far a quarter is on its way to its seal.

    Attributes
    ----------
    quarter : which
    round : None where it has not been laid before the surgeons
    surgeons : responsible surgeons, and whether they have answered
    asked, owed : re-readings that surgeons have asked for; those not made yet, cover included
    provisional : screws whose consensus is provisional; listed before sealing
    unread : placed screws that are imaged and not read; told before sealing
    open_findings : findings that the unit's policy names and nobody has closed
    hindrances : what has to be done or waited for before it can be sealed; empty for nothing
    sealed_at : when it was sealed; None while it is not
    """

    quarter: Quarter
    round: Round | None
    surgeons: Sequence[SurgeonOfQuarter]
    asked: int
    owed: int
    provisional: Sequence[ReplyScrew]
    unread: int
    open_findings: int
    hindrances: Sequence[Hindrance]
    sealed_at: datetime | None

    @property
    def in_the_way(self) -> list[str]:
        """What stands in the way, in words."""
        return [each.words for each in self.hindrances]


def today_of(ledger: Ledger, now: datetime) -> date:
    """Return the unit's own day."""
    return now.astimezone(ZoneInfo(ledger.settings.zone)).date()


def quarters(ledger: Ledger, viewer: Viewer, now: datetime) -> list[Quarter]:
    """Return the quarters that have a case and have begun, the latest first."""
    if reach(viewer, Deed.REPLY) is Reach.NONE:
        require(viewer, Deed.LAY_BEFORE_SURGEONS)
    with ledger.reading() as session:
        days = replies.days_operated(session)
    if days is None:
        return []
    found, day = [], quarter_of(days[0]).first
    last = min(days[1], today_of(ledger, now))
    while day <= last:
        found.append(quarter_of(day))
        day = found[-1].last + timedelta(days=1)
    return found[::-1]


def lay_before_surgeons(ledger: Ledger, viewer: Viewer, period: str, now: datetime) -> Round:
    """Open the right of reply for a quarter that is over; return its round."""
    require(viewer, Deed.LAY_BEFORE_SURGEONS, at_least=Reach.ALL)
    asked, today = quarter(period), today_of(ledger, now)
    if today <= asked.last:
        raise BadInputError(
            Fault(f"{asked.name} ends on {asked.last}", mend="lay it before its surgeons after it")
        )
    with ledger.writing(viewer, now) as work:
        if not replies.surgeons_of_quarter(work.session, asked):
            raise BadInputError(Fault(f"no case was operated on in {asked.name}"))
        if replies.round_of(work.session, asked.name) is not None:
            raise ConflictError(
                Fault(f"{asked.name} lies before its surgeons already", mend="nothing was changed")
            )
        work.insert(
            ReplyRound,
            "open the right of reply",
            period=asked.name,
            opened_at=now,
            opened_by_id=viewer.account_id,
            closes_on=today + timedelta(days=ledger.settings.reply_days),
        )
        work.flush_rows()
        return _round(work, asked)


def _round(work: Writing, asked: Quarter) -> Round:
    found = replies.round_of(work.session, asked.name)
    if found is None:
        raise ConflictError(
            Fault(
                f"{asked.name} has not been laid before its surgeons",
                mend="the quality lead does so once the quarter is over",
            )
        )
    return found


def own_quarter(ledger: Ledger, viewer: Viewer, period: str, now: datetime) -> OwnQuarter:
    """Return a surgeon's own data of a quarter, and what of it is read again."""
    require(viewer, Deed.REPLY)
    asked = quarter(period)
    with ledger.reading() as session:
        found = replies.round_of(session, asked.name)
        screws = replies.own_reply_screws(session, viewer, asked, ledger.settings.audit_window_days)
        answered = None if found is None else replies.own_answer(session, viewer, found.round_id)
    return OwnQuarter(
        quarter=asked,
        round=found,
        is_open=found is not None and today_of(ledger, now) <= found.closes_on,
        screws=screws,
        answered=answered,
        days=ledger.settings.reply_days,
        cover=ledger.settings.reply_cover,
    )


def answer_round(ledger: Ledger, viewer: Viewer, period: str, words: str, now: datetime) -> None:
    """Keep that a surgeon has looked at their own data of a quarter; said again, it replaces."""
    require(viewer, Deed.REPLY)
    if viewer.person_id is None:
        raise NotAllowedError("this account belongs to nobody; ask the steward")
    asked, words = quarter(period), one_line(words)
    if len(words) > _LONGEST_ANSWER:
        what = f"the answer is longer than {_LONGEST_ANSWER} characters"
        raise BadInputError(Fault(what, "words", "shorten it"))
    with ledger.writing(viewer, now) as work:
        found = _open_round(ledger, work, asked, now)
        if viewer.person_id not in {
            surgeon.person_id for surgeon in replies.surgeons_of_quarter(work.session, asked)
        }:
            raise NotFoundError(f"you were responsible for no case in {asked.name}")
        values: dict[str, Any] = {
            "words": words or None,
            "answered_by_id": viewer.account_id,
            "answered_at": now,
        }
        row_id = replies.answer_row(work.session, viewer, found.round_id)
        if row_id is not None:
            work.update(ReplyAnswer, "reply to a quarter again", row_id, **values)
        else:
            work.insert(
                ReplyAnswer,
                "reply to a quarter",
                round_id=found.round_id,
                person_id=viewer.person_id,
                **values,
            )


def _open_round(ledger: Ledger, work: Writing, asked: Quarter, now: datetime) -> Round:
    found = _round(work, asked)
    if today_of(ledger, now) > found.closes_on:
        raise ConflictError(
            Fault(
                f"the days in which {asked.name} could be replied to ended on {found.closes_on}",
                mend="talk to the quality lead; a correction is still possible",
            )
        )
    return found


def ask_again(
    ledger: Ledger, viewer: Viewer, period: str, screw_id: int, words: str, now: datetime
) -> int:
    """Ask for a blind re-reading of an own screw; return how many contained screws cover it.

    What covers it is drawn at random from the contained screws of the quarter that can be read
    again in the same way, by a seed that is kept, so that whoever reads cannot tell which was
    asked for.
    """
    require(viewer, Deed.REPLY)
    asked, words = quarter(period), one_line(words)
    if len(words) > _LONGEST_WORDS:
        what = f"the reason is longer than {_LONGEST_WORDS} characters"
        raise BadInputError(Fault(what, "words", "shorten it"))
    window = ledger.settings.audit_window_days
    with ledger.writing(viewer, now) as work:
        found = _open_round(ledger, work, asked, now)
        own = replies.own_reply_screws(work.session, viewer, asked, window)
        screw = next((screw for screw in own if screw.screw_id == screw_id), None)
        if screw is None:
            raise NotFoundError(f"there is no such screw among your own of {asked.name}")
        if screw.is_asked_again or screw.again not in ROLE_OF:
            why = "is read again already" if screw.is_asked_again else f"is {screw.again.value}"
            raise ConflictError(
                Fault(
                    f"{screw.case_reference}, {screw.level} {screw.side}: it {why}",
                    mend="nothing was changed",
                )
            )
        seed = secrets.token_hex(16)
        contained = replies.cover_screws(work.session, asked, window)
        cover = _drawn(contained, screw, seed, ledger.settings.reply_cover)
        for each in sorted([screw, *cover], key=lambda item: _place(seed, item)):
            is_asked = each.screw_id == screw_id
            _ask(work, found, each, seed, asked_by=viewer if is_asked else None, words=words)
        # While a second reading is owed a consensus is provisional.
        settle(work, ledger.settings, [screw_id, *(each.screw_id for each in cover)])
    return len(cover)


def _drawn(
    contained: Sequence[ReplyScrew], screw: ReplyScrew, seed: str, wanted: int
) -> list[ReplyScrew]:
    """Return the cover: read again in the same role, so that the role tells nothing."""
    fitting = [
        other
        for other in contained
        if other.screw_id != screw.screw_id
        and other.again in ROLE_OF
        and ROLE_OF[other.again] is ROLE_OF[screw.again]
    ]
    return sorted(fitting, key=lambda other: _place(seed, other))[:wanted]


def _place(seed: str, screw: ReplyScrew) -> bytes:
    return hashlib.sha256(f"{seed}|{screw.screw_id}".encode()).digest()


def _ask(
    work: Writing,
    found: Round,
    screw: ReplyScrew,
    seed: str,
    *,
    asked_by: Viewer | None,
    words: str,
) -> None:
    replaced = screw.superseded_by_again if screw.again is Again.NEW_ADJUDICATION else None
    place: dict[str, Any] = {"screw_id": screw.screw_id, "scan_id": screw.scan_id}
    assignment_id = work.insert(
        Assignment,
        "ask for a reading again",
        role=ROLE_OF[screw.again].value,
        reason=REASON,
        made_at=work.now,
        supersedes_id=replaced,
        **place,
    )
    work.insert(
        Rereading,
        "read again",
        round_id=found.round_id,
        assignment_id=assignment_id,
        asked_by_id=None if asked_by is None else asked_by.person_id,
        words=(words or None) if asked_by else None,
        seed=seed,
        asked_at=work.now,
        **place,
    )


def quarter_state(ledger: Ledger, viewer: Viewer, period: str, now: datetime) -> QuarterState:
    """Return how far a quarter is on its way to its seal, for the quality lead."""
    require(viewer, Deed.LAY_BEFORE_SURGEONS, at_least=Reach.ALL)
    asked = quarter(period)
    with ledger.reading() as session:
        found = replies.round_of(session, asked.name)
        surgeons = replies.surgeons_of_quarter(session, asked)
        owed = 0 if found is None else replies.owed_rereadings(session, found.round_id)
        again = 0 if found is None else replies.asked_rereadings(session, found.round_id)
        provisional = replies.unsettled(session, asked, ledger.settings.audit_window_days)
        unread = replies.unread_screws(session, asked, ledger.settings.audit_window_days)
        open_findings = replies.open_findings_of(session, asked)
        sealed = seals.sealed_at(session, asked.name)
    facts = RoundFacts(
        closes_on=None if found is None else found.closes_on,
        unanswered=sum(surgeon.answered_at is None for surgeon in surgeons),
        rereadings_owed=owed,
        # Where the patient was withdrawn nobody can decide any more, and nothing waits for it.
        adjudications_owed=sum(
            screw.is_owed and screw.state == ConsensusState.AWAITING_ADJUDICATION
            for screw in provisional
        ),
        sealable_from=sealable_from(asked, ledger.settings.seal_delay_days),
    )
    return QuarterState(
        quarter=asked,
        round=found,
        surgeons=surgeons,
        asked=again,
        owed=owed,
        provisional=provisional,
        unread=unread,
        open_findings=open_findings,
        hindrances=stands_in_the_way(asked, facts, today_of(ledger, now)),
        sealed_at=sealed,
    )


def is_surgeon(viewer: Viewer) -> bool:
    """Return whether a viewer has own data to reply to."""
    return Role.SURGEON in viewer.roles and viewer.person_id is not None
