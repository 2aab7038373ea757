"""A quarter as it stands before its seal: its numbers and records now, and who has signed them."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from registry.actions.quarter_numbers import quarter_numbers
from registry.actions.quarter_records import quarter_records
from registry.actions.replies import quarter_state
from registry.domain.access import Deed, Reach, require
from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.domain.reply import quarter
from registry.domain.seals import RemarkKind, SealState, Signer, state_of
from registry.domain.words import one_line
from registry.store.models.seals import QuarterRemark
from registry.store.queries import seals
from registry.store.queries.counted_screws import counted_screws
from reports.documents.canonical import canonical_bytes
from reports.documents.changes import numbers_alone
from reports.documents.quarter import numbers

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.domain.reply import Quarter
    from registry.store.home import Ledger
    from registry.store.queries.seals import Remark, Seal
    from reports.documents.quarter import QuarterReport

_LONGEST_WORDS = 2000
_TRIES = 3


@dataclass(frozen=True)
class Standing:
    """A quarter now.

    Attributes
    ----------
    quarter : which
    report : everything its report says
    records : canonical JSON of its screws
    records_in_words : the same as seals from before digests of free words hold it
    digest : of numbers and records, whenever and with whatever version they were made
    trail : length and head of the trail that all of it is of
    remarks : comments and countersignatures, the first first
    seals : the seal and its supplements
    in_the_way : what has to be done or waited for, whoever seals
    """

    quarter: Quarter
    report: QuarterReport = field(repr=False)
    records: bytes = field(repr=False)
    records_in_words: bytes = field(repr=False)
    digest: str
    trail: tuple[int, str]
    remarks: Sequence[Remark]
    seals: Sequence[Seal]
    in_the_way: Sequence[str]

    @property
    def countersignatures(self) -> list[Remark]:
        """Those of the numbers as they stand."""
        return [each for each in self.remarks if each.numbers_digest == self.digest]

    @property
    def state(self) -> SealState:
        """How far it is."""
        return state_of(
            is_sealed=bool(self.seals),
            is_countersigned=bool(self.countersignatures),
            has_comments=bool(self.remarks),
        )


def standing(ledger: Ledger, viewer: Viewer, period: str, now: datetime) -> Standing:
    """Return a quarter as it stands.

    Where somebody writes while it is worked out that is done again, and after a few tries given up
    by ConflictError.
    """
    require(viewer, Deed.SEAL, at_least=Reach.ALL)
    asked = quarter(period)
    for _ in range(_TRIES):
        found = _worked_out(ledger, viewer, asked, now)
        if found is not None:
            return found
    raise written_meanwhile(asked)


def _worked_out(ledger: Ledger, viewer: Viewer, asked: Quarter, now: datetime) -> Standing | None:
    """Return a quarter as it stands; None where somebody wrote meanwhile."""
    with ledger.reading() as session:
        before = seals.trail_end(session)
    report = quarter_numbers(ledger, viewer, asked.name, now)
    state = quarter_state(ledger, viewer, asked.name, now)
    with ledger.reading() as session:
        screws = counted_screws(session, ledger.settings.audit_window_days, asked.last)
        records = quarter_records(screws, asked, ledger.keys.references)
        in_words = quarter_records(screws, asked)
        remarks = seals.remarks_of(session, asked.name)
        kept = seals.seals_of(session, asked.name)
        if seals.trail_end(session) != before:
            return None
    said = canonical_bytes(numbers_alone(numbers(report)))
    digest = hashlib.sha256(said + records).hexdigest()
    return Standing(
        asked, report, records, in_words, digest, before, remarks, kept, state.in_the_way
    )


def written_meanwhile(asked: Quarter) -> ConflictError:
    """Return the problem that the ledger moved on while a quarter was worked out."""
    what = f"something was written to the ledger while {asked.name} was worked out"
    return ConflictError(Fault(what, mend="nothing was sealed or signed; try again"))


def comment(ledger: Ledger, viewer: Viewer, period: str, words: str, now: datetime) -> None:
    """Keep a comment on a quarter that is not sealed yet."""
    require(viewer, Deed.SEAL, at_least=Reach.ALL)
    asked, words = quarter(period), one_line(words)
    if not words or len(words) > _LONGEST_WORDS:
        what = f"a comment has between 1 and {_LONGEST_WORDS} characters"
        raise BadInputError(Fault(what, "comment", "write it so"))
    with ledger.writing(viewer, now) as work:
        if seals.seals_of(work.session, asked.name):
            raise ConflictError(Fault(f"{asked.name} is sealed", mend="nothing was changed"))
        work.insert(
            QuarterRemark,
            "comment on a quarter",
            period=asked.name,
            kind=RemarkKind.COMMENT.value,
            words=words,
            made_by_id=viewer.account_id,
            made_at=now,
        )


def countersign(ledger: Ledger, viewer: Viewer, period: str, now: datetime) -> str:
    """Sign a quarter's numbers as they stand, beside whoever seals them; return their digest.

    It holds for these numbers alone: once one of them is another, it is none any more.
    """
    found = standing(ledger, viewer, period, now)
    name = found.quarter.name
    if viewer.person_id is None:
        what = "the account belongs to no person, so nobody knows in which cases they took part"
        raise BadInputError(Fault(what, "countersign", "sign with an account of your own"))
    if found.seals:
        raise ConflictError(Fault(f"{name} is sealed", mend="nothing was changed"))
    if any(each.account_id == viewer.account_id for each in found.countersignatures):
        raise ConflictError(
            Fault(f"you have countersigned {name} as it stands", mend="nothing was changed")
        )
    with ledger.writing(viewer, now) as work:
        if seals.trail_end(work.session) != found.trail:
            raise written_meanwhile(found.quarter)
        work.insert(
            QuarterRemark,
            "countersign a quarter",
            period=name,
            kind=RemarkKind.COUNTERSIGNATURE.value,
            numbers_digest=found.digest,
            made_by_id=viewer.account_id,
            made_at=now,
        )
    return found.digest


def signers(ledger: Ledger, viewer: Viewer, found: Standing) -> tuple[Signer, dict[Signer, Remark]]:
    """Return the viewer as a signer, and who has countersigned the numbers as they stand."""
    with ledger.reading() as session:

        def one(account_id: int, person_id: int | None) -> Signer:
            took = seals.part_taken(session, found.quarter, person_id)
            return Signer(account_id, person_id, took)

        others = {one(each.account_id, each.person_id): each for each in found.countersignatures}
        return one(viewer.account_id, viewer.person_id), others


def as_document(text: str) -> dict[str, object]:
    """Return kept numbers as they were written."""
    held = json.loads(text)
    return held if isinstance(held, dict) else {}
