"""Whether straight metal is a pedicle screw: by its cross-sections and by what is at its ends."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from registry.measure.proposals.candidates import STEEPEST_DEG
from registry.measure.proposals.metal_parts import LEAST_METAL_HU
from registry.measure.sampling import sample_points

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import ArrayLike

    from registry.measure.sampling import Voxels
    from registry.measure.shank_ends import FittedShank

# Bounds of ours, no source; catalogued screws are 3.5 to 8.5 mm thick and 20 mm long or longer.
_THINNEST_MM, _THICKEST_MM = 1.1, 5.6
_SHORTEST_MM = 13.0
_SHORTEST_HEADLESS_MM = 18.0
_SLENDER, _SLENDER_HEADLESS = 2.9, 3.8
_LEAST_ROUND = 0.5
_LEAST_ROUND_STREAKED = 0.38
_LEAST_STEADY = 0.65
_STEADY_WITHIN = 0.22
_GREATEST_STRAY_MM, _GREATEST_STRAY_STREAKED_MM = 0.6, 1.1
_STREAKED_HU = 5000.0
_TAPER_MM = 6.0
_FRONT_MM = 4.0
_WIDE_FRONT = 1.35
_STEEP = 0.55
_ROD_FROM_MM, _ROD_TO_MM = 22.0, 34.0
_ROD_REACH_MM = 6.0
_SLEEVE_FROM_MM = 8.0
_SLEEVE_MM = 2.2
_SLEEVE_PLANES = 4
_OF_THE_EDGE = 0.45
_AIR_HU = -250.0
_ALONE_MM = 50.0


def is_screw(voxels: Voxels, affine: ArrayLike, fitted: FittedShank) -> bool:
    """Return whether a fitted run of metal is a screw.

    A screw is slender, round and straight, ends in front without widening, and is not held in
    air; a rod goes on behind what widens it.
    """
    return (
        _is_slender(fitted)
        and -float(fitted.line.direction[1]) >= np.cos(np.radians(STEEPEST_DEG))
        and _is_even(fitted)
        and not _is_sleeved(voxels, affine, fitted)
        and _ends_in_front(fitted)
        and not (_is_steep(fitted) and _goes_on_behind(voxels, affine, fitted))
        and not _is_in_air(voxels, affine, fitted)
    )


def _is_slender(fitted: FittedShank) -> bool:
    width, length = 2.0 * fitted.sections.shank_mm, fitted.axis.length_mm
    shortest = _SHORTEST_MM if fitted.is_headed else _SHORTEST_HEADLESS_MM
    slender = _SLENDER if fitted.is_headed else _SLENDER_HEADLESS
    thick = _THINNEST_MM <= width / 2.0 <= _THICKEST_MM
    return thick and length >= shortest and length >= slender * width


def _is_even(fitted: FittedShank) -> bool:
    """Return whether the metal from entry to where the tip tapers is round and equally thick."""
    sections = fitted.sections
    depths = sections.along_mm
    shank = (depths > fitted.entry_along_mm) & (depths < fitted.tip_along_mm - _TAPER_MM)
    if not shank.any():
        return False
    ratio = sections.radii_mm[shank] / sections.shank_mm
    narrow = sections.narrow()
    heavy = fitted.is_cut_off or fitted.core_hu >= _STREAKED_HU
    stray = np.hypot(*sections.middles_mm[narrow].T)
    return bool(
        np.mean(np.abs(ratio - 1.0) < _STEADY_WITHIN) >= _LEAST_STEADY
        and np.median(sections.shapes[narrow]) >= (_LEAST_ROUND_STREAKED if heavy else _LEAST_ROUND)
        and np.percentile(stray, 80)
        <= (_GREATEST_STRAY_STREAKED_MM if heavy else _GREATEST_STRAY_MM)
    )


def _ends_in_front(fitted: FittedShank) -> bool:
    """Return whether the metal's front end is no wider than the shank."""
    sections = fitted.sections
    front = sections.along_mm > fitted.tip_along_mm - _FRONT_MM
    return bool((sections.radii_mm[front] <= _WIDE_FRONT * sections.shank_mm).all())


def _is_steep(fitted: FittedShank) -> bool:
    return abs(float(fitted.line.direction[2])) > _STEEP


def _goes_on_behind(voxels: Voxels, affine: ArrayLike, fitted: FittedShank) -> bool:
    """Return whether metal goes on well behind the entry, as a rod does behind a head."""
    back = fitted.entry_along_mm - np.arange(_ROD_FROM_MM, _ROD_TO_MM, 1.0)
    ticks = np.arange(-_ROD_REACH_MM, _ROD_REACH_MM + 0.5, 1.0)
    patch = np.stack(np.meshgrid(ticks, ticks, indexing="ij"), axis=-1).reshape(-1, 2)
    patch = patch[np.hypot(*patch.T) <= _ROD_REACH_MM]
    points = fitted.line.at(back)[:, None] + patch @ fitted.line.across()
    is_metal = sample_points(voxels, affine, points) >= fitted.threshold
    return bool(is_metal.any(axis=1).mean() > 0.5)  # noqa: PLR2004 - mostly


def _is_sleeved(voxels: Voxels, affine: ArrayLike, fitted: FittedShank) -> bool:
    """Return whether dimmer metal surrounds the shank well before its entry, as heads do a rod."""
    depths = np.arange(fitted.entry_along_mm + _SLEEVE_FROM_MM, fitted.tip_along_mm + 1.0, 1.0)
    turn = np.arange(16) * np.pi / 8.0
    ring = (fitted.sections.shank_mm + _SLEEVE_MM) * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    points = fitted.line.at(depths)[:, None] + ring @ fitted.line.across()
    is_metal = sample_points(voxels, affine, points) >= max(
        LEAST_METAL_HU, _OF_THE_EDGE * fitted.threshold
    )
    return int((is_metal.mean(axis=1) > 0.5).sum()) >= _SLEEVE_PLANES  # noqa: PLR2004 - half round


def _is_in_air(voxels: Voxels, affine: ArrayLike, fitted: FittedShank) -> bool:
    depths = np.linspace(fitted.entry_along_mm, fitted.tip_along_mm, 9)
    turn = np.arange(12) * np.pi / 6.0
    ring = (fitted.sections.shank_mm + 3.0) * np.stack([np.cos(turn), np.sin(turn)], axis=1)
    points = fitted.line.at(depths)[:, None] + ring @ fitted.line.across()
    return float(np.median(sample_points(voxels, affine, points))) < _AIR_HU


def stands_alone(fitted: FittedShank, shanks: Sequence[FittedShank]) -> bool:
    """Return whether a shank without a head lies far from every one that has one.

    So do fillings and joints of other places. Where no shank has a head, none stands alone.
    """
    headed = [each for each in shanks if each.is_headed]
    if fitted.is_headed or not headed:
        return False
    middle = fitted.axis.at(fitted.axis.length_mm / 2.0)
    away = [np.linalg.norm(each.axis.at(each.axis.length_mm / 2.0) - middle) for each in headed]
    return float(min(away)) > _ALONE_MM
