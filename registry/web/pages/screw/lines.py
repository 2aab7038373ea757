"""A screw's readings and what they come to, in the words that its page prints."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.domain.consensus_words import consensus_words
from registry.domain.extent_words import found_words
from registry.domain.readings import proposal_words
from registry.domain.scales import grade

if TYPE_CHECKING:
    from collections.abc import Mapping, Sequence
    from decimal import Decimal

    from registry.domain.consensus import AgreementRule
    from registry.domain.directions import Direction
    from registry.store.queries.screw_readings import ReadingInFull, ScrewOnScan

_MINUTE_SECONDS = 60


@dataclass(frozen=True)
class ReadingLine:
    """One reading: what was found, how it was made, in words, and whether it counts."""

    reading: ReadingInFull
    counts: bool
    grade: str
    found: str
    how: str


@dataclass(frozen=True)
class ScanPart:
    """What the page says of one scan.

    Attributes
    ----------
    scan : as stored
    image_notes : what is to be known of its image
    lines : its readings, in the order in which they were saved
    grade, found : of what counts, '' without a consensus
    why : sentences
    is_by_present_rule : False where what counts was worked out by other settings
    """

    scan: ScrewOnScan
    image_notes: Sequence[str]
    lines: Sequence[ReadingLine]
    grade: str
    found: str
    why: Sequence[str]
    is_by_present_rule: bool


def scan_part(
    scan: ScrewOnScan, image_notes: Sequence[str], level: str, rule: AgreementRule
) -> ScanPart:
    """Return what the page says of a screw on one scan."""
    counts = scan.consensus
    counted = scan.counted(rule.counted)
    counting = {each.reading_id for each in counted}
    return ScanPart(
        scan=scan,
        image_notes=image_notes,
        lines=[
            _line(reading, level, rule.scale, counts=reading.facts.reading_id in counting)
            for reading in scan.readings
        ],
        grade="" if counts is None else _grade(counts.extents_mm, level, rule.scale),
        found=""
        if counts is None
        else found_words(counts.extents_mm, {}, is_assessable=counts.is_assessable),
        why=consensus_words(counted, level=level, second_is_owed=scan.second_is_owed, rule=rule),
        is_by_present_rule=counts is None or counts.rule_version == rule.version,
    )


def _line(reading: ReadingInFull, level: str, scale: str, *, counts: bool) -> ReadingLine:
    facts = reading.facts
    found = found_words(facts.extents_mm, reading.sd_mm, is_assessable=facts.is_assessable)
    if reading.not_assessable_reason:
        found = f"{found}: {reading.not_assessable_reason}"
    return ReadingLine(
        reading, counts, _grade(facts.extents_mm, level, scale), found, _how(reading)
    )


def _grade(extents: Mapping[Direction, Decimal | None], level: str, scale: str) -> str:
    return grade(extents, level, scale) or ""


def _how(reading: ReadingInFull) -> str:
    spent = reading.seconds_spent
    parts = [
        "loaded from a table" if reading.is_loaded else reading.method,
        "blind" if reading.is_blind else "not blind",
        proposal_words(reading.facts.proposal_seen),
        f"confidence {reading.confidence}" if reading.confidence else "",
        "" if spent is None else f"{spent // _MINUTE_SECONDS} min {spent % _MINUTE_SECONDS} s",
    ]
    return ", ".join(part for part in parts if part)
