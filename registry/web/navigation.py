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
    also : other blueprints whose pages belong to it
    """

    endpoint: str
    words: str
    values: dict[str, Any]
    also: tuple[str, ...] = ()

    @property
    def rooms(self) -> tuple[str, ...]:
        """The blueprints that belong to it."""
        return (self.endpoint.partition(".")[0], *self.also)


@dataclass(frozen=True)
class Group:
    """Pages of one job, behind its name; without words, pages that stand by themselves."""

    words: str
    places: tuple[Place, ...]

    def holds(self, room: str | None) -> bool:
        """Return whether a blueprint's pages belong to it."""
        return any(room in place.rooms for place in self.places)


@dataclass(frozen=True)
class NumberPage:
    """A page of the unit's numbers, in the strip on top of each of them.

    Attributes
    ----------
    place : where it is
    deed, at_least : who may see it
    of_own : who may not see everybody's screws is shown their own, and needs to be a person
    """

    place: Place
    deed: Deed
    at_least: Reach
    of_own: bool = False


_BY_LEVEL, _BY_SURGEON = {"by": "level"}, {"by": "surgeon"}

# A new page of numbers adds its own line.
NUMBER_PAGES = (
    NumberPage(Place("rates.show", "Rates", _BY_LEVEL), Deed.SEE_RATES, Reach.OWN),
    NumberPage(Place("explore.show", "Explore", {}), Deed.SEE_SURGEONS, Reach.OWN, of_own=True),
    NumberPage(Place("compare.show", "Compare", {}), Deed.SEE_SURGEONS, Reach.ALL),
    NumberPage(Place("surgeons.show", "Surgeons", {}), Deed.COMPARE_SURGEONS, Reach.OWN),
    NumberPage(Place("runs.show", "Runs", {}), Deed.COMPARE_SURGEONS, Reach.OWN),
    NumberPage(Place("case_mix.show", "Case mix", {}), Deed.SEE_SURGEONS, Reach.ALL),
    NumberPage(Place("readers.show", "Readers", {}), Deed.READ_SCREWS, Reach.ALL),
    NumberPage(Place("known_truth.show", "Known truth", {}), Deed.SEE_SURGEONS, Reach.ALL),
    NumberPage(Place("completeness.show", "Completeness", {}), Deed.SEE_SURGEONS, Reach.ALL),
    NumberPage(Place("angles.show", "Angles and sizes", {}), Deed.SEE_SURGEONS, Reach.ALL),
)

WORKLIST = Place("worklist.show", "Worklist", {}, ("practice",))
SCANS = Place("scans.listed", "Scans that came in", {}, ("sending", "arrival_decision"))
CASES = Place("cases.listed", "Cases", {})
ENTRY = Place("entry.show", "Enter a case", {})
_NUMBER_ROOMS = tuple(room for page in NUMBER_PAGES for room in page.place.rooms)
RATES = Place("rates.show", "Rates", _BY_LEVEL, _NUMBER_ROOMS)
OWN_RATES = Place("rates.show", "Rates", _BY_SURGEON, _NUMBER_ROOMS)
ADJUDICATIONS = Place("adjudications.listed", "Adjudications", {})
SECOND_READINGS = Place("second_readings.show", "Second readings", {})
EXPORT = Place("export.show", "Export", {})
MEETING_PACK = Place("meeting_pack.choose", "Meeting pack", {})
QUARTERS = Place("reply.listed", "Quarters", {}, ("quarter_report",))
OWN = Place("own.show", "Own results", {}, ("own_notes",))
SHOWN_NOTES = Place("own_notes.shown", "Shown to you", {})
POLICY = Place("policy.listed", "Local policy", {})
CORRECTIONS = Place("corrections.find", "Correct a case", {})
TRAIL = Place("trail.listed", "Trail", {})
WITHDRAWAL = Place("withdrawal.show", "Withdrawal", {})
ACCOUNTS = Place("accounts.show", "Accounts", {})


_MOST_IN_A_ROW = 9
"""More links than these take more than a line of a desk's screen; they are then grouped."""


def groups(viewer: Viewer | None) -> list[Group]:
    """Return where a viewer can go, in the order of the navigation.

    Few pages stand side by side; of many, each job with more than one has a name before them.
    """
    if viewer is None:
        return []
    found = _places_by_job(viewer)
    everything = tuple(place for places in found.values() for place in places)
    if len(everything) <= _MOST_IN_A_ROW:
        return [Group("", everything)]
    return [Group(job if len(places) > 1 else "", places) for job, places in found.items()]


def _places_by_job(viewer: Viewer) -> dict[str, tuple[Place, ...]]:
    """Return the pages that a viewer may see by the job that they are for, none without any."""

    def may(deed: Deed, at_least: Reach = Reach.OWN) -> bool:
        return reach(viewer, deed) >= at_least

    offered = {
        "Reading": (
            (WORKLIST, viewer.person_id is not None and may(Deed.READ_SCREWS, Reach.ALL)),
            (ADJUDICATIONS, may(Deed.ORDER_READINGS, Reach.ALL)),
            (SECOND_READINGS, may(Deed.ORDER_READINGS, Reach.ALL)),
            (POLICY, may(Deed.ANSWER_FINDINGS)),
        ),
        "Cases": (
            (SCANS, may(Deed.LOAD_SCANS, Reach.ALL)),
            (CASES, may(Deed.SEE_CASES)),
            (ENTRY, may(Deed.ENTER_CASES)),
            (CORRECTIONS, may(Deed.ENTER_CASES) and not may(Deed.SEE_CASES)),
        ),
        "Numbers": (
            (OWN_RATES if _is_surgeon(viewer) else RATES, may(Deed.SEE_RATES)),
            (OWN, _is_surgeon(viewer)),
            (EXPORT, may(Deed.EXPORT, Reach.ALL)),
        ),
        "Quarter": (
            (QUARTERS, may(Deed.REPLY) or may(Deed.LAY_BEFORE_SURGEONS)),
            (MEETING_PACK, may(Deed.MAKE_PACK)),
            (SHOWN_NOTES, Role.QUALITY_LEAD in viewer.roles),
        ),
        "Unit": (
            (ACCOUNTS, may(Deed.MANAGE_ACCOUNTS, Reach.ALL)),
            (TRAIL, may(Deed.SEE_TRAIL)),
            (WITHDRAWAL, may(Deed.WITHDRAW, Reach.ALL)),
        ),
    }
    allowed = {
        job: tuple(place for place, is_allowed in places if is_allowed)
        for job, places in offered.items()
    }
    return {job: places for job, places in allowed.items() if places}


def number_places(viewer: Viewer | None) -> list[Place]:
    """Return the pages of numbers that a viewer may see, in the order of the strip."""
    if viewer is None:
        return []
    return [page.place for page in NUMBER_PAGES if _is_offered(page, viewer)]


def _is_offered(page: NumberPage, viewer: Viewer) -> bool:
    found = reach(viewer, page.deed)
    has_own = viewer.person_id is not None or found is Reach.ALL
    return found >= page.at_least and (has_own or not page.of_own)


def _is_surgeon(viewer: Viewer) -> bool:
    return Role.SURGEON in viewer.roles and reach(viewer, Deed.SEE_SURGEONS) is Reach.OWN
