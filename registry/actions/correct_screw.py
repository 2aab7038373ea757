"""Correct a screw, or add one that was left out; what was there stays in the trail.

A level or side that was wrong takes the screw's readings along: they are of the screw, whatever it
was called, and its grade is worked out again for the level that it has.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from registry.actions.correct_case import people_ids_of
from registry.actions.corrections import (
    fields_changed,
    may_say_who_operated,
    people_named,
    refuse_own_exit,
    refuse_readers,
    require_change,
    require_version,
)
from registry.actions.enter_case import screw_values
from registry.actions.follow_case import follow_cases
from registry.actions.persons import Persons
from registry.actions.typed_reason import reason_given
from registry.domain.access import Deed, require
from registry.domain.levels import LEVELS, level
from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.domain.techniques import COUNTED_LIVES
from registry.intake import values
from registry.intake.entered import SCREW, Asked, ScrewPlace, place_of, read_fields, read_screw
from registry.store.models.cases import Screw
from registry.store.queries.correcting import case_as_entered, standing_readers
from registry.store.queries.entering import earlier_screws

if TYPE_CHECKING:
    from collections.abc import Mapping
    from datetime import datetime

    from registry.actions.corrections import Correction
    from registry.domain.access import Viewer
    from registry.intake.entered import EnteredScrew
    from registry.store.home import Ledger
    from registry.store.queries.correcting import CaseAsEntered, ScrewAsEntered
    from registry.store.writing import Writing

PLACE: tuple[Asked, ...] = (
    Asked(
        "level",
        "Level",
        "a level",
        values.level_code,
        is_required=True,
        words=tuple(each.code for each in LEVELS),
    ),
    Asked("side", "Side", "a side", values.side, is_required=True, words=("L", "R")),
    Asked("number", "Number", "a screw's number", values.number, 1, is_required=True),
)
"""Where a screw sits: asked for once more, for it may have been wrong."""

CORRECTED = (*PLACE, *SCREW)


def correct_screw(
    ledger: Ledger,
    viewer: Viewer,
    case_id: int,
    screw_id: int,
    correction: Correction,
    *,
    now: datetime,
) -> None:
    """Correct a screw as typed, and let readings, consensus and what is owed follow.

    Raises
    ------
    BadInputError : what is wrong with what was typed, all of it; or nothing differs
    ChangedMeanwhileError : another correction came first; nothing was changed
    ConflictError : another screw has that place, or the operator has read screws of the case
    """
    require(viewer, Deed.ENTER_CASES)
    because = reason_given(correction.because)
    typed = _read(correction.texts)
    with ledger.writing(viewer, now) as work:
        case = case_as_entered(work.session, viewer, case_id)
        screw = case.screw(screw_id)
        require_version(correction.version, screw.version)
        changed = fields_changed(CORRECTED, correction.texts, screw.texts)
        require_change(changed)
        _refuse_gain(viewer, screw, changed, typed)
        columns = _columns(work, viewer, case, typed, screw_id)
        if typed.intention is None:
            columns["intention_recorded_at"] = None
        elif "intention" in changed:
            columns["intention_recorded_at"] = now
        work.update(Screw, "correct a screw", screw_id, because=because, **columns)
        follow_cases(work, ledger.settings, [case_id], screws=[screw_id])


def add_screw(
    ledger: Ledger, viewer: Viewer, case_id: int, correction: Correction, *, now: datetime
) -> int:
    """Add a screw that was left out; return it. Raises as `correct_screw` does."""
    require(viewer, Deed.ENTER_CASES)
    because = reason_given(correction.because)
    typed = _read(correction.texts)
    with ledger.writing(viewer, now) as work:
        case = case_as_entered(work.session, viewer, case_id)
        screw_id = work.insert(
            Screw,
            "add a screw",
            because=because,
            case_id=case_id,
            **_columns(work, viewer, case, typed, None),
            intention_recorded_at=None if typed.intention is None else now,
        )
        follow_cases(work, ledger.settings, [case_id])
    return screw_id


def _read(texts: Mapping[str, str]) -> EnteredScrew:
    found, faults = read_fields(PLACE, texts)
    place = None if faults else ScrewPlace(found["level"], found["side"], found["number"])
    screw, more = read_screw(place or ScrewPlace("", values.side("L")), texts)
    # The form is of one screw, whose fields are named without its place.
    faults += [Fault(each.what, each.where.partition(", ")[2], each.mend) for each in more]
    if faults or screw is None:
        raise BadInputError(*faults)
    return screw


def _refuse_gain(
    viewer: Viewer, screw: ScrewAsEntered, changed: list[str], typed: EnteredScrew
) -> None:
    """Let a surgeon neither hand a screw on nor take one out of the count that was read."""
    if may_say_who_operated(viewer):
        return
    if "operator" in changed:
        raise BadInputError(
            Fault("is not yours to change", place_of(SCREW, "operator"), "ask the quality lead")
        )
    needed = {level(code).needed_walls for code in (screw.level, typed.place.level)}
    if screw.is_read and len(needed) > 1:
        raise BadInputError(
            Fault(
                "this screw has been read, and other walls count at that level",
                place_of(PLACE, "level"),
                "ask the quality lead",
            )
        )
    if screw.is_read and typed.life not in COUNTED_LIVES:
        raise BadInputError(
            Fault(
                "this screw has been read on a scan",
                place_of(SCREW, "life"),
                "ask the quality lead, should it not count",
            )
        )


def _columns(
    work: Writing,
    viewer: Viewer,
    case: CaseAsEntered,
    typed: EnteredScrew,
    screw_id: int | None,
) -> dict[str, Any]:
    """Return a typed screw's columns, after a look at what it meets in the ledger."""
    place = (typed.place.level, typed.place.side.value, typed.place.number)
    for other in case.screws:
        if (other.level, other.side, other.number) == place and other.screw_id != screw_id:
            raise ConflictError(
                Fault(
                    f"there is a screw at {typed.place} already",
                    place_of(PLACE, "level"),
                    "nothing was changed: correct that one, or give this one another number",
                )
            )
    where = place_of(SCREW, "operator")
    known = people_named(work, {typed.operator: where} if typed.operator else {})
    stood = "" if screw_id is None else case.screw(screw_id).texts["operator"]
    before = people_named(work, {stood: ""} if stood else {}).values()
    refuse_own_exit(viewer, before, known.values(), where)
    readers = standing_readers(work.session, case.case_id)
    refuse_readers(known.values(), readers, people_ids_of(work, case))
    _check_replaced(work, viewer, case, typed, screw_id)
    return screw_values(typed, Persons(known))


def _check_replaced(
    work: Writing,
    viewer: Viewer,
    case: CaseAsEntered,
    typed: EnteredScrew,
    screw_id: int | None,
) -> None:
    standing = "" if screw_id is None else case.screw(screw_id).texts["replaces_id"]
    if typed.replaces_id is None or str(typed.replaces_id) == standing:
        return
    day = values.day(case.texts["operated_on"])
    own = {screw.screw_id for screw in case.screws}
    offered = earlier_screws(work.session, viewer, case.patient_hash, day)
    if not any(
        earlier.screw_id == typed.replaces_id and earlier.screw_id not in own for earlier in offered
    ):
        raise BadInputError(
            Fault(
                "is no earlier screw of this patient",
                place_of(SCREW, "replaces_id"),
                "choose one of those that are offered",
            )
        )
