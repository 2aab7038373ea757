"""A drawn volume with one screw, its head and a rod, whose axis is known by construction."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

SOFT_HU, BONE_HU = 50, 300


@dataclass(frozen=True)
class Phantom:
    voxels: np.ndarray
    affine: np.ndarray
    entry: np.ndarray
    tip: np.ndarray
    rod: np.ndarray | None


def turned(degrees_right: float, degrees_down: float) -> np.ndarray:
    """Return a unit vector forwards, turned to +x and then down."""
    right, down = np.deg2rad([degrees_right, degrees_down])
    return np.array([np.sin(right) * np.cos(down), -np.cos(right) * np.cos(down), -np.sin(down)])


def _segment_distance(points: np.ndarray, start: np.ndarray, stop: np.ndarray) -> tuple:
    """Return the distance beside the line and along it from start."""
    direction = (stop - start) / np.linalg.norm(stop - start)
    along = (points - start) @ direction
    return np.linalg.norm(points - start - along[..., None] * direction, axis=-1), along


def _cylinder(points: np.ndarray, start: np.ndarray, stop: np.ndarray, radius: float):
    """Return the signed distance (negative inside) of a flat-ended cylinder."""
    beside, along = _segment_distance(points, start, stop)
    length = np.linalg.norm(stop - start)
    outside = np.stack([beside - radius, np.maximum(-along, along - length)])
    return np.where(
        (outside > 0).all(axis=0), np.hypot(*np.maximum(outside, 0)), outside.max(axis=0)
    )


def metal_phantom(
    direction: np.ndarray,
    *,
    length: float = 42.0,
    radius: float = 3.25,
    metal_hu: float = 3071.0,
    voxel: tuple[float, float, float] = (0.5, 0.5, 0.6),
    has_rod: bool = True,
    noise_hu: float = 12.0,
    turn: float = 0.0,
    seed: int = 0,
) -> Phantom:
    """Return a volume about the screw; `turn` degrees tilt the voxel grid about x."""
    span = 76.0
    count = np.ceil(span / np.array(voxel)).astype(int)
    c, s = np.cos(np.deg2rad(turn)), np.sin(np.deg2rad(turn))
    axes = np.array([[1, 0, 0], [0, c, -s], [0, s, c]])
    affine = np.eye(4)
    affine[:3, :3] = axes * np.array(voxel)
    affine[:3, 3] = -axes @ (np.array(voxel) * (count - 1) / 2)
    grid = np.stack(np.meshgrid(*[np.arange(n) for n in count], indexing="ij"), axis=-1)
    points = grid @ affine[:3, :3].T + affine[:3, 3]
    tip = 24.0 * direction + 0.3
    entry = tip - length * direction
    head = entry - 5.0 * direction
    signed = _cylinder(points, entry - 2.0 * direction, tip, radius)
    signed = np.minimum(signed, np.linalg.norm(points - head, axis=-1) - 6.0)
    rod = None
    if has_rod:
        rod = np.array([0.05, 0.3, 1.0]) / np.linalg.norm([0.05, 0.3, 1.0])
        middle = head - 3.0 * direction
        signed = np.minimum(signed, _cylinder(points, middle - 60 * rod, middle + 60 * rod, 2.75))
    share = np.clip(0.5 - signed / max(voxel), 0.0, 1.0)
    values = BONE_HU + (metal_hu - BONE_HU) * share
    values = values + np.random.default_rng(seed).normal(0.0, noise_hu, values.shape)
    voxels = np.rint(np.clip(values, -1024, 30000)).astype(np.int16).transpose(2, 1, 0)
    return Phantom(np.ascontiguousarray(voxels), affine, entry, tip, rod)
