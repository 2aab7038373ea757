"""CT in: look through what a person gives, then read the one series that is to be kept."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.domain.problems import BadInputError, Fault
from registry.imaging.kinds import Kind, other_than_slice
from registry.imaging.parsing import DAMAGE, UnreadableError, read_header, without_warnings
from registry.imaging.series import FoundSeries, choose, common_place, group
from registry.imaging.slices import SliceHeader, slice_header
from registry.imaging.sources import LeftOut, Limits, walk
from registry.imaging.volume import ReadVolume, Sink, read_volume

if TYPE_CHECKING:
    from collections.abc import Sequence
    from pathlib import Path

    from registry.imaging.series import SeriesSummary
    from registry.imaging.sources import SourceFile

__all__ = ["FoundSeries", "LeftOut", "ReadVolume", "Survey", "read_series", "survey"]


@dataclass(frozen=True)
class Survey:
    """What lies under the given paths: every CT series, the one to read, and all that stays out."""

    found: tuple[FoundSeries, ...]
    chosen: FoundSeries | None
    left_out: tuple[LeftOut, ...]

    @property
    def series(self) -> tuple[SeriesSummary, ...]:
        """Return every CT series that was found, in words and numbers."""
        return tuple(each.summary for each in self.found)

    def series_to_read(self) -> FoundSeries:
        """Return the chosen series, or raise with the reason for each thing left out."""
        if self.chosen is None:
            raise BadInputError(
                Fault("no axial CT series to read was found", mend="see what was left out and why"),
                *(Fault(f"{each.what}, left out: {each.why}", each.name) for each in self.left_out),
            )
        return self.chosen


def survey(paths: Sequence[Path], limits: Limits | None = None) -> Survey:
    """Look at every header under `paths`; no pixel is decoded and no file is changed.

    Raises
    ------
    BadInputError : a path is missing, a zip is damaged or unpacks beyond its limits, or readable
        series of more than one study lie there, between which only a person can choose
    """
    slices: list[SliceHeader] = []
    left_out: list[LeftOut] = []
    for entry in walk(paths, limits):
        result = entry if isinstance(entry, LeftOut) else _look_into(entry)
        if isinstance(result, SliceHeader):
            slices.append(result)
        else:
            left_out.append(result)
    slices, copies = _without_copies(slices)
    found = group(slices)
    _refuse_several_studies(found)
    chosen, others = choose(found)
    alone = _gathered(left_out + copies + _duplicates(chosen))
    return Survey(tuple(found), chosen, (*alone, *others))


def read_series(series: FoundSeries, sink: Sink) -> ReadVolume:
    """Decode a surveyed series into `sink` and return its geometry, attributes and identity.

    Raises
    ------
    BadInputError : a slice is damaged, truncated or packed in a way that is not read; names it
    """
    return read_volume(series, sink)


def _look_into(source: SourceFile) -> SliceHeader | LeftOut:
    try:
        dataset = read_header(source)
        with without_warnings():
            result = other_than_slice(dataset) or slice_header(source, dataset)
    except UnreadableError as error:
        result = Kind(error.what, error.why)
    except DAMAGE:
        result = Kind("damaged DICOM", "its header holds values that cannot be read")
    if isinstance(result, SliceHeader):
        return result
    return LeftOut(source.name, result.what, result.why)


def _without_copies(slices: list[SliceHeader]) -> tuple[list[SliceHeader], list[LeftOut]]:
    """Keep each image once: the same file may come loose and in a zip."""
    kept: dict[str, SliceHeader] = {}
    copies: list[LeftOut] = []
    for each in slices:
        if each.sop_uid in kept:
            copies.append(LeftOut(each.source.name, "copy of an image", "it was there already"))
        else:
            kept[each.sop_uid] = each
    return list(kept.values()), copies


def _refuse_several_studies(found: Sequence[FoundSeries]) -> None:
    places: dict[str, FoundSeries] = {}
    for each in found:
        if each.is_readable:
            places.setdefault(each.members[0].study_uid, each)
    if len(places) > 1:
        raise BadInputError(
            *(
                Fault(
                    f"{each.summary.words}, of {each.summary.acquired_on or 'an unknown day'}",
                    each.summary.place,
                    "more than one study lies here: load each by itself",
                )
                for each in places.values()
            )
        )


def _duplicates(chosen: FoundSeries | None) -> list[LeftOut]:
    if chosen is None or chosen.volume is None:
        return []
    return [
        LeftOut(each.source.name, "slice at the place of another", "the first was kept")
        for each in chosen.volume.duplicates
    ]


def _gathered(left_out: Sequence[LeftOut]) -> list[LeftOut]:
    """Return one line for many files that are left out alike from one folder."""
    alike: dict[tuple[str, str, str], list[str]] = {}
    for each in left_out:
        alike.setdefault((_folder(each.name), each.what, each.why), []).append(each.name)
    return [LeftOut(common_place(names), what, why) for (_, what, why), names in alike.items()]


def _folder(name: str) -> str:
    return name.rpartition("/")[0]
