"""What readers find of what is there: their readings of drawn screws beside the truth."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any
from zoneinfo import ZoneInfo

from registry.actions.teaching import practice_state
from registry.domain.access import Deed, Reach, require
from registry.domain.extent_words import wall_words
from registry.domain.known_truth import CUT_OFF_MM, Purpose, judge, seen_truth
from registry.domain.own_pairs import shown_until
from registry.domain.problems import NotFoundError
from registry.store.queries.drawn_scans import own_mixed_readings
from registry.store.queries.known_truth import known_truth_readings
from reports.tables.known_truth import ReaderTruth, TruthRow, reader_truth

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from datetime import date
    from decimal import Decimal

    from registry.domain.access import Viewer
    from registry.domain.directions import Direction
    from registry.domain.known_truth import Judged
    from registry.domain.settings import Settings
    from registry.store.home import Ledger
    from registry.store.queries.drawn_scans import OwnMixed, PracticeState
    from registry.store.queries.known_truth import KnownTruthReading

EVERYBODY = "all readers"
LEAST_TOLD = 10
"""Breached ones in each step by which the sums that a reader is told grow.

The steps are quarters that are over, as in `domain.own_pairs`: sums that changed with a saving
would tell the reader that the screw was drawn, and whether it was missed.
"""


@dataclass(frozen=True)
class BesideTruth:
    """A reading, the truth as a reading would keep it, and what it is worth."""

    reading: KnownTruthReading
    truth_mm: Mapping[Direction, Decimal | None]
    judged: Judged | None


@dataclass(frozen=True)
class OwnPractice:
    """A reader's own practice.

    Attributes
    ----------
    state : how far they are
    readings : the latest first
    result : what those come to, None before the first
    mixed : sums over the drawn screws that were mixed into their worklist, read in quarters that
        are over; None until enough of them were read that a sum tells of none
    """

    state: PracticeState
    readings: Sequence[BesideTruth]
    result: ReaderTruth | None
    mixed: ReaderTruth | None


@dataclass(frozen=True)
class KnownTruth:
    """Everybody's readings of drawn screws of one purpose.

    Attributes
    ----------
    purpose : practice, or mixed into worklists
    everybody, readers : sums over all, and of each by name
    readings : each of them, by reader and in the order they were made
    """

    purpose: Purpose
    everybody: ReaderTruth
    readers: Sequence[ReaderTruth]
    readings: Sequence[BesideTruth]


def own_practice(ledger: Ledger, viewer: Viewer, today: date) -> OwnPractice:
    """Return a reader's own practice beside the truth, and sums of what was mixed in.

    `today` is the unit's own day.
    """
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    settings = ledger.settings
    found = _practised(ledger, viewer)
    with ledger.reading() as session:
        mixed = [] if viewer.person_id is None else own_mixed_readings(session, viewer.person_id)
    return OwnPractice(
        state=practice_state(ledger, viewer),
        readings=[_beside(each, settings) for each in reversed(found)],
        result=_result("you", _rows(found), settings) if found else None,
        mixed=_told(mixed, settings, today),
    )


def practised(ledger: Ledger, viewer: Viewer, reading_id: int) -> BesideTruth:
    """Return a practice reading of the viewer's own; NotFoundError where it is none."""
    require(viewer, Deed.READ_SCREWS, at_least=Reach.ALL)
    for each in _practised(ledger, viewer):
        if each.reading_id == reading_id:
            return _beside(each, ledger.settings)
    raise NotFoundError("this is no practice reading of yours")


def beside_truth(ledger: Ledger, viewer: Viewer, reading_id: int) -> BesideTruth:
    """Return a reading that the viewer may know to be of a drawn screw; NotFoundError of others."""
    with ledger.reading() as session:
        found = known_truth_readings(session, viewer)
    for each in found:
        if each.reading_id == reading_id:
            return _beside(each, ledger.settings)
    raise NotFoundError("there is no such reading of a drawn screw among those you may see")


def known_truth(ledger: Ledger, viewer: Viewer, purpose: Purpose) -> KnownTruth:
    """Return everybody's readings of drawn screws of a purpose, for who sees rates by surgeon."""
    require(viewer, Deed.SEE_SURGEONS, at_least=Reach.ALL)
    settings = ledger.settings
    with ledger.reading() as session:
        found = known_truth_readings(session, viewer, purpose)
    names = {each.reader_id: each.reader for each in found}
    return KnownTruth(
        purpose=purpose,
        everybody=_result(EVERYBODY, _rows(found), settings),
        readers=[
            _result(name, _rows([each for each in found if each.reader_id == person]), settings)
            for person, name in names.items()
        ],
        readings=[_beside(each, settings) for each in found],
    )


def _practised(ledger: Ledger, viewer: Viewer) -> list[KnownTruthReading]:
    """Return a reader's own practice readings, in the order they were made."""
    with ledger.reading() as session:
        found = known_truth_readings(session, viewer, Purpose.PRACTICE)
    return [each for each in found if each.reader_id == viewer.person_id]


def _told(mixed: Sequence[OwnMixed], settings: Settings, today: date) -> ReaderTruth | None:
    """Return the sums of the mixed ones that a reader may be told by a day."""
    zone = ZoneInfo(settings.zone)
    days = [saved_at.astimezone(zone).date() for saved_at, *_ in mixed]
    rows = [TruthRow(*each[1:]) for each in mixed]
    breached = [
        day for day, row in zip(days, rows, strict=True) if _result("", [row], settings).missed.of
    ]
    until = shown_until(breached, today, LEAST_TOLD)
    if until is None:
        return None
    shown = [row for day, row in zip(days, rows, strict=True) if day <= until]
    return _result("you", shown, settings)


def _rows(found: Sequence[KnownTruthReading]) -> list[TruthRow]:
    return [TruthRow(each.level, each.truth_mm, each.read_mm, each.seconds) for each in found]


def _result(name: str, rows: Sequence[TruthRow], settings: Settings) -> ReaderTruth:
    return reader_truth(name, rows, scale=settings.scale, floor_mm=settings.floor_mm)


def _beside(reading: KnownTruthReading, settings: Settings) -> BesideTruth:
    truth = seen_truth(reading.truth_mm, settings.floor_mm)
    return BesideTruth(reading, truth, judge(reading.level, truth, reading.read_mm))


def truth_words(truth_mm: Mapping[Direction, Decimal | None]) -> str:
    """Return the truth in words: the walls that are crossed, or that none is."""
    crossed = [f"{wall_words(wall)} {mm} mm" for wall, mm in truth_mm.items() if mm]
    return ", ".join(crossed) or "contained"


def missed_words(result: ReaderTruth) -> str:
    """Return in one sentence what was missed of what is there."""
    missed, share = result.missed, result.missed.share
    if missed.of == 0:
        return f"No screw that stands {CUT_OFF_MM} mm or more outside was read yet."
    one, few = missed.of == 1, missed.count <= 1
    low, high = (round(100 * limit) for limit in (share.low or 0.0, share.high or 0.0))
    screws = "screw that stands" if one else "screws that stand"
    read = f"{missed.count or 'none'} {'was' if few else 'were'} read as less"
    return (
        f"Of {missed.of} drawn {screws} {CUT_OFF_MM} mm or more outside, {read}; with so many "
        f"read, between {low} and {high} of 100 such screws may be missed."
    )


def known_truth_document(found: KnownTruth) -> dict[str, Any]:
    """Return it as command and page hand it on; a picture is found by its reading's number."""
    return {
        "purpose": found.purpose.value,
        "all": found.everybody.as_json(),
        "readers": [each.as_json() for each in found.readers],
        "readings": [_reading(each) for each in found.readings],
    }


def _reading(each: BesideTruth) -> dict[str, Any]:
    reading = each.reading
    return {
        "reading": reading.reading_id,
        "reader": reading.reader,
        "drawn_scan": reading.drawn_scan_id,
        "level": reading.level,
        "side": reading.side,
        "number": reading.number,
        "method": reading.method,
        "seconds": reading.seconds,
        "truth_mm": {wall: _number(mm) for wall, mm in each.truth_mm.items()},
        "read_mm": {wall: _number(mm) for wall, mm in reading.read_mm.items()},
        "missed": each.judged is not None and each.judged.is_missed,
    }


def _number(value: Decimal | None) -> float | None:
    return None if value is None else float(value)
