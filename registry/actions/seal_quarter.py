"""Seal a quarter; work a sealed one out again; seal what has changed as a supplement."""

from __future__ import annotations

import hashlib
from contextlib import nullcontext
from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.export_files import Export
from registry.actions.quarter_files import quarter_files
from registry.actions.quarter_standing import as_document, signers, standing, written_meanwhile
from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.domain.seals import can_stand_together, sealed_name, why_not_sealed
from registry.store.columns import instant_text
from registry.store.exporting.folder import check_free, staged
from registry.store.models.seals import QuarterSeal
from registry.store.queries import seals
from registry.store.sealing.checking import sealed
from registry.store.sealing.container import unpack
from registry.store.sealing.signing import as_pem, public_of
from reports.documents.canonical import canonical_bytes
from reports.documents.changes import changes, changes_table, new_since, new_words
from reports.documents.quarter import numbers
from reports.documents.quarter_document import quarter_document
from reports.documents.supplement import as_supplement
from reports.documents.table_files import as_csv

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping
    from contextlib import AbstractContextManager
    from datetime import datetime
    from pathlib import Path

    from registry.actions.quarter_standing import Standing
    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.seals import Remark
    from reports.documents.changes import Change

_FORMAT = "sealed quarter, format 1"


SAME_RECORDS = (
    "the quarter's own screws are counted as they were: what differs comes of other quarters' "
    "records, of settings, or of another version of the program"
)


@dataclass(frozen=True)
class Again:
    """A sealed quarter worked out again.

    Attributes
    ----------
    part : what it was compared with: 0 the seal, else the latest supplement
    changes : where the numbers are others now, as sealed and as they are
    new : how many numbers there are of each kind that reports did not have yet when it was sealed
    same_records : the quarter's screws and their consensus are those that were sealed
    same_bytes : the numbers are the same to the byte, but for the instant they were made at
    """

    part: int
    changes: list[Change]
    new: Mapping[str, int]
    same_records: bool
    same_bytes: bool

    @property
    def why(self) -> str:
        """Return where numbers come from that differ while the records do not; '' else."""
        return SAME_RECORDS if self.changes and self.same_records else ""

    @property
    def new_words(self) -> str:
        """Return what the report has now and had not when it was sealed; '' where nothing."""
        return new_words(self.new, self.against)

    @property
    def against(self) -> str:
        """Return what it was compared with, in words."""
        return f"supplement {self.part}" if self.part else "the seal"

    @property
    def is_same(self) -> bool:
        """Whether neither numbers nor records differ."""
        return not self.changes and self.same_records


def seal_quarter(
    ledger: Ledger, viewer: Viewer, period: str, out: Path | None, now: datetime
) -> dict[str, bytes]:
    """Seal a quarter; keep the sealed file, and write it with its report into a new folder, if any.

    Raises
    ------
    ConflictError
        it is sealed already, something stands in the way, or somebody wrote meanwhile
    """
    _check_free(ledger, out)
    found = standing(ledger, viewer, period, now)
    if found.seals:
        mend = "late changes are sealed as a supplement"
        raise ConflictError(Fault(f"{found.quarter.name} is sealed already", mend=mend))
    by = _countersigned(ledger, viewer, found)
    return _seal(ledger, viewer, found, by, quarter_files(found.report), out=out, now=now)


def work_out_again(ledger: Ledger, viewer: Viewer, period: str, now: datetime) -> Again:
    """Work a sealed quarter out again from the records as they are now, and compare."""
    return _again(standing(ledger, viewer, period, now))


def seal_supplement(
    ledger: Ledger, viewer: Viewer, period: str, out: Path | None, now: datetime
) -> dict[str, bytes]:
    """Seal what has changed since the seal, or the last supplement: the new report, old and new.

    ConflictError where nothing has changed, or something stands in the way.
    """
    _check_free(ledger, out)
    found = standing(ledger, viewer, period, now)
    again = _again(found)
    if again.is_same:
        raise ConflictError(
            Fault(f"nothing of {found.quarter.name} has changed", mend="nothing was sealed")
        )
    by = _countersigned(ledger, viewer, found)
    name = f"{found.quarter.name}.changes.csv"
    document = as_supplement(
        quarter_document(found.report), len(found.seals), again.changes, again.new_words
    )
    files = {
        name: as_csv(changes_table(again.changes)),
        **quarter_files(found.report, document),
    }
    return _seal(ledger, viewer, found, by, files, out=out, now=now)


def public_key(ledger: Ledger) -> str:
    """Return the public key of the unit's seals as PEM; BadInputError before the first seal."""
    key = ledger.keys.seal
    if key is None:
        what = "there is no key of seals here"
        mend = "it is made with the first seal; a restored ledger needs its folder of keys whole"
        raise BadInputError(Fault(what, mend=mend))
    return as_pem(public_of(key))


def _check_free(ledger: Ledger, out: Path | None) -> None:
    if out is not None:
        check_free(out, ledger.home)


def _again(found: Standing) -> Again:
    if not found.seals:
        raise ConflictError(Fault(f"{found.quarter.name} is not sealed", mend="seal it first"))
    kept = found.seals[-1]
    before = as_document(kept.numbers)
    after = as_document(canonical_bytes(numbers(found.report)).decode())
    made = {"made_at": before["made_at"]}
    return Again(
        part=kept.part,
        changes=changes(before, after),
        new=new_since(before, after),
        same_records=kept.records.encode() in {found.records, found.records_in_words},
        same_bytes=canonical_bytes({**after, **made}).decode() == kept.numbers,
    )


def _countersigned(ledger: Ledger, viewer: Viewer, found: Standing) -> Remark | None:
    """Return the countersignature that goes with the seal; ConflictError where it cannot be."""
    signer, others = signers(ledger, viewer, found)
    lines = why_not_sealed(
        found.in_the_way, signer, list(others), is_asked=ledger.settings.seal_countersigned
    )
    if lines:
        raise ConflictError(
            *(Fault(line, found.quarter.name, "nothing was sealed") for line in lines)
        )
    return next((said for other, said in others.items() if can_stand_together(signer, other)), None)


def _seal(
    ledger: Ledger,
    viewer: Viewer,
    found: Standing,
    by: Remark | None,
    files: Mapping[str, bytes],
    *,
    out: Path | None,
    now: datetime,
) -> dict[str, bytes]:
    part, name = len(found.seals), found.quarter.name
    key = ledger.keys.seal_key(is_first=not found.seals and not _any_seal(ledger))
    data = sealed(key, _said(found, viewer, by, now), files)
    written = sealed_name(name, part)
    leaving = {**files, written: data, "public_key.pem": as_pem(public_of(key)).encode()}
    taken = unpack(data)
    with _staged(out, leaving) as put, ledger.writing(viewer, now) as work:
        if seals.trail_end(work.session) != found.trail:
            raise written_meanwhile(found.quarter)
        verb = "seal a quarter" if part == 0 else "seal a supplement to a quarter"
        work.insert(
            QuarterSeal,
            verb,
            period=name,
            part=part,
            file_digest=hashlib.sha256(data).hexdigest(),
            manifest=taken.manifest.decode(),
            signature=taken.signature.hex(),
            numbers=canonical_bytes(numbers(found.report)).decode(),
            records=found.records.decode(),
            sealed_by_id=viewer.account_id,
            countersigned_by_id=None if by is None else by.account_id,
            sealed_at=now,
            is_kept=True,
        )
        if out is not None:
            work.note(verb, "export", Export(verb, written, {}, leaving).said())
        work.flush()
        # On the disk before its row is seen: a seal whose file is gone would be for nobody.
        ledger.sealed_quarters.keep(data)
        put()
    return leaving


def _staged(
    out: Path | None, files: Mapping[str, bytes]
) -> AbstractContextManager[Callable[[], None]]:
    return nullcontext(lambda: None) if out is None else staged(out, files.items())


def _any_seal(ledger: Ledger) -> bool:
    with ledger.reading() as session:
        return seals.is_any_sealed(session)


def _said(found: Standing, viewer: Viewer, by: Remark | None, now: datetime) -> dict[str, object]:
    """Return what the manifest says beside its files and its key."""
    return {
        "format": _FORMAT,
        "quarter": found.quarter.name,
        "part": len(found.seals),
        "follows": found.seals[-1].file_digest if found.seals else None,
        "unit": found.report.unit,
        "sealed_at": instant_text(now),
        "sealed_by": viewer.name,
        "countersigned_by": None if by is None else by.account,
        "numbers_and_records": found.digest,
        "records": {
            "sha256": hashlib.sha256(found.records).hexdigest(),
            "length": len(found.records),
        },
        "settings": found.report.made_with.settings,
        "versions": dict(found.report.made_with.versions),
        "trail": {"length": found.trail[0], "head": found.trail[1]},
        "provisional": len(found.report.work.provisional),
    }
