"""Slices of CT into series: by their identifier, and apart where one cannot be one volume."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

from registry.imaging.geometry import NotAVolumeError, stack
from registry.imaging.series import BURNED_IN, FoundSeries, Orientation, SeriesSummary
from registry.imaging.sources import common_place

if TYPE_CHECKING:
    from collections.abc import Iterable, Sequence

    from registry.imaging.slices import SliceHeader

AXIAL_WITHIN_DEG = 30.0
_SAME_DIRECTION = 1e-3
_SAME_PIXEL_MM = 1e-4


def group(slices: Iterable[SliceHeader], *, accept_burned_in: bool = False) -> list[FoundSeries]:
    """Return the slices by series, orientation, shape and spacing, each looked at.

    A series that announces burned-in text may only be read where a person has looked at it.
    """
    groups: list[list[SliceHeader]] = []
    by_series: dict[str, list[list[SliceHeader]]] = {}
    for each in sorted(
        slices, key=lambda one: (one.origin.series_uid, one.sop_uid, one.frame or 0)
    ):
        candidates = by_series.setdefault(each.origin.series_uid, [])
        for members in candidates:
            if _alike(members[0], each):
                members.append(each)
                break
        else:
            candidates.append([each])
            groups.append(candidates[-1])
    return [_look_at(members, accept_burned_in=accept_burned_in) for members in groups]


def _alike(one: SliceHeader, other: SliceHeader) -> bool:
    def near(a: Sequence[float], b: Sequence[float], tolerance: float) -> bool:
        return all(abs(x - y) <= tolerance for x, y in zip(a, b, strict=True))

    return (
        (one.rows, one.columns, one.frame_uid, one.part)
        == (other.rows, other.columns, other.frame_uid, other.part)
        and near(one.orientation, other.orientation, _SAME_DIRECTION)
        and near(one.pixel_mm, other.pixel_mm, _SAME_PIXEL_MM)
    )


def _look_at(members: list[SliceHeader], *, accept_burned_in: bool) -> FoundSeries:
    first = members[0]
    orientation = _orientation(first)
    volume, fault = None, ""
    try:
        volume = stack(members)
    except NotAVolumeError as error:
        fault = str(error)
    if len({each.origin.patient_id for each in members}) > 1:
        fault = "its slices carry different patient identifiers"
    elif not fault and orientation != "axial":
        fault = f"it is {orientation}; an axial series is read"
    is_burned_in = any(each.is_burned_in for each in members)
    if not fault and is_burned_in and not accept_burned_in:
        fault = BURNED_IN
    summary = SeriesSummary(
        place=common_place([each.source.name for each in members]),
        slices=len(volume.slices) if volume else len(members),
        rows=first.rows,
        columns=first.columns,
        orientation=orientation,
        step_mm=volume.step_mm if volume else None,
        thickness_mm=max((each.thickness_mm or 0.0 for each in members), default=0.0) or None,
        pixel_mm=first.pixel_mm,
        kernel=first.kernel,
        image_type=first.image_type,
        acquired_on=min(
            (day for each in members if (day := each.origin.acquired_on) is not None), default=None
        ),
        patient_position=first.patient_position,
        is_lossy=any(each.is_lossy for each in members),
        has_contrast=any(each.has_contrast for each in members),
        is_original="ORIGINAL" in first.image_type and "SECONDARY" not in first.image_type,
        is_burned_in=is_burned_in,
        is_intra_operative=any(each.is_intra_operative for each in members),
        fault=fault,
    )
    return FoundSeries(summary, tuple(members), volume)


def _orientation(header: SliceHeader) -> Orientation:
    """Return the plane that the slice lies in, to within 30 degrees, else oblique."""
    (a, b, c), (d, e, f) = header.row_direction, header.column_direction
    normal = (b * f - c * e, c * d - a * f, a * e - b * d)
    names: tuple[Orientation, ...] = ("sagittal", "coronal", "axial")
    size, name = max(zip(map(abs, normal), names, strict=True))
    return name if size >= math.cos(math.radians(AXIAL_WITHIN_DEG)) else "oblique"
