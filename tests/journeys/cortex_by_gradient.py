"""Marks of a pedicle's outer cortex, and of a body's front, from image gradients alone.

It stands in for a registrar's eye and sees the Hounsfield values of the pictures that the page was
sent, nothing else. From the middle of the bone it looks outwards in even directions for the fall
from dense cortex to what lies outside and takes the place where it is half way down. What lies
close to metal is left out, as are sections in which the bone goes on into its neighbour.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    Floats = NDArray[np.float64]
    Place = tuple[float, float]

# All of these are the script's own choices, without a source.
METAL_HU = 1900.0
CORTEX_HU = 1150.0
"""What thick cortex reads: whatever is brighter has metal in it."""
DENSE_HU, BONE_HU = 500.0, 350.0
OUTSIDE_HU, OUTSIDE_FOR_MM = 120.0, 0.8
"""Soft parts read less than this, for at least this long."""
LEAST_HU = -2000.0
"""A scan has no value under this; a section has where it goes beyond the scan."""
STEP_MM, REACH_MM, RAYS = 0.05, 15.0, 72
CORTEX_MM = 2.0
NEAR_METAL_MM = 0.9
"""An edge that lies closer than this to metal may be the metal's own."""
FARTHEST_FROM_NEIGHBOURS_MM = 0.3
LEAST_SEEN, MOST_UNEXPLAINED = RAYS // 2, RAYS // 9
"""Directions with an edge, and without one that no metal hides."""
LARGEST_AREA_RATIO = 1.2
"""Sections up to this many times the narrowest are marked."""
FRONT_STEP_MM, FRONT_REACH_MM = 3.0, 12.0


@dataclass(frozen=True)
class Outline:
    """What was seen on one section.

    `radii_mm` are distances from `centre_mm` in `RAYS` even directions, counted from medial
    towards cranial, NaN where the cortex is not seen.
    """

    depth_mm: float
    centre_mm: Floats
    radii_mm: Floats

    @property
    def area_mm2(self) -> float:
        """The area within, straight across what is hidden."""
        seen = np.flatnonzero(np.isfinite(self.radii_mm))
        radii = np.interp(np.arange(RAYS), seen, self.radii_mm[seen], period=RAYS)
        return float(0.5 * np.sum(radii * np.roll(radii, 1)) * np.sin(2 * np.pi / RAYS))

    def marks(self, count: int) -> list[Place]:
        """Return places of the cortex at even steps from one side of the hidden arc to the other.

        Section coordinates (medial, cranial) in millimetres, whole hundredths.
        """
        seen = np.flatnonzero(np.isfinite(self.radii_mm))
        gaps = np.diff(seen, append=seen[0] + RAYS)
        seen = np.roll(seen, -1 - int(gaps.argmax()))
        last = len(seen) - (1 if gaps.max() > 1 else len(seen) / count)
        chosen = seen[np.rint(np.linspace(0, last, count)).astype(int)]
        places = self.centre_mm + self.radii_mm[chosen, None] * _directions()[chosen]
        return [(round(float(u), 2), round(float(v), 2)) for u, v in places]

    def reach_mm(self, hour: float, middle_mm: Place) -> float | None:
        """Return how far from a middle the cortex is met in an hour's direction, None if unseen.

        Hours are a clock's: cranial at 12, medial at 3. Where it is met twice, the farther one.
        """
        places = self.centre_mm + self.radii_mm[:, None] * _directions() - middle_mm
        angle = 2 * np.pi * hour / 12
        along = places @ np.array([np.sin(angle), np.cos(angle)])
        beside = places @ np.array([np.cos(angle), -np.sin(angle)])
        on, after = np.roll(along, -1), np.roll(beside, -1)
        with np.errstate(invalid="ignore", divide="ignore"):
            met = along + (on - along) * beside / (beside - after)
            is_met = (beside * after <= 0) & (beside != after) & (met > 0)
        return round(float(met[is_met].max()), 2) if is_met.any() else None

    def inner_mm(self, place_mm: Place) -> float:
        """Return how far within the seen cortex a place lies; below nought it lies outside."""
        seen = np.isfinite(self.radii_mm)
        places = (self.centre_mm + self.radii_mm[:, None] * _directions())[seen]
        away = np.asarray(place_mm) - self.centre_mm
        turned = np.arctan2(away[1], away[0]) % (2 * np.pi)
        angles = np.linspace(0.0, 2.0 * np.pi, RAYS, endpoint=False)[seen]
        edge = np.interp(turned, angles, self.radii_mm[seen], period=2 * np.pi)
        near = float(np.hypot(*(places - place_mm).T).min())
        return near if np.hypot(*away) < edge else -near


def outlines(
    sections: NDArray[np.int16], depths_mm: Sequence[float], spacing_mm: float
) -> list[Outline]:
    """Return the pedicle's outlines: the narrowest and its like on both sides, in order of depth.

    `sections` are (section, row, column) with medial at the right and cranial on top, the screw's
    axis in the middle.
    """
    seen = [
        _outline(section.astype(np.float64), depth, spacing_mm)
        for section, depth in zip(sections, depths_mm, strict=True)
    ]
    run = _longest_run(seen)
    assert run, "no section shows a closed ring"
    limit = LARGEST_AREA_RATIO * min(each.area_mm2 for each in run)
    return _longest_run([each if each.area_mm2 <= limit else None for each in run])


def front_marks(
    picture: NDArray[np.int16], start_mm: float, spacing_mm: float, hidden_mm: float
) -> list[Place]:
    """Return places (depth, across) of the body's front on a picture along the axis.

    The first dense bone met coming from the front, above and below the screw; `hidden_mm` to
    either side of the axis the screw is in the way.
    """
    smooth = ndimage.gaussian_filter(picture.astype(np.float64), 0.2 / spacing_mm)
    rows, columns = smooth.shape
    found = []
    for across in np.arange(-FRONT_REACH_MM, FRONT_REACH_MM + 1e-6, FRONT_STEP_MM):
        if abs(across) < hidden_mm:
            continue
        backwards = smooth[round((rows - 1) / 2.0 - across / spacing_mm), ::-1]
        within = round(CORTEX_MM / spacing_mm)
        first = int(np.argmax(backwards > BONE_HU))
        crest = first + int(backwards[first : first + within].argmax())
        half = (backwards[crest] + np.median(backwards[first - within : first - 2])) / 2.0
        before = int(np.flatnonzero(backwards[:crest] < half)[-1])
        share = (half - backwards[before]) / (backwards[before + 1] - backwards[before])
        depth = start_mm + (columns - 0.5 - before - share) * spacing_mm
        found.append((round(float(depth), 2), float(across)))
    usual = float(np.median([depth for depth, _ in found]))
    return [(depth, across) for depth, across in found if abs(depth - usual) <= CORTEX_MM]


def _directions() -> Floats:
    """Return unit vectors in even directions, shape (RAYS, 2)."""
    angles = np.linspace(0.0, 2.0 * np.pi, RAYS, endpoint=False)
    return np.column_stack([np.cos(angles), np.sin(angles)])


def _longest_run(seen: Sequence[Outline | None]) -> list[Outline]:
    runs: list[list[Outline]] = [[]]
    for each in seen:
        if each is None:
            runs.append([])
        else:
            runs[-1].append(each)
    return max(runs, key=len)


def _outline(section: Floats, depth_mm: float, spacing_mm: float) -> Outline | None:
    # Where the scan ends nothing is seen: neither bone nor what lies outside it.
    section = np.where(section > LEAST_HU, section, OUTSIDE_HU + 1.0)
    smooth = ndimage.gaussian_filter(section, 0.2 / spacing_mm)
    dense = smooth > BONE_HU
    filled = ndimage.binary_fill_holes(dense)
    centre = _middle(filled, spacing_mm)
    if centre is None:
        return None
    # Marrow may be as dark as soft parts; what bone and metal enclose is not outside.
    smooth[filled & ~dense] = np.maximum(smooth[filled & ~dense], BONE_HU)
    from_metal_mm = spacing_mm * ndimage.distance_transform_edt(section < METAL_HU)
    reach = np.arange(0.0, REACH_MM, STEP_MM)
    rays = centre + reach[None, :, None] * _directions()[:, None]
    middle = (len(section) - 1) / 2.0
    pixels = [middle - rays[..., 1] / spacing_mm, middle + rays[..., 0] / spacing_mm]
    profiles = ndimage.map_coordinates(smooth, pixels, order=1, mode="nearest")
    apart = ndimage.map_coordinates(from_metal_mm, pixels, order=1, mode="nearest")
    found = np.array([_edge_mm(profile) for profile in profiles])
    is_found = np.isfinite(found)
    at = np.where(is_found, found / STEP_MM, 0.0).astype(int)
    is_hidden = is_found & (apart[np.arange(RAYS), at] < NEAR_METAL_MM)
    radii = _without_strays(np.where(is_hidden, np.nan, found))
    is_seen = np.isfinite(radii)
    if (~is_seen & ~is_hidden).sum() > MOST_UNEXPLAINED or is_seen.sum() < LEAST_SEEN:
        return None
    return Outline(depth_mm, centre, radii)


def _middle(filled: NDArray[np.bool_], spacing_mm: float) -> Floats | None:
    """Return the middle of the bone and metal that the section's middle lies in."""
    parts, _ = ndimage.label(filled)
    number = parts[len(filled) // 2, len(filled) // 2]
    if number == 0:
        return None
    row, column = ndimage.center_of_mass(parts == number)
    half = (len(filled) - 1) / 2.0
    return np.array([(column - half) * spacing_mm, (half - row) * spacing_mm])


def _edge_mm(profile: Floats) -> float:
    """Return where the outer cortex ends along a ray, NaN where it does not."""
    held = round(OUTSIDE_FOR_MM / STEP_MM)
    brightest = np.lib.stride_tricks.sliding_window_view(profile, held).max(axis=1)
    for end in np.flatnonzero(brightest < OUTSIDE_HU):
        before = profile[max(0, end - round(CORTEX_MM / STEP_MM)) : end]
        if len(before) == 0 or before.max() < DENSE_HU:
            continue
        crest = min(CORTEX_HU, float(before.max()))
        half = (crest + float(np.median(profile[end : end + held]))) / 2.0
        last = int(np.flatnonzero(profile[:end] >= half)[-1])
        share = (profile[last] - half) / (profile[last] - profile[last + 1])
        return (last + float(share)) * STEP_MM
    return float("nan")


def _without_strays(radii: Floats) -> Floats:
    """Leave out what the two neighbours on either side, or one on each, do not lead to."""
    back, behind = np.roll(radii, 1), np.roll(radii, 2)
    on, beyond = np.roll(radii, -1), np.roll(radii, -2)
    led_to = np.stack([(back + on) / 2.0, 2.0 * back - behind, 2.0 * on - beyond])
    borne_out = np.abs(led_to - radii) <= FARTHEST_FROM_NEIGHBOURS_MM
    return np.where(borne_out.any(axis=0), radii, np.nan)
