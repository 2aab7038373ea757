"""A slow plain search of voxels for what stands outside bone, to judge the contour method by."""

from __future__ import annotations

import numpy as np
from scipy import ndimage

from demo_data.scenario.ct.solids import coordinates_of

WALLS = ("medial", "lateral", "cranial", "caudal")
CELL_MM = 0.1


def search(outer, entry, tip, radius, pedicle, inwards, *, half_mm=12.0):
    """Return each wall's extent from voxels of 0.1 mm: no contour, nearest change of voxel only.

    Twice: from the lines that surely cross that wall, and from those that possibly do, a voxel
    turning a short line's bearing by a few degrees.
    """
    forward = (tip - entry) / np.linalg.norm(tip - entry)
    medial = inwards - forward * np.dot(inwards, forward)
    medial = medial / np.linalg.norm(medial)
    cranial = np.cross(forward, medial)
    cranial = cranial * np.sign(cranial[2])
    middle = np.dot(pedicle.isthmus - entry, forward)
    planes = {}
    for step in range(-18, 19):
        planes[step] = _voxels(
            outer,
            entry + (middle + step / 2) * forward,
            forward,
            medial,
            cranial,
            pedicle,
            half_mm=half_mm,
        )
    closed = {step: plane for step, plane in planes.items() if plane is not None}
    isthmus = min(closed, key=lambda step: closed[step][0].sum())
    limit = 1.7 * closed[isthmus][0].sum()
    best = {wall: [0.0, 0.0] for wall in WALLS}
    for direction in (1, -1):
        step = isthmus
        while step in closed and closed[step][0].sum() <= limit:
            _extend(best, closed[step], radius)
            step += direction
    return best


def _voxels(outer, origin, forward, medial, cranial, pedicle, *, half_mm):
    travel = np.dot(origin - pedicle.isthmus, forward) / np.dot(pedicle.forward, forward)
    centre = pedicle.isthmus + travel * pedicle.forward - origin
    count = round(half_mm / CELL_MM)
    across = np.arange(-count, count + 1) * CELL_MM + np.dot(centre, medial)
    upright = np.arange(-count, count + 1) * CELL_MM + np.dot(centre, cranial)
    space = (
        origin
        + across[:, np.newaxis, np.newaxis] * medial
        + upright[np.newaxis, :, np.newaxis] * cranial
    )
    bone = (outer(coordinates_of(space.reshape(-1, 3))) < 0).reshape(len(across), -1)
    parts, _ = ndimage.label(bone)
    part = parts == parts[count, count]
    if not bone[count, count] or part[0].any() or part[-1].any() or part[:, 0].any():
        return None
    return None if part[:, -1].any() else (part, across, upright)


def _extend(best, plane, radius):
    part, across, upright = plane
    rim = []
    for axis in (0, 1):
        change = np.diff(part.astype(np.int8), axis=axis) != 0
        first, second = np.nonzero(change)
        half = CELL_MM / 2
        rim.append(
            np.column_stack(
                [across[first] + half * (axis == 0), upright[second] + half * (axis == 1)]
            )
        )
    rim = np.concatenate(rim)
    for degrees in range(0, 360, 2):
        point = radius * np.array([np.cos(np.radians(degrees)), np.sin(np.radians(degrees))])
        i = round((point[0] - across[0]) / CELL_MM)
        j = round((point[1] - upright[0]) / CELL_MM)
        if part[i, j]:
            continue
        away = point - rim[((rim - point) ** 2).sum(axis=1).argmin()]
        distance = float(np.hypot(*away))
        bearing = np.degrees(np.arctan2(away[1], away[0]))
        doubt = np.degrees(np.arctan2(CELL_MM, distance))
        for wall, middle in zip(WALLS, (0.0, 180.0, 90.0, -90.0), strict=True):
            off = abs((bearing - middle + 180) % 360 - 180)
            if off <= 45 - doubt:
                best[wall][0] = max(best[wall][0], distance)
            if off <= 45 + doubt:
                best[wall][1] = max(best[wall][1], distance)


def nearest_bone(outer, points, reach_mm, cell_mm=0.2):
    """Return each point's distance to the nearest bone voxel within `reach_mm`, inf if none."""
    ticks = np.arange(-reach_mm, reach_mm + cell_mm / 2, cell_mm)
    cube = np.stack(np.meshgrid(ticks, ticks, ticks, indexing="ij"), axis=-1).reshape(-1, 3)
    length = np.linalg.norm(cube, axis=1)
    order = np.argsort(length)
    cube, length = cube[order], length[order]
    found = []
    for point in points:
        bone = outer(coordinates_of(point + cube)) < 0
        found.append(length[bone.argmax()] if bone.any() else np.inf)
    return np.array(found)
