"""Make a pack for the morbidity meeting: chosen screws, a page each, without identities."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.actions.look_at_case import look_at_cases
from registry.actions.meeting_pages import meeting_page
from registry.domain.access import Deed, require
from registry.domain.meeting import (
    MOST_SCREWS,
    AtLeast,
    ChosenBy,
    chosen_words,
    cover_faults,
    is_asked_for,
    page_place,
)
from registry.domain.problems import BadInputError, Fault, NotFoundError
from registry.domain.scales import SCALES
from registry.store.queries.counted_screws import audit_scans
from registry.store.queries.meeting import ScrewsAsked, meeting_screws
from registry.store.queries.people import all_person_names
from registry.store.queries.screw_readings import screw_in_full
from reports.documents.meeting import MeetingPack

if TYPE_CHECKING:
    from collections.abc import Collection, Iterable, Sequence
    from datetime import datetime

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.meeting import MeetingScrew


@dataclass(frozen=True)
class PackOrder:
    """Which screws a pack holds and what its pages may say.

    Attributes
    ----------
    screw_ids : numbers
    at_least : what they were chosen among
    by : how they were chosen
    words : the maker's own on the cover, or ''
    has_quarters : pages name the quarter of the operation
    has_pseudonyms : pages name the patient's pseudonym
    """

    screw_ids: Collection[int]
    at_least: AtLeast = AtLeast.EVERY
    by: ChosenBy = ChosenBy.TICKED
    words: str = ""
    has_quarters: bool = False
    has_pseudonyms: bool = False


@dataclass(frozen=True)
class MadePack:
    """A pack, and whose pages its screws are: that is for its maker, and stands on no page."""

    pack: MeetingPack
    screws: Sequence[MeetingScrew]


def screws_to_choose(
    ledger: Ledger, viewer: Viewer, asked: ScrewsAsked, at_least: AtLeast
) -> list[MeetingScrew]:
    """Return the screws that may be chosen, in the order of the pages.

    Who is shown them has looked at their cases (`look_at_cases`).
    """
    require(viewer, Deed.MAKE_PACK)
    with ledger.reading() as session:
        found = meeting_screws(session, viewer, ledger.settings.audit_window_days, asked)
    return _in_order(screw for screw in found if is_asked_for(screw.extents_mm, at_least))


def chosen_screws(
    ledger: Ledger,
    viewer: Viewer,
    screw_ids: Collection[int],
    now: datetime,
    at_least: AtLeast = AtLeast.EVERY,
) -> list[MeetingScrew]:
    """Return chosen screws in the order of their pages.

    Raises
    ------
    BadInputError : none is chosen, more than a meeting takes, or one that is none of those that
        the cover says they were chosen among (`at_least`)
    NotFoundError : one is not there, not the viewer's to see, or of a withdrawn patient
    """
    require(viewer, Deed.MAKE_PACK)
    wanted = set(screw_ids)
    if not wanted:
        raise BadInputError(Fault("no screw is chosen", "screws", "choose at least one"))
    if len(wanted) > MOST_SCREWS:
        raise BadInputError(
            Fault(
                f"{len(wanted)} screws, a page each",
                "screws",
                f"a pack takes at most {MOST_SCREWS}; choose fewer",
            )
        )
    with ledger.reading() as session:
        asked = ScrewsAsked(screw_ids=wanted)
        found = meeting_screws(session, viewer, ledger.settings.audit_window_days, asked)
    if len(found) < len(wanted):
        raise NotFoundError(
            "one of these screws is not among those you may see, was not placed, or its patient "
            "was withdrawn; choose again"
        )
    if not all(is_asked_for(screw.extents_mm, at_least) for screw in found):
        what = f"one of these screws is not {at_least.words}, as the cover would say"
        raise BadInputError(Fault(what, "screws", "choose them again on the list"))
    look_at_cases(ledger, viewer, {screw.case_id for screw in found}, now)
    return _in_order(found)


def meeting_pack(ledger: Ledger, viewer: Viewer, order: PackOrder, now: datetime) -> MadePack:
    """Return a pack of chosen screws; BadInputError where the maker's words may not stand on it."""
    screws = chosen_screws(ledger, viewer, order.screw_ids, now, order.at_least)
    _check_words(ledger, order, screws)
    window = ledger.settings.audit_window_days
    with ledger.reading() as session:
        audit = audit_scans(session, window)
        read = [screw_in_full(session, viewer, window, one.screw_id, audit) for one in screws]
    pages = tuple(
        meeting_page(ledger, viewer, screw, each, order)
        for screw, each in zip(screws, read, strict=True)
    )
    scale = SCALES[ledger.settings.scale]
    pack = MeetingPack(
        unit=ledger.settings.unit_name,
        made_at=now,
        chosen=tuple(_chosen(order, screws)),
        patients=len({screw.pseudonym for screw in screws}),
        scale=f"{scale.title}: {scale.bounds}",
        pages=pages,
    )
    return MadePack(pack, screws)


def _in_order(screws: Iterable[MeetingScrew]) -> list[MeetingScrew]:
    return sorted(
        screws,
        key=lambda one: page_place(
            one.level, one.side, one.extents_mm, one.pseudonym, one.screw_id
        ),
    )


def _check_words(ledger: Ledger, order: PackOrder, screws: Iterable[MeetingScrew]) -> None:
    if not order.words:
        return
    with ledger.reading() as session:
        people = all_person_names(session).values()
    references = dict.fromkeys(screw.case_reference for screw in screws)
    faults = cover_faults(order.words, people, references)
    if faults:
        raise BadInputError(*faults)


def _chosen(order: PackOrder, screws: Sequence[MeetingScrew]) -> Iterable[str]:
    yield chosen_words(order.by, order.at_least, len({screw.case_id for screw in screws}))
    if order.words:
        yield f"In the words of who made it: {order.words}"
