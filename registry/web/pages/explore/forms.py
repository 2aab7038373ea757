"""What a crossed table is asked: read from an address, and the fields that make one."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from werkzeug.datastructures import MultiDict

from registry.actions.explore import Asked, State, own_as
from registry.domain.problems import BadInputError, Fault
from registry.web.exploring import CAME, CELL
from registry.web.fields import Choice, Field
from registry.web.question import address_values, question_fields, read_question
from reports.tables.splits import PERSONS, Split

if TYPE_CHECKING:
    from collections.abc import Iterable, Mapping

    from registry.actions.count import PeriodsOffered
    from registry.domain.access import Viewer

USUAL = (Split.ENTRY_TECHNIQUE, Split.REGION)
"""What a narrow screen has room for; entry techniques are compared within a region."""
_OWN = "own"
_PAGE = "page"
_OWN_WORDS = {Split.SURGEON: "as responsible surgeon", Split.OPERATOR: "as operator"}
_ONLY = {"breached": State.BREACHED, "unbreached": State.UNBREACHED, "ungraded": State.UNGRADED}
ONLY_NAMES = {state: name for name, state in _ONLY.items()}


def read_asked(
    args: MultiDict[str, str], viewer: Viewer, minimum: int, *, of_cell: bool = False
) -> Asked:
    """Return what an address asks; BadInputError names every filter that is wrong.

    `of_cell` lets it name a cell and a page of the cell's list besides.
    """
    others = (_OWN, CAME, *CELL, _PAGE) if of_cell else (_OWN, CAME)
    plain = _with_usual(args, without=others)
    faults: list[Fault] = []
    own = _own(args, viewer, faults)
    try:
        question = read_question(plain, minimum)
    except BadInputError as problem:
        raise BadInputError(*problem.faults, *faults) from None
    if len(question.by) != 2:  # noqa: PLR2004 - rows and columns
        mend = "choose what the rows are and what the columns are"
        faults.append(Fault("a table is crossed by two", "by", mend))
    if own_as(viewer) and PERSONS & set(question.by):
        mend = "choose another split; the screws are your own already"
        faults.append(Fault("persons are not crossed for this account", "by", mend))
    if faults:
        raise BadInputError(*faults)
    return Asked(question, own)


def read_cell(args: MultiDict[str, str], asked: Asked) -> dict[Split, str]:
    """Return the cell in an address: the key of its row, of its column, or of both."""
    down, across = asked.question.by
    named = {"row": down, "column": across}
    return {split: args[name] for name, split in named.items() if name in args}


def read_only(args: MultiDict[str, str]) -> State | None:
    """Return which of a cell's screws are asked for; None for all."""
    said = args.get("only", "").strip()
    if not said:
        return None
    if said not in _ONLY:
        raise BadInputError(
            Fault(f"{said[:40]!r} cannot be used", "only", f"use one of: {', '.join(_ONLY)}")
        )
    return _ONLY[said]


def asked_values(asked: Asked) -> dict[str, str | list[str]]:
    """Return a question as the values of its address."""
    values = address_values(asked.question)
    return values if asked.own is None else values | {_OWN: asked.own.value}


def asked_fields(
    args: MultiDict[str, str],
    viewer: Viewer,
    minimum: int,
    offered: PeriodsOffered | None,
    faults: Iterable[Fault] = (),
) -> list[Field]:
    """Return the fields that make a question, as they were sent and with what is wrong."""
    wrong = list(faults)
    made = question_fields(
        _with_usual(args, without=(_OWN, CAME, *CELL, _PAGE)), viewer, minimum, offered, wrong
    )
    owned = own_as(viewer)
    hidden = PERSONS if owned else frozenset()
    labels = {"-1": "Rows", "-2": "Columns"}
    fields = [
        replace(field, label=labels[field.mark], choices=_splits(field, hidden))
        if field.mark in labels
        else field
        for field in made
    ]
    if not owned:
        return fields
    told = " ".join(f"{fault.what}; {fault.mend}" for fault in wrong if fault.where == _OWN)
    choices = [Choice(split.value, _OWN_WORDS[split]) for split in owned]
    value = args.get(_OWN, "").strip() or owned[0].value
    return [
        *fields[:2],
        Field(_OWN, "Own screws", value, "select", choices, error=told),
        *fields[2:],
    ]


def own_words(asked: Asked) -> str:
    """Return whose screws are counted, as the end of a heading; '' for everybody's."""
    return "" if asked.own is None else f"own screws {_OWN_WORDS[asked.own]}"


def _splits(field: Field, hidden: frozenset[Split]) -> list[Choice]:
    return [choice for choice in field.choices if choice.value and choice.value not in hidden]


def _with_usual(args: MultiDict[str, str], without: Iterable[str]) -> MultiDict[str, str]:
    """Return an address without some names, and with the usual splits where it has none."""
    left_out = set(without)
    kept = MultiDict(pair for pair in args.items(multi=True) if pair[0] not in left_out)
    if not any(part.strip() for part in kept.getlist("by")):
        kept.setlist("by", [split.value for split in USUAL])
    return kept


def _own(args: Mapping[str, str], viewer: Viewer, faults: list[Fault]) -> Split | None:
    said, offered = args.get(_OWN, "").strip(), own_as(viewer)
    if not said:
        return offered[0] if offered else None
    found = next((split for split in Split if split.value == said), None)
    if found in offered:
        return found
    mend = f"use {' or '.join(offered)}" if offered else "leave it out; all screws are crossed here"
    faults.append(Fault(f"{said[:40]!r} cannot be used", _OWN, mend))
    return None
