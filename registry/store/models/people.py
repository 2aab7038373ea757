"""People, the names they go by, and the accounts that belong to them."""

from __future__ import annotations

from datetime import datetime

from sqlalchemy import CheckConstraint, ForeignKey, String, UniqueConstraint
from sqlalchemy.orm import Mapped, mapped_column

from registry.domain.access import Role
from registry.store.columns import Instant, Secret
from registry.store.models.base import Base, Tracked, one_of


class Person(Tracked):
    """A surgeon, operator, assistant or reader."""

    __tablename__ = "person"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    name: Mapped[str] = mapped_column(String(200))
    version: Mapped[int]


class PersonAlias(Tracked):
    """A spelling under which a person is known; the folded form belongs to one person."""

    __tablename__ = "person_alias"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    person_id: Mapped[int] = mapped_column(ForeignKey("person.id"), index=True)
    folded: Mapped[str] = mapped_column(String(200), unique=True)
    version: Mapped[int]


class Account(Tracked):
    """A sign-in; without a password until its invitation has been used."""

    __tablename__ = "account"

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    name: Mapped[str] = mapped_column(String(100), unique=True)
    person_id: Mapped[int | None] = mapped_column(ForeignKey("person.id"), index=True)
    password_hash: Mapped[str | None] = mapped_column(Secret)
    invitation_digest: Mapped[str | None] = mapped_column(Secret)
    invitation_expires_at: Mapped[datetime | None] = mapped_column(Instant)
    is_local_operator: Mapped[bool]
    is_disabled: Mapped[bool]
    version: Mapped[int]


class AccountRole(Tracked):
    """One role of an account; held no more once it is taken."""

    __tablename__ = "account_role"
    __table_args__ = (
        UniqueConstraint("account_id", "role"),
        CheckConstraint(one_of("role", Role), name="role"),
    )

    id: Mapped[int] = mapped_column(primary_key=True, autoincrement=False)
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"))
    role: Mapped[str] = mapped_column(String(20))
    taken_at: Mapped[datetime | None] = mapped_column(Instant)
    version: Mapped[int]


class SignedIn(Base):
    """A browser session; only the token's digest is kept. Outside the trail."""

    __tablename__ = "signed_in"

    token_digest: Mapped[str] = mapped_column(String(64), primary_key=True)
    account_id: Mapped[int] = mapped_column(ForeignKey("account.id"), index=True)
    started_at: Mapped[datetime] = mapped_column(Instant)
    seen_at: Mapped[datetime] = mapped_column(Instant)
    expires_at: Mapped[datetime] = mapped_column(Instant)
    number: Mapped[int | None] = mapped_column(unique=True)
    agent: Mapped[str | None] = mapped_column(String(200))
    confirmed_at: Mapped[datetime | None] = mapped_column(Instant)


class SignInFailure(Base):
    """A failed sign-in, counted against the account's name and the address. Outside the trail."""

    __tablename__ = "sign_in_failure"

    id: Mapped[int] = mapped_column(primary_key=True)
    name: Mapped[str] = mapped_column(String(100), index=True)
    address_hash: Mapped[str | None] = mapped_column(String(64), index=True)
    at: Mapped[datetime] = mapped_column(Instant)
