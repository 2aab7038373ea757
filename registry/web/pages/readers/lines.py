"""What the page of readers prints besides the agreement itself: own sums, and known truth."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.tables.reader_words import ONE_GRADE, number_words, share_words

if TYPE_CHECKING:
    from collections.abc import Iterable

    from registry.actions.agreement import OwnAgreement
    from reports.tables.known_truth import ReaderTruth, Share

TRUTH_HEADINGS = (
    *("reader", "read", "missed, of those 2 mm or more outside"),
    *("called contained, of those outside", "false alarms, of the others"),
)


def own_rows(own: OwnAgreement) -> list[tuple[str, str]]:
    """Return what a reader's own pairs come to, by name."""
    return [
        ("Share with the same grade", number_words(own.observed)),
        ("Kappa, quadratic weights", number_words(own.kappa, undefined=ONE_GRADE)),
        ("AC1 (Gwet)", number_words(own.ac1)),
        ("Own less the other's, mm, on average", number_words(own.bias_mm, digits=1)),
    ]


def truth_rows(readers: Iterable[ReaderTruth]) -> list[list[str]]:
    """Return a row a reader under `TRUTH_HEADINGS`."""
    return [
        [
            *(each.name, str(each.read)),
            *map(_part, (each.missed, each.called_contained, each.false_alarms)),
        ]
        for each in readers
    ]


def _part(part: Share) -> str:
    counts = f"{part.count} of {part.of}"
    return f"{counts}, {share_words(part.share)}" if part.of else counts
