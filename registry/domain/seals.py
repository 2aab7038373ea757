"""Sealing a quarter: when it may be, who may, and how far it is."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import timedelta
from enum import StrEnum
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import date

    from registry.domain.reply import Quarter


class SealState(StrEnum):
    """How far a quarter is."""

    DRAFT = "draft"
    COMMENTED = "commented on"
    COUNTERSIGNED = "countersigned"
    SEALED = "sealed"


def sealed_name(period: str, part: int) -> str:
    """Return how a sealed file is called: 2026Q3.sealed, 2026Q3.supplement1.sealed."""
    return f"{period}.sealed" if part == 0 else f"{period}.supplement{part}.sealed"


class RemarkKind(StrEnum):
    """What somebody said of a quarter before its seal."""

    COMMENT = "comment"
    COUNTERSIGNATURE = "countersignature"


@dataclass(frozen=True)
class Signer:
    """Who signs.

    Attributes
    ----------
    account_id : whose account
    person_id : None for the shell's own account
    own_cases : numbers of the quarter's cases in which that person operated or assisted
    """

    account_id: int
    person_id: int | None
    own_cases: frozenset[int] = frozenset()


def sealable_from(quarter: Quarter, delay_days: int) -> date:
    """Return the first day on which a quarter can be sealed: after its end and the unit's delay.

    Examples
    --------
    >>> from registry.domain.reply import quarter
    >>> sealable_from(quarter("2026Q3"), 30)
    datetime.date(2026, 10, 31)
    """
    return quarter.last + timedelta(days=delay_days + 1)


def state_of(*, is_sealed: bool, is_countersigned: bool, has_comments: bool) -> SealState:
    """Return how far a quarter is; a countersignature of other numbers is none."""
    if is_sealed:
        return SealState.SEALED
    if is_countersigned:
        return SealState.COUNTERSIGNED
    return SealState.COMMENTED if has_comments else SealState.DRAFT


def can_stand_together(one: Signer, other: Signer) -> bool:
    """Return whether two may sign a quarter: two people, and no case in which both took part."""
    return (
        one.account_id != other.account_id
        and other.person_id is not None
        and one.person_id != other.person_id
        and not one.own_cases & other.own_cases
    )


def why_not_sealed(
    in_the_way: Sequence[str],
    signer: Signer,
    countersigners: Sequence[Signer],
    *,
    is_asked: bool,
) -> list[str]:
    """Return why a quarter cannot be sealed by this signer now; empty where it can.

    Parameters
    ----------
    in_the_way : what has to be done or waited for, whoever seals
    countersigners : who has countersigned the numbers as they stand
    is_asked : the unit asks for a countersignature whoever seals
    """
    wanted = wants_countersignature(signer, countersigners, is_asked=is_asked)
    return [*in_the_way, *([] if wanted is None else [wanted])]


def wants_countersignature(
    signer: Signer, countersigners: Sequence[Signer], *, is_asked: bool
) -> str | None:
    """Return why another person has to countersign before this signer seals; None where none."""
    if any(can_stand_together(signer, other) for other in countersigners):
        return None
    if signer.own_cases:
        return (
            "you operated or assisted in the quarter, so another person who took no part in those "
            "cases countersigns its numbers first"
        )
    if is_asked:
        return "the unit asks for another person's countersignature of its numbers first"
    return None
