"""The sacrum as implicit solids: S1 with promontory and alae, canal, foramina; and the ilia."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from ..levels import SIDE_SIGN, Frame, LevelShape, Vector
from ..solids import (
    Beam,
    Coordinates,
    Field,
    Grid,
    Solid,
    VertebralBody,
    smooth_union,
    union_at,
    union_on,
)
from ..vertebra import PedicleAxis, VertebraFields

_BLEND_MM = 3.0
_EDGE_MM = 1.2
_ISTHMUS_BEHIND_BODY_MM = 7.5
_LEFT = (1.0, 0.0, 0.0)
_UP = (0.0, 0.0, 1.0)
_Point = tuple[float, float, float]
_Bar = tuple[_Point, _Point, _Point, tuple[float, float], tuple[float, float]]


@dataclass(frozen=True)
class Sacrum:
    """A sacrum whose first body has the shape `S1`, in LPS millimetres, with the iliac bones."""

    shape: LevelShape
    frame: Frame

    def pedicle_axis(self, side: str) -> PedicleAxis:
        """Return the axis of the first sacral pedicle: between canal and ala, above the foramen."""
        size, sign = self.shape, SIDE_SIGN[side]
        width_mm, _, convergence_deg = size.pedicle(side)
        angle, rise = np.radians(convergence_deg), np.radians(size.pedicle_rise_deg)
        isthmus = (
            sign * (size.canal_width_mm / 2 + width_mm / 2 / float(np.cos(angle))),
            size.half_depth_mm + _ISTHMUS_BEHIND_BODY_MM,
            size.pedicle_up_mm,
        )
        level = float(np.cos(rise))
        forward = (-sign * np.sin(angle) * level, -np.cos(angle) * level, np.sin(rise))
        return PedicleAxis(self.frame.to_patient(isthmus), self.frame.turned(forward))

    def outer_distance(self, at: Coordinates) -> Field:
        """Return signed distances to the outer surface at points, negative in bone."""
        front = smooth_union(self._body.distance(at), union_at(self._front, at, _BLEND_MM), 2.0)
        whole = smooth_union(front, union_at(self._behind, at, _BLEND_MM), 2.0)
        return -smooth_union(-whole, self.hollow_distance(at), _EDGE_MM)

    def body_distance(self, at: Coordinates) -> Field:
        """Return signed distances to the first body alone at points."""
        return self._body.distance(at)

    def pedicle_distance(self, at: Coordinates) -> Field:
        """Return signed distances to all that joins the body from behind and beside, at points."""
        return np.minimum(
            union_at(self._front, at, _BLEND_MM), union_at(self._behind, at, _BLEND_MM)
        )

    def hollow_distance(self, at: Coordinates) -> Field:
        """Return signed distances to canal and foramina at points, negative within them."""
        return union_at(self._hollow, at, _EDGE_MM)

    def fields(self, grid: Grid) -> VertebraFields:
        """Return the distances on a grid."""
        body = union_on((self._body,), grid, _BLEND_MM)
        front = union_on(self._front, grid, _BLEND_MM)
        behind = union_on(self._behind, grid, _BLEND_MM)
        hollow = union_on(self._hollow, grid, _EDGE_MM)
        whole = smooth_union(smooth_union(body, front, 2.0), behind, 2.0)
        outer = -smooth_union(-whole, hollow, _EDGE_MM)
        # Marrow fills body and alae alike, so only the back is arch.
        return VertebraFields(np.minimum(body, front), np.maximum(body, 9.0), behind, outer)

    def corners(self) -> tuple[Vector, Vector]:
        """Return the lower and upper corner of a box round the whole sacrum."""
        boxes = [solid.corners() for solid in (self._body, *self._front, *self._behind)]
        lower = np.min([box[0] for box in boxes], axis=0)
        return lower, np.max([box[1] for box in boxes], axis=0)

    def _bars(self, bars: list[_Bar], exponent: float = 2.0, cap_mm: float = 4.0) -> list[Solid]:
        place, turn = self.frame.to_patient, self.frame.turned
        return [
            Beam(place(start), place(end), turn(across), first, second, cap_mm, exponent)
            for start, end, across, first, second in bars
        ]

    @cached_property
    def _body(self) -> VertebralBody:
        return VertebralBody(self.shape, self.frame)

    @cached_property
    def _front(self) -> tuple[Solid, ...]:
        size, s = self.shape, self.shape.scale
        wide, deep, low = size.half_width_mm, size.half_depth_mm, -size.height_mm / 2
        canal, up = size.canal_width_mm / 2, size.pedicle_up_mm
        lower: list[_Bar] = [
            (
                (0.0, 1.0, low + 6.0),
                (0.0, 8.0 * s, low - 52.0 * s),
                _LEFT,
                (wide * 0.86, 9.0 * s),
                (deep * 0.85, 5.0 * s),
            )
        ]
        sides: list[_Bar] = []
        for side, sign in SIDE_SIGN.items():
            width_mm, height_mm, _ = size.pedicle(side)
            middle = canal + width_mm / 2
            sides += [
                # the ala, from the body's side to the sacro-iliac joint
                (
                    (sign * wide * 0.6, 4.0 * s, up - 1.0),
                    (sign * 45.0 * s, 11.0 * s, up - 9.0),
                    _UP,
                    (height_mm * 0.62, 19.0 * s),
                    (11.0 * s, 14.5 * s),
                ),
                # the lateral mass beside the foramina
                (
                    (sign * 40.0 * s, 12.0 * s, up - 8.0),
                    (sign * 21.0 * s, 15.0 * s, low - 48.0 * s),
                    _LEFT,
                    (9.0 * s, 7.0 * s),
                    (13.0 * s, 7.0 * s),
                ),
                # the bar between the first and the second foramen
                (
                    (sign * 10.0 * s, 6.0 * s, low - 7.0 * s),
                    (sign * 30.0 * s, 10.0 * s, low - 9.0 * s),
                    _UP,
                    (5.0 * s, 5.0 * s),
                    (9.0 * s, 10.0 * s),
                ),
                # the pedicle itself
                (
                    (sign * middle, deep + 8.5 * s, up),
                    (sign * (middle - 4.0), deep - 10.0 * s, up),
                    _LEFT,
                    (width_mm / 2, width_mm / 2),
                    (height_mm / 2, height_mm / 2),
                ),
            ]
        return tuple(self._bars(lower, 2.4) + self._bars(sides, 2.3))

    @cached_property
    def _behind(self) -> tuple[Solid, ...]:
        size, s = self.shape, self.shape.scale
        deep, low = size.half_depth_mm, -size.height_mm / 2
        canal, behind = size.canal_width_mm / 2, deep + size.canal_depth_mm
        joint = s * size.facet_scale
        bars: list[_Bar] = [
            # the roof of the canal and the crest on it
            (
                (0.0, behind + 3.5 * s, -4.0 * s),
                (0.0, behind - 1.0 * s, low - 46.0 * s),
                _LEFT,
                (canal + 3.0, 10.0 * s),
                (3.2 * s, 3.0 * s),
            ),
            (
                (0.0, behind + 9.0 * s, -5.0 * s),
                (0.0, behind + 3.0 * s, low - 40.0 * s),
                _LEFT,
                (2.6 * s, 2.4 * s),
                (6.0 * s, 4.5 * s),
            ),
        ]
        for sign in SIDE_SIGN.values():
            bars += [
                # superior articular process
                (
                    (sign * (canal + 4.5 * s), deep + 9.5 * s, 0.0),
                    (sign * (canal + 4.0 * s), behind - 1.0 * s, -low + 5.0 * s),
                    _LEFT,
                    (7.0 * joint, 4.6 * joint),
                    (6.5 * joint, 4.6 * joint),
                ),
                # lamina down to the side of the crest
                (
                    (sign * (canal + 5.0 * s), behind, -2.0),
                    (sign * 14.0 * s, behind - 1.0, low - 40.0 * s),
                    _LEFT,
                    (5.5 * s, 5.0 * s),
                    (4.5 * s, 4.0 * s),
                ),
            ]
        return tuple(self._bars(bars))

    @cached_property
    def _hollow(self) -> tuple[Solid, ...]:
        size, s = self.shape, self.shape.scale
        deep, low = size.half_depth_mm, -size.height_mm / 2
        _, height_mm, _ = size.pedicle("L")
        middle = deep + size.canal_depth_mm / 2 - 0.5
        # The first foramen's roof is the pedicle's floor.
        roof = size.pedicle_up_mm - height_mm / 2
        bars: list[_Bar] = [
            (
                (0.0, middle + 0.5, -low + 14.0),
                (0.0, middle + 0.5, low - 60.0 * s),
                _LEFT,
                (size.canal_width_mm / 2, 6.0 * s),
                (size.canal_depth_mm / 2, 3.5 * s),
            )
        ]
        for sign, (height, radius) in itertools.product(
            SIDE_SIGN.values(), ((roof - 5.4 * s, 5.4 * s), (roof - 25.0 * s, 4.4 * s))
        ):
            outwards = size.canal_width_mm / 2 + (-2.0 if height < low else 3.5)
            bars += [
                # from the canal forwards and outwards, with the root
                (
                    (sign * outwards, middle + 2.0, height + 0.8),
                    (sign * (outwards + 7.0 * s), -deep - 6.0, height - 1.5),
                    _LEFT,
                    (radius, radius * 1.15),
                    (radius, radius * 1.05),
                ),
                # and backwards
                (
                    (sign * (outwards + 0.5), middle, height),
                    (sign * (outwards + 2.5), middle + 24.0, height - 3.0),
                    _LEFT,
                    (radius * 0.72, radius * 0.72),
                    (radius * 0.8, radius * 0.8),
                ),
            ]
        return tuple(self._bars(bars))

    @cached_property
    def ribs(self) -> tuple[tuple[Beam, ...], ...]:
        """The iliac bones beside the sacro-iliac joints, each as plates joined end to end."""
        s, up = self.shape.scale, self.shape.pedicle_up_mm
        plates = []
        for sign in SIDE_SIGN.values():
            course = [
                (sign * 47.0 * s, 50.0 * s, up - 24.0),
                (sign * 55.0 * s, 26.0 * s, up - 14.0),
                (sign * 60.5 * s, 4.0 * s, up - 6.0),
                (sign * 78.0 * s, -30.0 * s, up + 6.0),
            ]
            plates.append(
                tuple(
                    Beam(
                        self.frame.to_patient(start),
                        self.frame.to_patient(end),
                        self.frame.turned(_UP),
                        (34.0 * s, 34.0 * s),
                        (thick * s, thin * s),
                        4.0,
                        3.0,
                    )
                    for (start, end), (thick, thin) in zip(
                        itertools.pairwise(course),
                        ((8.0, 7.5), (7.5, 6.0), (6.0, 4.0)),
                        strict=True,
                    )
                )
            )
        return tuple(plates)
