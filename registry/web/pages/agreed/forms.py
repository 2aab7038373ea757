"""The forms of an action: agreed on, ended, replaced."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.agreed import LONGEST_CAME, LONGEST_WHAT, LONGEST_WHY
from registry.web.fields import Choice, Field

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import date

OWNERS = "possible-owners"
"""Id of the list of names that may be typed for an owner."""

_DONE = (Choice("", "Choose"), Choice("yes", "Done"), Choice("no", "Not done, and given up"))


def action_fields(
    typed: Mapping[str, str], errors: Mapping[str, str], mark: str = ""
) -> list[Field]:
    """Return the fields of what is done, by whom and until when."""
    asked = [
        Field(
            "what",
            "What is done",
            hint="Stands in the report, in the trail and on its owner's first page; "
            "name no patient and no case.",
            longest=LONGEST_WHAT,
        ),
        Field("owner", "Owner: who does it", suggestions=OWNERS),
        Field("due_on", "Due day", kind="date"),
    ]
    return [_filled(each, typed, errors, mark) for each in asked]


def end_fields(typed: Mapping[str, str], errors: Mapping[str, str], today: date) -> list[Field]:
    """Return the fields of an action's end."""
    asked = [
        Field("is_done", "Done or not", kind="select", choices=_DONE),
        Field("ended_on", "Day on which it ended", today.isoformat(), kind="date"),
        Field("came_of_it", "What came of it", longest=LONGEST_CAME),
    ]
    return [_filled(each, typed, errors, "-end") for each in asked]


def replace_fields(typed: Mapping[str, str], errors: Mapping[str, str]) -> list[Field]:
    """Return the fields of the action that takes another's place."""
    why = Field("why", "Why it is replaced", longest=LONGEST_WHY)
    mark = "-replace"
    return [*action_fields(typed, errors, mark), _filled(why, typed, errors, mark)]


def _filled(asked: Field, typed: Mapping[str, str], errors: Mapping[str, str], mark: str) -> Field:
    return Field(
        asked.name,
        asked.label,
        typed.get(asked.name, asked.value),
        kind=asked.kind,
        choices=asked.choices,
        hint=asked.hint,
        error=errors.get(asked.name, ""),
        mark=mark,
        suggestions=asked.suggestions,
        longest=asked.longest,
    )
