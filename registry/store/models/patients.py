"""Patients by pseudonym, and the encrypted vault that knows more."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, String
from sqlalchemy.orm import Mapped, mapped_column

from registry.store.columns import Instant, Secret
from registry.store.models.base import Tracked


class Patient(Tracked):
    """A patient as everything but the vault knows them; withdrawn once their key is destroyed."""

    __tablename__ = "patient"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    pseudonym: Mapped[str] = mapped_column(String(20), unique=True)
    reference_hash: Mapped[str] = mapped_column(String(64), unique=True)
    withdrawn_at: Mapped[datetime | None] = mapped_column(Instant)
    version: Mapped[int]


class VaultEntry(Tracked):
    """One encrypted identifier; the patient's key is kept outside the database."""

    __tablename__ = "vault_entry"
    __table_args__ = (
        CheckConstraint(
            "kind IN ('patient reference', 'birth date', 'scan identifiers')", name="kind"
        ),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    patient_id: Mapped[int] = mapped_column(ForeignKey("patient.id"), index=True)
    scan_id: Mapped[int | None] = mapped_column(ForeignKey("scan.id"), index=True)
    kind: Mapped[str] = mapped_column(String(30))
    sealed: Mapped[str] = mapped_column(Secret)
    matching_hash: Mapped[str | None] = mapped_column(String(64), index=True)
    version: Mapped[int]
