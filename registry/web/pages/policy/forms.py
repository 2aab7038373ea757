"""The form in which a reader says what was done about a finding."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from registry.actions.policy import PolicyAnswer
from registry.domain.problems import BadInputError, Fault
from registry.web.fields import Choice, Field

if TYPE_CHECKING:
    from collections.abc import Mapping

    from registry.store.queries.findings import ListedFinding

_FOLLOWED = (
    Choice("", "say which"),
    Choice("yes", "yes, the policy was followed"),
    Choice("no", "no, it was not followed"),
)


_FIELDS = (
    Field("is_followed", "Was the unit's policy followed?", kind="select", choices=_FOLLOWED),
    Field("told_whom", "Who was told", hint="Their role or name; not the patient's."),
    Field("told_at", "When", hint="Day and time in the unit's own time.", kind="datetime-local"),
    Field("told_how", "How", hint="By telephone, in person, in writing."),
    Field(
        "not_followed_reason",
        "If not followed: why",
        hint="Leave empty where it was followed.",
    ),
)


def answer_fields(sent: Mapping[str, str], errors: Mapping[str, str]) -> list[Field]:
    """Return the fields with what they hold and what is wrong with it."""
    return [
        replace(field, value=sent.get(field.name, ""), error=errors.get(field.name, ""))
        for field in _FIELDS
    ]


def typed_of(sent: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return what was typed, with the words of its field, for a page that has no form any more."""
    labels = [(field.name, field.label) for field in _FIELDS]
    labels.append(("closing_words", "With what it is closed"))
    return [(label, text) for name, label in labels if (text := sent.get(name, "").strip())]


def values_of(found: ListedFinding, zone: str) -> dict[str, str]:
    """Return what the form holds before anything is typed: what was said before."""
    told_at = found.told_at
    return {
        "is_followed": {None: "", True: "yes", False: "no"}[found.is_followed],
        "told_whom": found.told_whom or "",
        "told_at": ""
        if told_at is None
        else f"{told_at.astimezone(ZoneInfo(zone)):%Y-%m-%dT%H:%M}",
        "told_how": found.told_how or "",
        "not_followed_reason": found.not_followed_reason or "",
    }


def answer_of(sent: Mapping[str, str], zone: str) -> PolicyAnswer:
    """Return what was said; BadInputError where it cannot be read."""
    followed = {"yes": True, "no": False}.get(sent.get("is_followed", ""))
    if followed is None:
        raise BadInputError(
            Fault("whether the policy was followed is not said", "is_followed", "choose one")
        )
    return PolicyAnswer(
        is_followed=followed,
        told_whom=sent.get("told_whom", ""),
        told_at=_instant(sent.get("told_at", ""), zone),
        told_how=sent.get("told_how", ""),
        not_followed_reason=sent.get("not_followed_reason", ""),
    )


def _instant(text: str, zone: str) -> datetime | None:
    if not text.strip():
        return None
    try:
        return datetime.strptime(text.strip()[:16], "%Y-%m-%dT%H:%M").replace(tzinfo=ZoneInfo(zone))
    except ValueError:
        raise BadInputError(
            Fault(f"{text!r} is no day and time", "told_at", "write 2026-03-31T14:20")
        ) from None
