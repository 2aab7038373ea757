"""What every correction has in common: its version, its reason, the people it names.

A correction says which version it was made of. Where another was saved meanwhile nothing is
changed, and who corrects is told what stands now.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.domain.access import Deed, Reach, reach
from registry.domain.problems import BadInputError, ConflictError, Fault
from registry.domain.words import folded
from registry.store.queries.people import person_ids

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Mapping

    from registry.domain.access import Viewer
    from registry.intake.entered import Asked
    from registry.store.writing import Writing


@dataclass(frozen=True)
class Correction:
    """What was typed.

    Attributes
    ----------
    version : of the record that it corrects, as the form was opened on it
    because : the reason
    texts : by the name of the form's field
    """

    version: int
    because: str
    texts: Mapping[str, str]


class ChangedMeanwhileError(ConflictError):
    """Somebody else has corrected the record since the form was opened; nothing was changed."""

    def __init__(self) -> None:
        super().__init__(
            Fault(
                "somebody else has corrected this since you opened it",
                mend="nothing was changed: see below what stands now, and save again",
            )
        )


def require_version(seen: int, stands: int) -> None:
    """Raise ChangedMeanwhileError where a record is not the one that was seen."""
    if seen != stands:
        raise ChangedMeanwhileError


def fields_changed(
    asked: Iterable[Asked], typed: Mapping[str, str], stands: Mapping[str, str]
) -> list[str]:
    """Return the fields in which what was typed is not what stands, white space apart."""
    return [
        each.name
        for each in asked
        if typed.get(each.name, "").split() != stands.get(each.name, "").split()
    ]


def require_change(changes: Collection[object]) -> None:
    """Raise BadInputError where a correction corrects nothing."""
    if not changes:
        raise BadInputError(Fault("every value is as it was", mend="change one, or leave the page"))


def people_named(work: Writing, named: Mapping[str, str]) -> dict[str, int]:
    """Return the person behind each folded name; `named` says which field holds a name."""
    known = person_ids(work.session, list(named))
    faults = [
        Fault(f"nobody is known as '{name}'", where, "correct the name")
        for name, where in named.items()
        if folded(name) not in known
    ]
    if faults:
        raise BadInputError(*faults)
    return known


def refuse_readers(
    taking_part: Iterable[int], readers: Mapping[int, str], already: Collection[int]
) -> None:
    """Refuse that somebody comes to have taken part in a case of which their readings stand."""
    for person in sorted(set(taking_part) - set(already)):
        if person in readers:
            raise ConflictError(
                Fault(
                    f"{readers[person]} has read screws of this case, and nobody reads a case in "
                    "which they operated or assisted",
                    mend="nothing was changed: have those screws read again by somebody else first",
                )
            )


def refuse_own_exit(
    viewer: Viewer, before: Collection[int], after: Collection[int], where: str
) -> None:
    """Let nobody take themselves out of a case, to read it, to close it or to hand it on."""
    if viewer.person_id in before and viewer.person_id not in after:
        raise BadInputError(
            Fault("would take you out of the case", where, "another quality lead corrects it")
        )


def may_say_who_operated(viewer: Viewer) -> bool:
    """Return whether a viewer may change whose a case or screw is, or take a read screw out.

    A surgeon corrects their own record but neither hands a result on nor lets it disappear; that is
    for the quality lead, or for who entered the case.
    """
    return reach(viewer, Deed.ENTER_CASES) is Reach.ALL
