"""What came in and is not yet a scan. Outside the trail, as sign-ins are, and in no backup."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import BigInteger, CheckConstraint, ForeignKey, Index, String, Text, text
from sqlalchemy.orm import Mapped, mapped_column

from registry.domain.arrivals import ArrivalSource, ArrivalState
from registry.store.columns import Instant
from registry.store.models.base import Base, one_of

_IS_RECEIVING = text("state = 'receiving'")


class ArrivalRow(Base):
    """One lot of files on its way; `survey` and `decision` are JSON in words, without identity.

    `token` names its folder and its key; a worker holds it until `lease_until`.
    """

    __tablename__ = "arrival"
    __table_args__ = (
        CheckConstraint(one_of("source", ArrivalSource), name="source"),
        CheckConstraint(one_of("state", ArrivalState), name="state"),
        # Two associations of one study, opened at once, fill the same arrival.
        Index(
            "uq_arrival_receiving_study",
            "study_hash",
            unique=True,
            sqlite_where=_IS_RECEIVING,
            postgresql_where=_IS_RECEIVING,
        ),
    )

    id: Mapped[int] = mapped_column(primary_key=True)
    token: Mapped[str] = mapped_column(String(32), unique=True)
    source: Mapped[str] = mapped_column(String(10))
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    study_hash: Mapped[str | None] = mapped_column(String(64))
    opened_at: Mapped[datetime] = mapped_column(Instant)
    last_at: Mapped[datetime] = mapped_column(Instant)
    state: Mapped[str] = mapped_column(String(20), index=True)
    files: Mapped[int]
    size_bytes: Mapped[int] = mapped_column(BigInteger)
    done: Mapped[int]
    total: Mapped[int]
    survey: Mapped[str | None] = mapped_column(Text)
    message: Mapped[str] = mapped_column(Text)
    decision: Mapped[str | None] = mapped_column(Text)
    decided_by_id: Mapped[int | None] = mapped_column(ForeignKey("account.id"), index=True)
    lease_name: Mapped[str | None] = mapped_column(String(64))
    lease_until: Mapped[datetime | None] = mapped_column(Instant)
    tries: Mapped[int]
    scan_id: Mapped[int | None] = mapped_column(ForeignKey("scan.id"), index=True)
    version: Mapped[int]
