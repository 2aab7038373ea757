"""How angles and sizes are said to people: rows of text, a dash where a number is undefined."""

from __future__ import annotations

from typing import TYPE_CHECKING

from reports.tables.reader_words import fixed, share_words

if TYPE_CHECKING:
    from collections.abc import Iterable

    from reports.tables.angles import AngleTables, Band

LEVEL_HEADINGS = (
    *("level", "measured", "mean", "standard deviation", "from, to"),
    *("usual range", "outside it"),
)


def level_rows(found: AngleTables) -> list[list[str]]:
    """Return a row a level under `LEVEL_HEADINGS`, angles in degrees."""
    rows = []
    for each in found.levels:
        usual = ["-", "-"]
        if each.usual is not None:
            usual = [f"{each.usual.low:g} to {each.usual.high:g}", str(each.outside)]
        rows.append(
            [
                *(each.name, str(each.measured), fixed(each.mean, 1)),
                "-" if each.sd is None else fixed(each.sd, 1),
                f"{fixed(each.least, 1)} to {fixed(each.greatest, 1)}",
                *usual,
            ]
        )
    return rows


def band_rows(bands: Iterable[Band]) -> list[list[str]]:
    """Return a row a band: its name, patients, screws, events, and their share."""
    return [
        [
            *(each.name, str(each.patients), str(each.screws), str(each.events)),
            share_words(each.share, undefined="too few for a share"),
        ]
        for each in bands
    ]
