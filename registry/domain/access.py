"""Who may do and see what: one table by role, and the rules over persons.

What is absent from the table is not allowed.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING

from registry.domain.problems import NotAllowedError
from registry.domain.words import parse_word

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping


class Role(StrEnum):
    """What an account is for."""

    REGISTRAR = "registrar"
    SURGEON = "surgeon"
    QUALITY_LEAD = "quality lead"
    STEWARD = "steward"


class Deed(StrEnum):
    """What a person may want to do or see."""

    ENTER_CASES = "enter cases and constructs"
    LOAD_READINGS = "load readings made elsewhere"
    RECORD_OUTCOMES = "record outcomes"
    LOAD_SCANS = "load scans"
    SEE_CASES = "see cases"
    READ_SCREWS = "read screws"
    ORDER_READINGS = "see to second readings and adjudications"
    SEE_RATES = "see the unit's rates"
    SEE_SURGEONS = "see rates by surgeon"
    COMPARE_SURGEONS = "see surgeons beside one another"
    EXPORT = "export records"
    MAKE_PACK = "make a meeting pack"
    ANSWER_FINDINGS = "answer for findings that the unit's policy names"
    CLOSE_FINDINGS = "close findings that the unit's policy names"
    REPLY = "reply to a quarter's own data"
    SEE_OWN = "see own results and keep own notes"
    SEE_SHOWN = "see what others show of their own notes"
    LAY_BEFORE_SURGEONS = "lay a quarter before its surgeons"
    SEAL = "seal a quarter"
    SEE_OWN_ACTIONS = "see the unit's actions that are theirs to do"
    MANAGE_ACCOUNTS = "manage accounts"
    SEE_TRAIL = "see the event trail"
    WITHDRAW = "withdraw a patient"
    UPGRADE = "upgrade the ledger"
    BACK_UP = "back the ledger up and move it"
    VERIFY = "verify the ledger"


class Reach(IntEnum):
    """How far a role reaches."""

    NONE = 0
    OWN = 1
    ALL = 2


_TABLE: Mapping[Deed, Mapping[Role, Reach]] = MappingProxyType(
    {
        Deed.ENTER_CASES: {
            Role.REGISTRAR: Reach.ALL,
            Role.SURGEON: Reach.OWN,
            Role.QUALITY_LEAD: Reach.ALL,
        },
        Deed.LOAD_READINGS: {Role.QUALITY_LEAD: Reach.ALL},
        Deed.RECORD_OUTCOMES: {Role.SURGEON: Reach.OWN, Role.QUALITY_LEAD: Reach.ALL},
        Deed.LOAD_SCANS: {Role.REGISTRAR: Reach.ALL, Role.QUALITY_LEAD: Reach.ALL},
        Deed.SEE_CASES: {Role.SURGEON: Reach.OWN, Role.QUALITY_LEAD: Reach.ALL},
        Deed.READ_SCREWS: {
            Role.REGISTRAR: Reach.ALL,
            Role.SURGEON: Reach.ALL,
            Role.QUALITY_LEAD: Reach.ALL,
        },
        Deed.ORDER_READINGS: {Role.QUALITY_LEAD: Reach.ALL},
        Deed.SEE_RATES: {
            Role.REGISTRAR: Reach.ALL,
            Role.SURGEON: Reach.ALL,
            Role.QUALITY_LEAD: Reach.ALL,
        },
        Deed.SEE_SURGEONS: {
            Role.REGISTRAR: Reach.OWN,
            Role.SURGEON: Reach.OWN,
            Role.QUALITY_LEAD: Reach.ALL,
        },
        Deed.COMPARE_SURGEONS: {Role.SURGEON: Reach.OWN, Role.QUALITY_LEAD: Reach.ALL},
        Deed.EXPORT: {Role.QUALITY_LEAD: Reach.ALL},
        Deed.MAKE_PACK: {Role.SURGEON: Reach.OWN, Role.QUALITY_LEAD: Reach.ALL},
        Deed.ANSWER_FINDINGS: {
            Role.REGISTRAR: Reach.OWN,
            Role.SURGEON: Reach.OWN,
            Role.QUALITY_LEAD: Reach.ALL,
        },
        Deed.CLOSE_FINDINGS: {Role.QUALITY_LEAD: Reach.ALL},
        Deed.REPLY: {Role.SURGEON: Reach.OWN},
        Deed.SEE_OWN: {Role.SURGEON: Reach.OWN},
        Deed.SEE_SHOWN: {Role.SURGEON: Reach.OWN, Role.QUALITY_LEAD: Reach.OWN},
        Deed.LAY_BEFORE_SURGEONS: {Role.QUALITY_LEAD: Reach.ALL},
        Deed.SEAL: {Role.QUALITY_LEAD: Reach.ALL},
        Deed.SEE_OWN_ACTIONS: dict.fromkeys(Role, Reach.OWN),
        Deed.MANAGE_ACCOUNTS: {Role.STEWARD: Reach.ALL},
        Deed.SEE_TRAIL: {
            Role.REGISTRAR: Reach.OWN,
            Role.SURGEON: Reach.OWN,
            Role.QUALITY_LEAD: Reach.ALL,
            Role.STEWARD: Reach.ALL,
        },
        Deed.WITHDRAW: {Role.QUALITY_LEAD: Reach.ALL, Role.STEWARD: Reach.ALL},
        Deed.UPGRADE: {Role.STEWARD: Reach.ALL},
        Deed.BACK_UP: {Role.STEWARD: Reach.ALL},
        Deed.VERIFY: {Role.STEWARD: Reach.ALL, Role.QUALITY_LEAD: Reach.ALL},
    }
)


@dataclass(frozen=True)
class Viewer:
    """The account that asks.

    Attributes
    ----------
    account_id : int
    name : the account's name
    person_id : whose account it is, or None
    roles : may be several
    is_local_operator : the shell's own account, who sees all
    """

    account_id: int
    name: str
    person_id: int | None
    roles: frozenset[Role]
    is_local_operator: bool = False


def parse_roles(text: str) -> frozenset[Role]:
    """Return the roles in a comma-separated list; ValueError names the words that exist."""
    return frozenset(parse_word(Role, word) for word in text.split(",") if word.strip())


def reach(viewer: Viewer, deed: Deed) -> Reach:
    """Return how far the viewer reaches; the widest of their roles."""
    if viewer.is_local_operator:
        return Reach.ALL
    row = _TABLE.get(deed, {})
    return max((row.get(role, Reach.NONE) for role in viewer.roles), default=Reach.NONE)


def require(viewer: Viewer, deed: Deed, *, at_least: Reach = Reach.OWN) -> Reach:
    """Return the viewer's reach, or raise NotAllowedError where it falls short."""
    found = reach(viewer, deed)
    if found < at_least:
        raise NotAllowedError(f"{viewer.name} may not {deed}")
    return found


def may_read(viewer: Viewer, participants: Collection[int]) -> bool:
    """Return whether the viewer may read a screw of a case with these participants.

    Nobody reads a case in which they operated or assisted, whatever their role; a reader is a
    person, so an account without one reads nothing.
    """
    if viewer.person_id is None or viewer.person_id in participants:
        return False
    return reach(viewer, Deed.READ_SCREWS) is Reach.ALL
