"""The words of a list that may be kept in a database: none of a file's own free text.

What is shown at once to whoever brought the files may quote them; what is kept may not.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

from registry.imaging.identity import identity_of, kept_words
from registry.imaging.parsing import UnreadableError, read_header

if TYPE_CHECKING:
    from registry.imaging.series import FoundSeries

# How a file's own words come into those of `kinds`, and what stands in their place.
_QUOTING = (
    ("image of modality ", "image of another modality"),
    ("map in ", "map of other values"),
    ("it is stored as ", "it is stored in another form"),
)


def lasting_words(series: FoundSeries) -> str:
    """Return a series in a few words, its kernel only where `identity` would keep it."""
    first = series.members[0]
    try:
        dataset = read_header(first.source)
    except UnreadableError:
        return replace(series.summary, kernel="").words
    kernel = kept_words(dataset, identity_of(dataset, [first])).get("kernel", "")
    return replace(series.summary, kernel=str(kernel)).words


def without_quotes(words: str) -> str:
    """Return words of `kinds` about a file without what they quote of it."""
    for beginning, instead in _QUOTING:
        if words.startswith(beginning):
            _, comma, count = words.rpartition(", ")
            return f"{instead}{comma}{count}" if comma else instead
    return words
