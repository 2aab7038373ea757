"""Screws of a pack by the names of their cases, as the command takes them."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.meeting_pack import screws_to_choose
from registry.domain.directions import Side
from registry.domain.levels import parse_level
from registry.domain.meeting import AtLeast
from registry.domain.problems import BadInputError, Fault, NotFoundError
from registry.store.queries.meeting import ScrewsAsked

if TYPE_CHECKING:
    from collections.abc import Sequence

    from registry.domain.access import Viewer
    from registry.store.home import Ledger

_PARTS = 3


def screws_of_cases(
    ledger: Ledger, viewer: Viewer, references: Sequence[str], at_least: AtLeast
) -> list[int]:
    """Return the numbers of the placed screws of some cases; NotFoundError names one not there."""
    asked = ScrewsAsked(references=references)
    every = screws_to_choose(ledger, viewer, asked, AtLeast.EVERY)
    there = {screw.case_reference for screw in every}
    missing = [reference for reference in references if reference not in there]
    if missing:
        raise NotFoundError(
            f"no placed screw of case {missing[0]!r} among those you may see; a withdrawn "
            "patient's are in no pack"
        )
    chosen = screws_to_choose(ledger, viewer, asked, at_least)
    return [screw.screw_id for screw in chosen]


def screw_named(ledger: Ledger, viewer: Viewer, words: str) -> list[int]:
    """Return the screws that `REF,LEVEL,SIDE` names: two where that side has two at that level."""
    parts = [part.strip() for part in words.rsplit(",", _PARTS - 1)]
    if len(parts) != _PARTS or parts[2].upper() not in list(Side):
        raise BadInputError(Fault(f"{words!r} is no screw", "--screw", "write it as OP-12,L4,L"))
    reference, level, side = parts
    try:
        code = parse_level(level).code
    except ValueError as error:
        raise BadInputError(Fault(f"{level!r} is no level", "--screw", str(error))) from None
    found = screws_to_choose(ledger, viewer, ScrewsAsked(references=[reference]), AtLeast.EVERY)
    here = [one.screw_id for one in found if (one.level, one.side) == (code, side.upper())]
    if not here:
        raise NotFoundError(f"no placed screw {words!r} among those you may see")
    return here
