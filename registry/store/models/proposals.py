"""What the program measured by itself, who was shown it, and how far its making is."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, Index, String, Text, text
from sqlalchemy.orm import Mapped, mapped_column

from registry.store.columns import Instant, Secret
from registry.store.models.base import Base, Tracked

_IS_CURRENT = text("replaced_at IS NULL")


class ProposalRow(Tracked):
    """What the program found on one scan, or the one line of why it could not; never edited.

    `document` is canonical JSON (`registry/measure/proposals/documents.py`), in the trail as a
    keyed digest; '' once its patient was withdrawn. `log_digest` is of the log's screws that it was
    worked out for: with another log it is another proposal, and this one has been replaced.
    """

    __tablename__ = "proposal"
    __table_args__ = (
        CheckConstraint("(document IS NULL) = (failure IS NOT NULL)", name="found"),
        Index(
            "uq_proposal_current",
            "scan_id",
            unique=True,
            sqlite_where=_IS_CURRENT,
            postgresql_where=_IS_CURRENT,
        ),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    scan_id: Mapped[int] = mapped_column(ForeignKey("scan.id"), index=True)
    image_digest: Mapped[str] = mapped_column(String(64))
    log_digest: Mapped[str] = mapped_column(String(64))
    algorithm: Mapped[str] = mapped_column(String(20))
    made_at: Mapped[datetime] = mapped_column(Instant)
    document: Mapped[str | None] = mapped_column(Secret)
    failure: Mapped[str | None] = mapped_column(Text)
    replaced_at: Mapped[datetime | None] = mapped_column(Instant)
    version: Mapped[int]


class ProposalShown(Tracked):
    """An account was shown what a proposal measured: of one screw, or of all of them.

    `reading_id` is the account's own reading after which it was shown; none where it was shown
    before.
    """

    __tablename__ = "proposal_shown"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    proposal_id: Mapped[int] = mapped_column(ForeignKey("proposal.id"), index=True)
    screw_id: Mapped[int | None] = mapped_column(ForeignKey("screw.id"), index=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    reading_id: Mapped[int | None] = mapped_column(ForeignKey("reading.id"), index=True)
    shown_at: Mapped[datetime] = mapped_column(Instant)
    version: Mapped[int]


class ProposalWork(Base):
    """A scan whose proposal a worker is at, held by a lease; outside the trail, in no backup."""

    __tablename__ = "proposal_work"

    scan_id: Mapped[int] = mapped_column(
        ForeignKey("scan.id"), primary_key=True, autoincrement=False
    )
    lease_name: Mapped[str | None] = mapped_column(String(64))
    lease_until: Mapped[datetime | None] = mapped_column(Instant)
    tries: Mapped[int]
