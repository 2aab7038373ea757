"""What a page of a pack says of one screw: no person, no patient, no day, no number of theirs."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.meeting_pictures import ScrewPictures, screw_pictures
from registry.domain.consensus_words import consensus_words
from registry.domain.deviations import deviation
from registry.domain.directions import BODY_WALLS, PEDICLE_WALLS, Side
from registry.domain.extent_words import found_words, wall_words
from registry.domain.levels import level
from registry.domain.reply import quarter_of
from registry.domain.scales import grade, greatest_extent, scale_note
from registry.domain.techniques import EntryTechnique
from reports.documents.meeting import MeetingPage, WallFound

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping, Sequence
    from decimal import Decimal

    from registry.actions.meeting_pack import PackOrder
    from registry.domain.access import Viewer
    from registry.domain.directions import Direction
    from registry.store.home import Ledger
    from registry.store.queries.meeting import MeetingScrew
    from registry.store.queries.screw_readings import (
        ReadingInFull,
        ScrewInFull,
        ScrewOnScan,
    )

    Extents = Mapping[Direction, Decimal | None]

_NO_SCAN = "It is not graded: its case has no scan that counts."
_UNREAD = "It is not graded: nobody has read it on the scan that its case is counted on."


def meeting_page(
    ledger: Ledger, viewer: Viewer, screw: MeetingScrew, read: ScrewInFull, order: PackOrder
) -> MeetingPage:
    """Return the page of one screw."""
    scan = next((each for each in read.scans if each.is_audit_scan), None)
    used = _used(scan)
    extents, sds = screw.extents_mm or {}, _sds(used)
    name = screw_name(screw)
    pictures = screw_pictures(ledger, viewer, [one.facts.reading_id for one in used], name)
    shown = pictures if isinstance(pictures, ScrewPictures) else None
    scale = ledger.settings.scale
    letter = grade(extents, screw.level, scale) or ""
    return MeetingPage(
        name=name,
        grade=letter,
        outside=farthest_words(screw),
        standing=standing_words(screw),
        verdict=_verdict(screw, used, letter, found_words(extents, sds, is_assessable=True)),
        facts=tuple(_facts(screw, order, letter, scale)),
        walls=tuple(_walls(screw, extents, sds)),
        section=None if shown is None else shown.section,
        along=None if shown is None else shown.along,
        beside_pictures=tuple(_beside(pictures, used)),
        why=tuple(_why(ledger, screw, scan)),
        source=level(screw.level).at_risk_source,
    )


def screw_name(screw: MeetingScrew) -> str:
    """Return level and side, such as `L4 left`; which of two on a side would tell of the case."""
    return f"{screw.level} {'left' if screw.side == Side.LEFT else 'right'}"


def farthest_words(screw: MeetingScrew) -> str:
    """Return the greatest pedicle extent with its walls, in few words."""
    extents = screw.extents_mm
    if extents is None:
        return "not assessable" if screw.found is not None else "not read"
    greatest = greatest_extent(extents)
    if greatest is None:
        return "no wall of the pedicle measured"
    if greatest == 0:
        return "nowhere, where measured"
    walls = [wall for wall in PEDICLE_WALLS if extents.get(wall) == greatest]
    return f"{', '.join(walls)} {greatest} mm"


def standing_words(screw: MeetingScrew) -> str:
    """Return how far what counts of a screw is settled, in few words."""
    if screw.found is None:
        return "not read" if screw.has_scan else "no scan that counts"
    return f"provisional: {screw.found.state}" if screw.found.is_provisional else screw.found.state


def _used(scan: ScrewOnScan | None) -> list[ReadingInFull]:
    """Return the readings that what counts rests on, the one that found most first."""
    if scan is None or scan.consensus is None:
        return []
    ids = scan.consensus.reading_ids
    used = [each for each in scan.readings if each.facts.reading_id in ids]
    return sorted(used, key=lambda one: (-(greatest_extent(one.extents_mm) or 0), one.facts.role))


def _sds(used: Sequence[ReadingInFull]) -> dict[Direction, Decimal | None]:
    return {wall: deviation(used, wall) for wall in (*PEDICLE_WALLS, *BODY_WALLS)}


def _verdict(screw: MeetingScrew, used: Sequence[ReadingInFull], letter: str, found: str) -> str:
    if screw.found is None:
        return _UNREAD if screw.has_scan else _NO_SCAN
    if not screw.found.is_assessable:
        reasons = dict.fromkeys(one.not_assessable_reason for one in used)
        told = ", ".join(reason for reason in reasons if reason)
        return f"It could not be assessed{f': {told}' if told else ''}."
    graded = f"Grade {letter}" if letter else "No grade"
    return f"{graded}. Outside the outer cortex: {found}."


def _facts(
    screw: MeetingScrew, order: PackOrder, letter: str, scale: str
) -> Iterator[tuple[str, str]]:
    is_other = screw.entry_technique == EntryTechnique.OTHER
    yield "Entry technique", "other, as its case says" if is_other else screw.entry_technique
    yield "Guidance", screw.guidance
    yield "Size", _size(screw)
    yield "Exit planned", screw.intention or "none recorded before imaging"
    note = scale_note(screw.level, scale) if letter else ""
    yield "Grade", f"{letter or 'none'}{f'; {note}' if note else ''}"
    yield "Standing", standing_words(screw)
    if order.has_quarters:
        yield "Quarter", quarter_of(screw.operated_on).name
    if order.has_pseudonyms:
        yield "Pseudonym", screw.pseudonym


def _size(screw: MeetingScrew) -> str:
    if screw.diameter_mm is None:
        return "not recorded"
    if screw.length_mm is None:
        return f"{screw.diameter_mm} mm, length not recorded"
    return f"{screw.diameter_mm} mm by {screw.length_mm} mm"


def _walls(screw: MeetingScrew, extents: Extents, sds: Extents) -> Iterator[WallFound]:
    at = level(screw.level)
    body = [wall for wall in BODY_WALLS if extents.get(wall) is not None]
    for wall in (*PEDICLE_WALLS, *body):
        mm, sd = extents.get(wall), sds.get(wall)
        told = "not measured" if mm is None else "0" if mm == 0 else f"{mm}"
        if mm and sd is not None:
            told = f"{told} ± {sd}"
        yield WallFound(wall_words(wall), told, at.at_risk.get(wall, "none named"))


def _beside(pictures: ScrewPictures | str, used: Sequence[ReadingInFull]) -> Iterator[str]:
    if isinstance(pictures, str):
        yield f"{pictures[:1].upper()}{pictures[1:]}."
        return
    if len(used) > 1:
        yield (
            f"The pictures show one of the {len(used)} readings that were averaged, the one that "
            f"found most: {pictures.told}."
        )
    if pictures.notes:
        yield f"Of the images: {'; '.join(pictures.notes)}."


def _why(ledger: Ledger, screw: MeetingScrew, scan: ScrewOnScan | None) -> Iterator[str]:
    if scan is None:
        return
    rule = ledger.settings.agreement_rule()
    yield from consensus_words(
        scan.counted(rule.counted),
        level=screw.level,
        second_is_owed=scan.second_is_owed,
        rule=rule,
    )
