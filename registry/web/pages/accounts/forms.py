"""The fields of an invitation and of a change to an account."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.domain.access import Role
from registry.domain.problems import BadInputError, Fault
from registry.web.fields import Field

if TYPE_CHECKING:
    from collections.abc import Collection, Mapping


@dataclass(frozen=True)
class Invitation:
    """Whom to invite, and as what."""

    name: str
    person: str | None
    roles: frozenset[Role]


def asked_invitation(form: Mapping[str, str], ticked: Collection[str]) -> Invitation:
    """Return the invitation that a form asks for; BadInputError where it names no role."""
    roles = frozenset(asked_role(role) for role in ticked)
    if not roles:
        raise BadInputError(Fault("an account needs a role", "roles", "tick at least one"))
    person = form.get("person", "").strip()
    return Invitation(form.get("name", ""), person or None, roles)


def asked_role(text: str) -> Role:
    """Return the role of this name; BadInputError where there is none."""
    try:
        return Role(text)
    except ValueError:
        raise BadInputError(
            Fault(f"there is no role {text!r}", "role", "choose one of the list")
        ) from None


def invitation_fields(form: Mapping[str, str]) -> list[Field]:
    """Return the fields of an invitation, as they were typed."""
    return [
        Field("name", "Account name", value=form.get("name", "")),
        Field(
            "person",
            "Person",
            value=form.get("person", ""),
            hint="As the unit's tables name them; a steward or lead who is in no table needs none.",
        ),
    ]


def all_roles() -> list[str]:
    """Return every role that an account may have."""
    return [role.value for role in Role]


def change_fields(reason: str = "") -> list[Field]:
    """Return the fields of a change to an account."""
    return [
        Field(
            "reason",
            "Reason",
            value=reason,
            hint="Kept in the event trail with the change; name no patient.",
        )
    ]
