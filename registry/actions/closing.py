"""The lead closes a quarter: what stands in the way, who has signed, which seals are kept."""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.quarter_standing import as_document, signers, standing
from registry.actions.replies import quarter_state
from registry.domain.access import Deed, Reach, reach, require
from registry.domain.problems import FailureError, NotFoundError
from registry.domain.reply import quarter
from registry.domain.seals import (
    RemarkKind,
    SealState,
    Signer,
    sealed_name,
    state_of,
    wants_countersignature,
)
from registry.store.queries import seals
from registry.store.sealing.checking import check_sealed
from registry.store.sealing.signing import fingerprint
from reports.documents.changes import changes

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import datetime

    from registry.actions.quarter_standing import Standing
    from registry.actions.replies import QuarterState
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.seals import Remark, Seal
    from reports.documents.changes import Change


@dataclass(frozen=True)
class ToldRemark:
    """A comment or countersignature, and whether it is one of the numbers as they stand."""

    remark: Remark
    stands: bool

    @property
    def is_countersignature(self) -> bool:
        """Whether it signs numbers."""
        return self.remark.kind == RemarkKind.COUNTERSIGNATURE.value


@dataclass(frozen=True)
class KeptSeal:
    """A seal or supplement as the ledger keeps it.

    Attributes
    ----------
    part : 0 for the seal, from 1 on for supplements
    name : of the sealed file
    digest : SHA-256 of that file
    sealed_by, countersigned_by : accounts' names; the second may be None
    key : SHA-256 of the public key that it was signed under
    files : inside, with their lengths in bytes; empty where the file is not kept here
    changes : from the part before, old and new; empty for the seal
    """

    part: int
    name: str
    digest: str
    sealed_at: datetime
    sealed_by: str
    countersigned_by: str | None
    key: str
    files: Sequence[tuple[str, int]]
    changes: Sequence[Change]


@dataclass(frozen=True)
class Closing:
    """How far a quarter is, for who may seal it.

    Attributes
    ----------
    state : what was laid before whom, what is owed, what stands in the way
    seal_state : draft, commented on, countersigned, sealed
    remarks : comments and countersignatures, the first first
    seals : the seal and its supplements
    wants : why another person has to countersign first; None where nobody has to
    may_countersign : the viewer may sign the numbers beside who seals
    makes_key : the unit's key of seals is made with this seal
    """

    state: QuarterState
    seal_state: SealState
    remarks: Sequence[ToldRemark]
    seals: Sequence[KeptSeal]
    wants: str | None
    may_countersign: bool
    makes_key: bool

    @property
    def may_seal(self) -> bool:
        """Whether nothing keeps the viewer from sealing it now."""
        return not (self.seals or self.state.hindrances or self.wants)


def closing(ledger: Ledger, viewer: Viewer, period: str, now: datetime) -> Closing:
    """Return how far a quarter is.

    Its numbers are worked out only where somebody has countersigned and it is not sealed: nothing
    else depends on them.
    """
    require(viewer, Deed.SEAL, at_least=Reach.ALL)
    asked = quarter(period)
    state = quarter_state(ledger, viewer, asked.name, now)
    with ledger.reading() as session:
        remarks = seals.remarks_of(session, asked.name)
        kept = seals.seals_of(session, asked.name)
        took_part = seals.part_taken(session, asked, viewer.person_id)
    signed = any(each.numbers_digest for each in remarks)
    found = standing(ledger, viewer, asked.name, now) if signed and not kept else None
    digest = _sealed_digest(kept[0]) if kept else found.digest if found else None
    told = [ToldRemark(each, each.numbers_digest == digest) for each in remarks]
    standing_ones = [each for each in told if each.is_countersignature and each.stands]
    return Closing(
        state=state,
        seal_state=state_of(
            is_sealed=bool(kept), is_countersigned=bool(standing_ones), has_comments=bool(remarks)
        ),
        remarks=told,
        seals=_kept_seals(kept),
        wants=None if kept else _wanted(ledger, viewer, found, took_part),
        may_countersign=not kept
        and viewer.person_id is not None
        and all(each.remark.account_id != viewer.account_id for each in standing_ones),
        makes_key=ledger.keys.seal is None,
    )


def sealed_quarters(ledger: Ledger, viewer: Viewer) -> frozenset[str]:
    """Return which quarters are sealed, by name; none for whom it is not to tell."""
    if reach(viewer, Deed.SEAL) is not Reach.ALL:
        return frozenset()
    with ledger.reading() as session:
        return seals.sealed_periods(session)


def sealed_file(ledger: Ledger, viewer: Viewer, period: str, part: int, name: str) -> bytes:
    """Return a sealed file, or one of the files inside it, byte by byte as it was sealed.

    Raises
    ------
    NotFoundError : no such seal or file is kept here
    FailureError : what is kept is not what was sealed
    """
    require(viewer, Deed.SEAL, at_least=Reach.ALL)
    asked = quarter(period)
    with ledger.reading() as session:
        kept = next(
            (each for each in seals.seals_of(session, asked.name) if each.part == part), None
        )
    if kept is None or not kept.is_kept:
        raise NotFoundError("no sealed file of that quarter and number is kept here")
    data = ledger.sealed_quarters.content(kept.file_digest)
    if name == sealed_name(asked.name, part):
        return data
    found = check_sealed(data)
    if found.wrong:
        raise FailureError("the sealed file is not as it was sealed; run `pedicle-ledger verify`")
    if name not in found.files:
        raise NotFoundError("the sealed file holds no file of that name")
    return found.files[name]


def _wanted(
    ledger: Ledger, viewer: Viewer, found: Standing | None, took_part: frozenset[int]
) -> str | None:
    if found is None:
        signer, others = Signer(viewer.account_id, viewer.person_id, took_part), []
    else:
        signer, by = signers(ledger, viewer, found)
        others = list(by)
    return wants_countersignature(signer, others, is_asked=ledger.settings.seal_countersigned)


def _kept_seals(kept: Sequence[Seal]) -> list[KeptSeal]:
    before: Mapping[str, object] = {}
    told = []
    for each in kept:
        numbers = as_document(each.numbers)
        told.append(_kept_seal(each, changes(before, numbers) if each.part else []))
        before = numbers
    return told


def _kept_seal(kept: Seal, changed: Sequence[Change]) -> KeptSeal:
    said = json.loads(kept.manifest)
    return KeptSeal(
        part=kept.part,
        name=sealed_name(said["quarter"], kept.part),
        digest=kept.file_digest,
        sealed_at=kept.sealed_at,
        sealed_by=kept.sealed_by,
        countersigned_by=said["countersigned_by"],
        key=fingerprint(bytes.fromhex(said["public_key"])),
        files=[(each["name"], each["length"]) for each in said["files"]] if kept.is_kept else [],
        changes=changed,
    )


def _sealed_digest(kept: Seal) -> str:
    """Return the digest of numbers and records that were sealed."""
    return str(json.loads(kept.manifest)["numbers_and_records"])
