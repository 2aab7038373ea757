"""The fields of one screw of a construct, for every form that asks for one."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.intake.entered import SCREW, Asked, ScrewPlace, fault_place
from registry.web.fields import Choice, Field

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence

    from registry.domain.problems import Fault

PERSONS_LIST = "persons"
"""Id of the list of names that a page with these fields has (the macro `suggested`)."""

PERSONS = frozenset({"operator", "surgeon", "second_surgeon"})
_NOT_STATED = Choice("", "not stated")


def screw_texts(sent: Mapping[str, str], prefix: str = "") -> dict[str, str]:
    """Return the texts of a screw's fields from a form; a field that was not sent is empty."""
    return {asked.name: sent.get(prefix + asked.name, "") for asked in SCREW}


def screw_fields(
    texts: Mapping[str, str],
    *,
    place: ScrewPlace | None = None,
    prefix: str = "",
    errors: Mapping[str, str] | None = None,
    earlier: Sequence[Choice] = (),
    without_screw: str = "",
) -> dict[str, Field]:
    """Return a screw's fields by name, in their order, as typed and with what is wrong.

    Parameters
    ----------
    texts : by the name of the field
    place : of the screw, as its faults name it
    prefix : before each name, where a form has several screws
    errors : what is wrong, by the place that a fault names (`fault_place`)
    earlier : screws that it may replace
    without_screw : words for a place without a screw, where the form offers that
    """
    found = {}
    for asked in SCREW:
        more: list[Choice] = []
        if asked.name == "replaces_id":
            more = [Choice("", "none"), *earlier]
        elif asked.name == "life" and without_screw:
            more = [Choice("", without_screw)]
        field = asked_field(
            asked,
            texts.get(asked.name, ""),
            name=prefix + asked.name,
            error=(errors or {}).get(fault_place(asked, place), ""),
            more=more,
        )
        found[asked.name] = field
    return found


def asked_field(
    asked: Asked,
    text: str,
    *,
    name: str = "",
    error: str = "",
    hint: str = "",
    more: Sequence[Choice] = (),
) -> Field:
    """Return one field as it is asked for: a choice where the words are closed, else typed.

    `more` are choices before the words; without any, what is optional may be left not stated.
    """
    is_choice = bool(asked.words or more) or asked.name == "replaces_id"
    first = list(more) or ([] if asked.is_required and text else [_NOT_STATED])
    return Field(
        name or asked.name,
        asked.label,
        text,
        "select" if is_choice else "text",
        (*first, *(Choice(word, word) for word in asked.words)) if is_choice else (),
        hint=hint,
        error=error,
        suggestions=PERSONS_LIST if asked.name in PERSONS else "",
        longest=0 if is_choice else asked.longest,
    )


def errors_by_place(faults: Sequence[Fault]) -> dict[str, str]:
    """Return what is wrong by the place that each fault names."""
    wrong: dict[str, str] = {}
    for fault in faults:
        told = f"{fault.what}; {fault.mend}" if fault.mend else fault.what
        wrong[fault.where] = f"{wrong[fault.where]}. {told}" if fault.where in wrong else told
    return wrong
