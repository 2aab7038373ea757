"""The pages that a viewer can go to from anywhere."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from registry.domain.access import Deed, Reach, Role, reach

if TYPE_CHECKING:
    from registry.domain.access import Viewer


@dataclass(frozen=True)
class Place:
    """A page of the navigation.

    Attributes
    ----------
    endpoint : of its view
    words : of its link
    values : of its address
    """

    endpoint: str
    words: str
    values: dict[str, Any]

    @property
    def room(self) -> str:
        """The blueprint that it belongs to."""
        return self.endpoint.partition(".")[0]


WORKLIST = Place("worklist.show", "Worklist", {})
CASES = Place("cases.listed", "Cases", {})
ENTRY = Place("entry.show", "Enter a case", {})
RATES = Place("rates.show", "Rates", {"by": "level"})
OWN_RATES = Place("rates.show", "Rates", {"by": "surgeon"})
ADJUDICATIONS = Place("adjudications.listed", "Adjudications", {})
SECOND_READINGS = Place("second_readings.show", "Second readings", {})
EXPORT = Place("export.show", "Export", {})
QUARTERS = Place("reply.listed", "Quarters", {})
POLICY = Place("policy.listed", "Local policy", {})
ACCOUNTS = Place("accounts.show", "Accounts", {})


def places(viewer: Viewer | None) -> list[Place]:
    """Return where a viewer can go, in the order of the navigation."""
    if viewer is None:
        return []
    found = []
    if viewer.person_id is not None and reach(viewer, Deed.READ_SCREWS) is Reach.ALL:
        found.append(WORKLIST)
    if reach(viewer, Deed.SEE_CASES) is not Reach.NONE:
        found.append(CASES)
    if reach(viewer, Deed.ENTER_CASES) is not Reach.NONE:
        found.append(ENTRY)
    if reach(viewer, Deed.SEE_RATES) is not Reach.NONE:
        found.append(OWN_RATES if _is_surgeon(viewer) else RATES)
    if reach(viewer, Deed.ORDER_READINGS) is Reach.ALL:
        found += [ADJUDICATIONS, SECOND_READINGS]
    if reach(viewer, Deed.EXPORT) is Reach.ALL:
        found.append(EXPORT)
    if Reach.NONE is not max(reach(viewer, Deed.REPLY), reach(viewer, Deed.LAY_BEFORE_SURGEONS)):
        found.append(QUARTERS)
    if reach(viewer, Deed.ANSWER_FINDINGS) is not Reach.NONE:
        found.append(POLICY)
    if reach(viewer, Deed.MANAGE_ACCOUNTS) is Reach.ALL:
        found.append(ACCOUNTS)
    return found


def first_place(viewer: Viewer) -> Place | None:
    """Return what a viewer sits down to, or None where their account has no role."""
    offered = places(viewer)
    if Role.REGISTRAR in viewer.roles and WORKLIST in offered:
        return WORKLIST
    return next((place for place in offered if place not in (WORKLIST, CASES, ENTRY)), None)
    return next((place for place in offered if place not in (WORKLIST, CASES, POLICY)), None)


def _is_surgeon(viewer: Viewer) -> bool:
    return Role.SURGEON in viewer.roles and reach(viewer, Deed.SEE_SURGEONS) is Reach.OWN
