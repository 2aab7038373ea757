"""Everything that came, one line a series, numbered in an order that no file's place changes.

Patients come by their first day, within them studies by theirs, then series by their own number.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date
from typing import TYPE_CHECKING

from registry.imaging.sources import LeftOut

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from registry.imaging.kinds import Kind, SeriesKind
    from registry.imaging.series import FoundSeries
    from registry.imaging.slices import Origin

_NO_DAY = date.max


@dataclass(frozen=True)
class OtherFile:
    """A DICOM file that is no slice to read: what it is, and which series it belongs to."""

    name: str
    kind: Kind
    origin: Origin = field(repr=False)

    @property
    def left_out(self) -> LeftOut:
        """Return it as something that was not taken."""
        return LeftOut(self.name, self.kind.what, self.kind.why)


@dataclass(frozen=True)
class ListedSeries:
    """One series of the list, without anything that names anybody.

    Attributes
    ----------
    number : 1, 2, ... in the list's order; a person chooses by it
    words : what it is, in a few words
    patient, study : 1, 2, ... in the list's order
    why_not : why it cannot be read; empty when it can
    may_be_confirmed : it announces burned-in text and is otherwise readable, so that a person who
        has looked may have it read (`survey(..., accept_burned_in=True)`)
    """

    number: int
    words: str
    kind: SeriesKind
    acquired_on: date | None
    patient: int
    study: int
    is_readable: bool
    why_not: str
    may_be_confirmed: bool = False


@dataclass(frozen=True)
class _Entry:
    origin: Origin
    acquired_on: date
    content: FoundSeries | list[OtherFile]
    # What settles the order of two parts of one series.
    part: tuple[str, float, str]


def list_series(
    found: Sequence[FoundSeries], others: Iterable[OtherFile]
) -> tuple[tuple[FoundSeries, ...], tuple[ListedSeries, ...]]:
    """Return the CT series, each with its number, and the list that the numbers are from."""
    entries = _in_order([*map(_ct, found), *_others(others)])
    people, studies = _patients([each.origin for each in entries]), _Numbers()
    patients = _Numbers()
    numbered: list[FoundSeries] = []
    listing: list[ListedSeries] = []
    for number, entry in enumerate(entries, start=1):
        patient = patients.of(people(entry.origin))
        study = studies.of(entry.origin.study_uid)
        if isinstance(entry.content, list):
            listing.append(_line_of_others(number, entry.content, entry, patient, study))
        else:
            numbered.append(replace(entry.content, number=number))
            listing.append(_line_of_ct(number, entry.content, patient, study))
    return tuple(numbered), tuple(listing)


def _ct(series: FoundSeries) -> _Entry:
    first = series.members[0]
    part = (f"{series.summary.orientation} {first.frame_uid}", first.pixel_mm[0], first.sop_uid)
    return _Entry(first.origin, series.summary.acquired_on or _NO_DAY, series, part)


def _others(files: Iterable[OtherFile]) -> list[_Entry]:
    by_series: dict[tuple[str, str], list[OtherFile]] = {}
    for each in files:
        if each.origin.series_uid:
            key = (each.origin.series_uid, each.kind.what)
            by_series.setdefault(key, []).append(each)
    return [
        _Entry(
            members[0].origin,
            min(each.origin.acquired_on or _NO_DAY for each in members),
            members,
            (what, 0.0, ""),
        )
        for (_, what), members in by_series.items()
    ]


def _in_order(entries: list[_Entry]) -> list[_Entry]:
    """Return the entries by patient, study and series, the earlier first."""
    people = _patients([each.origin for each in entries])
    firsts: dict[object, date] = {}
    for each in entries:
        for key in (people(each.origin), each.origin.study_uid):
            firsts[key] = min(firsts.get(key, _NO_DAY), each.acquired_on)

    def place(each: _Entry) -> tuple[object, ...]:
        person, origin = people(each.origin), each.origin
        return (
            *(firsts[person], person),
            *(firsts[origin.study_uid], origin.study_uid),
            *(origin.series_number, origin.series_uid),
            *each.part,
        )

    return sorted(entries, key=place)


def _patients(origins: Sequence[Origin]) -> Callable[[Origin], tuple[str, str]]:
    """Return what tells people apart: the hospital's number with the birth date.

    A file without a birth date is of the one person who has that number; one without a number is
    of nobody but its study's.
    """
    dates: dict[str, set[str]] = {}
    for each in origins:
        dates.setdefault(each.patient_id, set()).update({each.birth_date} - {""})

    def person(origin: Origin) -> tuple[str, str]:
        if not origin.patient_id:
            return ("", origin.study_uid)
        known = dates[origin.patient_id]
        return (origin.patient_id, origin.birth_date or (min(known) if len(known) == 1 else ""))

    return person


class _Numbers:
    """Gives 1, 2, ... to what it meets, the same number to the same thing."""

    def __init__(self) -> None:
        self._known: dict[object, int] = {}

    def of(self, key: object) -> int:
        return self._known.setdefault(key, len(self._known) + 1)


def _line_of_ct(number: int, series: FoundSeries, patient: int, study: int) -> ListedSeries:
    summary = series.summary
    return ListedSeries(
        number=number,
        words=summary.words,
        kind=summary.kind,
        acquired_on=summary.acquired_on,
        patient=patient,
        study=study,
        is_readable=series.is_readable,
        why_not=summary.fault,
        may_be_confirmed=series.may_be_confirmed,
    )


def _line_of_others(
    number: int, files: Sequence[OtherFile], entry: _Entry, patient: int, study: int
) -> ListedSeries:
    kind = files[0].kind
    count = "1 file" if len(files) == 1 else f"{len(files)} files"
    return ListedSeries(
        number=number,
        words=f"{kind.what}, {count}",
        kind=kind.of,
        acquired_on=entry.acquired_on if entry.acquired_on != _NO_DAY else None,
        patient=patient,
        study=study,
        is_readable=False,
        why_not=kind.why,
    )
