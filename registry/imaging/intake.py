"""CT in: look through what came, then read the one series that is to be kept."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from registry.domain.problems import BadInputError, Fault
from registry.imaging.grouping import group
from registry.imaging.kinds import Kind, is_multi_frame, other_than_slice
from registry.imaging.left_behind import LeftBehind
from registry.imaging.listing import ListedSeries, OtherFile, list_series
from registry.imaging.multiframe import frame_headers
from registry.imaging.parsing import DAMAGE, UnreadableError, read_head, without_warnings
from registry.imaging.series import FoundSeries, best_of, why_not_taken
from registry.imaging.slices import SliceHeader, origin_of, slice_header
from registry.imaging.sources import LeftOut, Limits, SourceFile, gather, walk
from registry.imaging.volume import ReadVolume, Sink, read_volume

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable
    from pathlib import Path

    from registry.imaging.parsing import Head
    from registry.imaging.series import SeriesSummary

__all__ = [
    "FoundSeries",
    "LeftOut",
    "ListedSeries",
    "ReadVolume",
    "SourceFile",
    "Survey",
    "read_series",
    "survey",
]


@dataclass(frozen=True)
class Survey:
    """What came: every CT series, a list of everything, and the files that are no slices.

    Attributes
    ----------
    found : every CT series, in the order of the list
    listing : one line a series, CT or not, numbered
    aside : files that are no slices of CT, or copies of one, and why they stay out
    """

    found: tuple[FoundSeries, ...]
    listing: tuple[ListedSeries, ...]
    aside: tuple[LeftOut, ...] = field(repr=False)

    @property
    def series(self) -> tuple[SeriesSummary, ...]:
        """Return every CT series that was found, in words and numbers."""
        return tuple(each.summary for each in self.found)

    def series_to_read(
        self, number: int | None = None, unfit: Callable[[FoundSeries], str] | None = None
    ) -> FoundSeries:
        """Return the series to read: the one of that number, else the one that the rule chooses.

        `unfit` says in words what speaks against a series that could be read (another patient,
        before the operation), or nothing; it has no say over what a person chose by number.

        Raises
        ------
        BadInputError : nothing can be read, with the reason for each thing left out; what was
            chosen by number cannot be read; or what can be read is of several studies
        """
        if number is not None:
            return self._of_number(number)
        objections = {each.number: unfit(each) if unfit else "" for each in self.found}
        fit = [each for each in self.found if each.is_readable and not objections[each.number]]
        _refuse_several_studies(fit)
        if (best := best_of(fit)) is None:
            against = [
                Fault(f"{each.summary.words}, left out: {objections[each.number]}")
                for each in self.found
                if each.is_readable
            ]
            raise BadInputError(
                Fault("no axial CT series to read was found", mend="see what was left out and why"),
                *against,
                *(
                    Fault(f"{each.what}, left out: {each.why}", each.name)
                    for each in self.left_out_beside(None)
                ),
            )
        return best

    def left_out_beside(self, taken: FoundSeries | None) -> tuple[LeftOut, ...]:
        """Return all that is not read when that series is, and why."""
        return (
            *gather([*self.aside, *_duplicates(taken)]),
            *(
                LeftOut(each.summary.place, each.summary.words, why)
                for each in self.found
                if (taken is None or each.number != taken.number)
                and (why := why_not_taken(each, taken))
            ),
        )

    def _of_number(self, number: int) -> FoundSeries:
        for line in self.listing:
            if line.number == number and not line.is_readable:
                raise BadInputError(Fault(f"series {number} cannot be read: {line.why_not}"))
        for each in self.found:
            if each.number == number:
                return each
        raise BadInputError(
            Fault(f"there is no series {number}", mend=f"choose 1 to {len(self.listing)}")
        )


def survey(
    sources: Iterable[Path | SourceFile | LeftOut],
    limits: Limits | None = None,
    *,
    accept_burned_in: bool = False,
    told: Callable[[int], None] | None = None,
) -> Survey:
    """Look at every header of what is given; no pixel is decoded and no file is changed.

    Parameters
    ----------
    sources : paths of files, folders and zips, or files that the caller opens by itself
    accept_burned_in : a person has looked at the slices that announce burned-in text
    told : called after each file, members of zips included, with how many were looked into; what
        it raises stops the survey

    Raises
    ------
    BadInputError : a path is missing, a zip is damaged or unpacks beyond its limits
    """
    gathered = _Gathered()
    for done, entry in enumerate(walk(sources, limits), start=1):
        gathered.take(entry)
        if told is not None:
            told(done)
    groups = [
        replace(each, left_behind=gathered.leavings[each.series_uid])
        for each in group(gathered.slices.values(), accept_burned_in=accept_burned_in)
    ]
    found, listing = list_series(groups, gathered.others)
    others = (each.left_out for each in gathered.others)
    return Survey(found, listing, (*gathered.aside, *others, *gathered.copies))


def read_series(
    series: FoundSeries, sink: Sink, told: Callable[[int, int], None] | None = None
) -> ReadVolume:
    """Decode a surveyed series into `sink` and return its geometry, attributes and identity.

    `told(done, all)` is called after each slice; what it raises stops the reading.

    Raises
    ------
    BadInputError : a slice is damaged, truncated or packed in a way that is not read; names it
    """
    return read_volume(series, sink, told)


@dataclass
class _Gathered:
    """What was found so far; each image once, for the same file may come loose and in a zip."""

    slices: dict[tuple[str, int | None], SliceHeader] = field(default_factory=dict)
    others: list[OtherFile] = field(default_factory=list)
    aside: list[LeftOut] = field(default_factory=list)
    copies: list[LeftOut] = field(default_factory=list)
    leavings: dict[str, LeftBehind] = field(default_factory=dict)

    def take(self, entry: SourceFile | LeftOut) -> None:
        if isinstance(entry, LeftOut):
            self.aside.append(entry)
            return
        try:
            self._look_into(entry)
        except UnreadableError as error:
            self.aside.append(LeftOut(entry.name, error.what, error.why))
        except DAMAGE:
            why = "its header holds values that cannot be read"
            self.aside.append(LeftOut(entry.name, "damaged DICOM", why))

    @without_warnings()
    def _look_into(self, source: SourceFile) -> None:
        head = read_head(source)
        result = other_than_slice(head.dataset) or _headers(source, head)
        if isinstance(result, Kind):
            self.others.append(OtherFile(source.name, result, origin_of(head.dataset)))
        elif (result[0].sop_uid, result[0].frame) in self.slices:
            self.copies.append(LeftOut(source.name, "copy of an image", "it was there already"))
        else:
            self.slices.update({(each.sop_uid, each.frame): each for each in result})
            self.leavings.setdefault(result[0].origin.series_uid, LeftBehind()).note(head.dataset)


def _headers(source: SourceFile, head: Head) -> list[SliceHeader] | Kind:
    if is_multi_frame(head.dataset):
        return frame_headers(source, head)
    header = slice_header(source, head)
    return header if isinstance(header, Kind) else [header]


def _refuse_several_studies(fit: Iterable[FoundSeries]) -> None:
    places: dict[tuple[str, str], FoundSeries] = {}
    for each in fit:
        places.setdefault((each.study_uid, each.patient_id), each)
    if len(places) > 1:
        raise BadInputError(
            *(
                Fault(
                    f"series {each.number}: {each.summary.words}, "
                    f"of {each.summary.acquired_on or 'an unknown day'}",
                    each.summary.place,
                    "more than one study lies here: load each by itself, or choose by number",
                )
                for each in places.values()
            )
        )


def _duplicates(taken: FoundSeries | None) -> list[LeftOut]:
    if taken is None or taken.volume is None:
        return []
    return [
        LeftOut(each.source.name, "slice at the place of another", "the first was kept")
        for each in taken.volume.duplicates
    ]
