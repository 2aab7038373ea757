"""The teaching set: drawn scans kept, practice begun, and drawn screws mixed into worklists."""

from __future__ import annotations

import hashlib
import hmac
from dataclasses import dataclass
from datetime import datetime, time
from typing import TYPE_CHECKING
from zoneinfo import ZoneInfo

from registry.actions.drawn_scans import Drawing, asked_screws, give_copy, keep_drawing
from registry.domain.access import Deed, Reach, reach, require
from registry.domain.known_truth import Purpose, mixed_by_now
from registry.domain.problems import ConflictError, Fault, NotAllowedError
from registry.store.queries import drawn_scans as queries
from registry.store.queries.ordered_readings import readers

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from registry.domain.access import Viewer
    from registry.store.home import Ledger
    from registry.store.queries.drawn_scans import KeptDrawing, PracticeState

PROGRAM = "the program"
"""As whom the trail knows who mixes drawn screws in: no reader sees it among their own deeds."""


def make_teaching_set(
    ledger: Ledger, viewer: Viewer, drawn: Iterable[tuple[Purpose, Drawing]], now: datetime
) -> tuple[int, int]:
    """Keep drawn scans; return how many were new and how many were there already.

    Each is kept in its own transaction, as it is drawn.

    Raises
    ------
    NotAllowedError : the viewer does not see to readings
    """
    require(viewer, Deed.ORDER_READINGS, at_least=Reach.ALL)
    new = there = 0
    for purpose, drawing in drawn:
        with ledger.writing(viewer, now) as work:
            kept = {each.seed for each in queries.kept_drawings(work.session)}
            if drawing.seed in kept:
                there += 1
                continue
            keep_drawing(ledger, work, drawing, purpose)
            new += 1
    return new, there


def kept_seeds(ledger: Ledger, viewer: Viewer) -> frozenset[int]:
    """Return the seeds of the drawn scans that are kept, so that none is drawn twice."""
    require(viewer, Deed.ORDER_READINGS, at_least=Reach.ALL)
    with ledger.reading() as session:
        return frozenset(each.seed for each in queries.kept_drawings(session))


def practice_state(ledger: Ledger, viewer: Viewer) -> PracticeState:
    """Return how far a reader is with their practice."""
    with ledger.reading() as session:
        return queries.practice_of(session, ledger.settings, viewer)


def begin_practice(ledger: Ledger, viewer: Viewer, now: datetime) -> int:
    """Give a reader the next drawn scan to practise on; return how many screws it has.

    Raises
    ------
    ConflictError : some are still to be read, or no drawn scan is left
    """
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    if viewer.person_id is None:
        raise NotAllowedError(f"{viewer.name} belongs to no person, and a reader is a person")
    with ledger.writing(viewer, now) as work:
        state = queries.practice_of(work.session, ledger.settings, viewer)
        if state.left:
            raise ConflictError(
                Fault("there are practice screws to be read yet", mend="read those first")
            )
        left = queries.to_practise_on(work.session, viewer.person_id)
        if not left:
            raise ConflictError(
                Fault(
                    "no drawn scan is left to practise on",
                    mend="ask the quality lead to make some (`pedicle-ledger teaching make`)",
                )
            )
        return give_copy(work, ledger.settings, left[0], viewer.person_id)


@dataclass(frozen=True)
class Mixed:
    """What was mixed into worklists.

    Attributes
    ----------
    given : drawn screws, all readers together
    lacking : drawn screws that the share asks for beyond them, for readers who have had all
    """

    given: int = 0
    lacking: int = 0


def mix_in(ledger: Ledger, now: datetime) -> Mixed:
    """Mix drawn screws into the worklists as the unit's share asks.

    For whoever does not see the known truth themselves, and has done the practice that the unit
    asks for. It looks at what was read before today, so that nothing that a reader saves is
    answered by a drawn screw, and a second run on one day changes nothing.
    """
    share = ledger.settings.known_truth_share
    if share == 0:
        return Mixed()
    given = lacking = 0
    for person_id, drawings, unmet in _wanting(ledger, now):
        lacking += unmet
        with ledger.writing(PROGRAM, now) as work:
            had = queries.copies_of(work.session).get(person_id, set())
            for drawing in drawings:
                if drawing.drawn_scan_id not in had:
                    given += give_copy(work, ledger.settings, drawing, person_id)
    return Mixed(given, lacking)


def _wanting(ledger: Ledger, now: datetime) -> list[tuple[int, list[KeptDrawing], int]]:
    """Return by person the drawn scans that they are to be given today, and screws lacking."""
    settings = ledger.settings
    zone = ZoneInfo(settings.zone)
    day = datetime.combine(now.astimezone(zone).date(), time(), zone)
    with ledger.reading() as session:
        drawings, had = queries.kept_drawings(session), queries.copies_of(session)
        asking = [
            (
                each.person_id,
                mixed_by_now(
                    queries.own_audit_readings(session, each.person_id, day),
                    settings.known_truth_share,
                )
                - queries.mixed_given(session, each.person_id),
            )
            for each in readers(session)
            if reach(each.viewer, Deed.SEE_SURGEONS) is not Reach.ALL
            and not queries.must_practise(session, settings, each.viewer)
        ]
    mixed = [
        (each, len(asked))
        for each in drawings
        if each.purpose is Purpose.MIXED and (asked := asked_screws(each, settings))
    ]
    return [
        (person_id, *_chosen(ledger, person_id, mixed, had.get(person_id, set()), wanted))
        for person_id, wanted in asking
        if wanted > 0
    ]


def _chosen(
    ledger: Ledger,
    person_id: int,
    mixed: Sequence[tuple[KeptDrawing, int]],
    had: set[int],
    wanted: int,
) -> tuple[list[KeptDrawing], int]:
    """Return drawn scans that a person has not had, in their own order, and screws lacking."""
    left = [each for each in mixed if each[0].drawn_scan_id not in had]
    left.sort(key=lambda each: _lot(ledger, person_id, each[0].drawn_scan_id))
    chosen = []
    for drawing, count in left:
        if wanted <= 0:
            break
        chosen.append(drawing)
        wanted -= count
    return chosen, max(wanted, 0)


def _lot(ledger: Ledger, person_id: int, drawn_scan_id: int) -> bytes:
    """Return what puts the drawn scans into an order of each reader's own."""
    text = f"drawn|{person_id}|{drawn_scan_id}".encode()
    return hmac.new(ledger.keys.references, text, hashlib.sha256).digest()


class Mixer:
    """Mixes drawn screws in, once on each of the unit's days."""

    def __init__(self, ledger: Ledger) -> None:
        self._ledger, self._day = ledger, ""

    def once(self, now: datetime) -> bool:
        """Mix in what today asks for, if that was not done yet; return whether any was."""
        day = now.astimezone(ZoneInfo(self._ledger.settings.zone)).date().isoformat()
        if day == self._day:
            return False
        self._day = day
        return mix_in(self._ledger, now).given > 0
