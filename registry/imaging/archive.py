"""An archive that is asked for studies: what every way of asking has in common."""

from __future__ import annotations

import re
from dataclasses import dataclass, field
from datetime import date
from typing import TYPE_CHECKING, Protocol

from registry.domain.problems import FailureError

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence
    from typing import BinaryIO

CT = "CT"
# More would be no choice for a person; a setting of ours, no source.
MOST_STUDIES = 200
_DAY_LETTERS = 8
_UID = re.compile(r"[0-9][0-9.]{0,63}")


@dataclass(frozen=True)
class StudyQuery:
    """Which CT studies are asked for; every part that is given has to fit.

    Attributes
    ----------
    patient : the hospital's number
    accession : the order's number
    study_uid : the study's own identifier
    first, last : days of the study, both included
    """

    patient: str = field(default="", repr=False)
    accession: str = field(default="", repr=False)
    study_uid: str = field(default="", repr=False)
    first: date | None = None
    last: date | None = None

    def days(self) -> str:
        """Return the days as a range matching (PS3.4 C.2.2.2.5), '' for any."""
        if self.first is None and self.last is None:
            return ""
        return "-".join("" if day is None else f"{day:%Y%m%d}" for day in (self.first, self.last))


@dataclass(frozen=True)
class ArchivedStudy:
    """A study as the archive lists it.

    Attributes
    ----------
    uid : its identifier
    patient : the hospital's number that it carries
    day : of the study; None where the archive gives none
    words : its description, as radiology wrote it
    """

    uid: str = field(repr=False)
    patient: str = field(repr=False)
    day: date | None
    words: str


@dataclass(frozen=True)
class ArchivedSeries:
    """A series as the archive lists it; `images` is None where it does not count them."""

    uid: str = field(repr=False)
    modality: str
    words: str
    images: int | None


class Archive(Protocol):
    """A way of asking an archive. Each call raises FailureError in words where it fails."""

    def studies(self, query: StudyQuery) -> Sequence[ArchivedStudy]:
        """Return the studies that fit; others may be among them where an archive sees it so."""
        ...

    def series(self, study: ArchivedStudy) -> Sequence[ArchivedSeries]:
        """Return what a study holds."""
        ...

    def fetch(
        self, study: ArchivedStudy, series: ArchivedSeries, take: Callable[[BinaryIO], None]
    ) -> int:
        """Hand each image of a series to `take` as a file; return how many came."""
        ...

    def store(self, report: bytes) -> None:
        """Give the archive a report as a DICOM file; returns once it says that it keeps it."""
        ...


NOT_TAKEN = "the archive did not take the report"


def require_whole(series: ArchivedSeries, came: int) -> None:
    """Raise FailureError where fewer images came than the archive counts."""
    if came == 0 or (series.images is not None and came < series.images):
        wanted = "" if series.images is None else f" of {series.images}"
        raise FailureError(
            f"the archive sent {came}{wanted} images of a series and stopped; nothing was kept"
        )


def day_of(text: str) -> date | None:
    """Return the day that a DICOM date (PS3.5 Table 6.2-1, DA) names, or None."""
    digits = text.strip()
    if len(digits) != _DAY_LETTERS or not digits.isascii() or not digits.isdigit():
        return None
    try:
        return date(int(digits[:4]), int(digits[4:6]), int(digits[6:]))
    except ValueError:
        return None


def is_uid(text: str) -> bool:
    """Return whether a text can be an identifier: it becomes part of an address (PS3.5, 9.1)."""
    return _UID.fullmatch(text) is not None


def in_order(studies: Sequence[ArchivedStudy]) -> list[ArchivedStudy]:
    """Return studies in a settled order, the oldest first and those without a day last."""
    return sorted(studies, key=lambda each: (each.day or date.max, each.uid))
