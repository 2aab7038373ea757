"""One vertebra as implicit solids: body, pedicles, arch with its processes, ribs."""

from __future__ import annotations

import itertools
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from .levels import LEVELS, SIDE_SIGN, Frame, LevelShape, Vector, spine_frames
from .solids import (
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

_PEDICLE_LENGTH_MM = 24.0
_ISTHMUS_BEHIND_BODY_MM = 2.0
_BODY_BLEND_MM = 1.8
_ARCH_BLEND_MM = 2.4
_Point = tuple[float, float, float]
_LEFT: _Point = (1.0, 0.0, 0.0)
_UP: _Point = (0.0, 0.0, 1.0)


@dataclass(frozen=True)
class PedicleAxis:
    """The middle of a pedicle's isthmus and its forward direction, LPS."""

    isthmus: Vector
    forward: Vector


@dataclass(frozen=True)
class VertebraFields:
    """Signed distances of one vertebra's regions and of its whole outer surface, (k, j, i)."""

    body: Field
    pedicles: Field
    arch: Field
    outer: Field


@dataclass(frozen=True)
class Vertebra:
    """A vertebra without metal, in LPS millimetres."""

    shape: LevelShape
    frame: Frame

    def pedicle_axis(self, side: str) -> PedicleAxis:
        """Return the axis of the pedicle on the patient's `side`, L or R."""
        size, sign = self.shape, SIDE_SIGN[side]
        width_mm, _, convergence_deg = size.pedicle(side)
        angle, rise = np.radians(convergence_deg), np.radians(size.pedicle_rise_deg)
        half_mm = width_mm / 2 / float(np.cos(angle))
        isthmus = (
            sign * (size.canal_width_mm / 2 + half_mm),
            size.half_depth_mm + _ISTHMUS_BEHIND_BODY_MM,
            size.pedicle_up_mm,
        )
        level = float(np.cos(rise))
        forward = (-sign * np.sin(angle) * level, -np.cos(angle) * level, float(np.sin(rise)))
        return PedicleAxis(self.frame.to_patient(isthmus), self.frame.turned(forward))

    def outer_distance(self, at: Coordinates) -> Field:
        """Return signed distances to the outer surface at points, negative in bone."""
        body = self._body.distance(at)
        pedicles = union_at(self._pedicles, at, _BODY_BLEND_MM)
        arch = self._without_canal(union_at(self._arch, at, _ARCH_BLEND_MM), at)
        return _joined(body, pedicles, arch)

    def body_distance(self, at: Coordinates) -> Field:
        """Return signed distances to the body alone at points."""
        return self._body.distance(at)

    def pedicle_distance(self, at: Coordinates) -> Field:
        """Return signed distances to the two pedicles alone at points."""
        return union_at(self._pedicles, at, _BODY_BLEND_MM)

    def fields(self, grid: Grid) -> VertebraFields:
        """Return the distances on a grid."""
        body = union_on((self._body,), grid, _BODY_BLEND_MM)
        pedicles = union_on(self._pedicles, grid, _BODY_BLEND_MM)
        arch = union_on(self._arch, grid, _ARCH_BLEND_MM)
        canal = union_on((self._canal, *self._window), grid, _ARCH_BLEND_MM)
        arch = -smooth_union(-arch, canal, 0.8)
        return VertebraFields(body, pedicles, arch, _joined(body, pedicles, arch))

    def corners(self) -> tuple[Vector, Vector]:
        """Return the lower and upper corner of a box round the whole vertebra."""
        boxes = [solid.corners() for solid in (self._body, *self._pedicles, *self._arch)]
        lower = np.min([box[0] for box in boxes], axis=0)
        upper = np.max([box[1] for box in boxes], axis=0)
        return lower, upper

    def _without_canal(self, arch: Field, at: Coordinates) -> Field:
        hollow = self._canal.distance(at)
        for window in self._window:
            hollow = smooth_union(hollow, window.distance(at), _ARCH_BLEND_MM)
        return -smooth_union(-arch, hollow, 0.8)

    def _beam(
        self,
        start: _Point,
        end: _Point,
        across: _Point,
        half_across_mm: tuple[float, float],
        half_upright_mm: tuple[float, float],
        cap_mm: float = 3.0,
    ) -> Beam:
        to_patient = self.frame.to_patient
        return Beam(
            to_patient(start),
            to_patient(end),
            self.frame.turned(across),
            half_across_mm,
            half_upright_mm,
            cap_mm,
        )

    @cached_property
    def _body(self) -> VertebralBody:
        return VertebralBody(self.shape, self.frame)

    @cached_property
    def _canal(self) -> Beam:
        size = self.shape
        middle = size.half_depth_mm + size.canal_depth_mm / 2 - 1.0
        half = size.height_mm / 2 + 16.0
        return self._beam(
            (0.0, middle, -half),
            (0.0, middle, half),
            (1.0, 0.0, 0.0),
            (size.canal_width_mm / 2 - 0.2,) * 2,
            (size.canal_depth_mm / 2 + 0.5,) * 2,
        )

    @cached_property
    def _window(self) -> tuple[Beam, ...]:
        """What a decompression took from the arch, nothing where there was none."""
        size = self.shape
        if not size.is_decompressed:
            return ()
        middle, half = size.half_depth_mm + size.canal_depth_mm + 12.0, size.height_mm / 2 + 16.0
        wide = size.canal_width_mm * 0.38
        start, end = (0.0, middle, -half), (0.0, middle, half)
        return (self._beam(start, end, (1.0, 0.0, 0.0), (wide, wide), (22.0, 22.0)),)

    @cached_property
    def _pedicles(self) -> tuple[Solid, ...]:
        size = self.shape
        beams = []
        for side, sign in SIDE_SIGN.items():
            axis = self.pedicle_axis(side)
            width_mm, height_mm, _ = size.pedicle(side)
            reach = axis.forward * (_PEDICLE_LENGTH_MM * size.scale) / 2
            beams.append(
                Beam(
                    axis.isthmus - reach,
                    axis.isthmus + reach,
                    self.frame.turned((sign, 0.0, 0.0)),
                    (width_mm / 2,) * 2,
                    (height_mm / 2,) * 2,
                    cap_mm=2.0,
                    exponent=2.5,
                    flare=(0.34, 0.2),
                )
            )
        return tuple(beams)

    @cached_property
    def _arch(self) -> tuple[Solid, ...]:
        build = _thoracic_processes if self.shape.is_thoracic else _lumbar_processes
        beams: list[Solid] = []
        for sign in SIDE_SIGN.values():
            beams.extend(self._beam(*arguments) for arguments in build(self.shape, sign))
        beams.append(self._beam(*_spinous_process(self.shape)))
        return tuple(beams)

    @cached_property
    def ribs(self) -> tuple[tuple[Beam, ...], ...]:
        """The two ribs of a thoracic level as bars from head to flank; none below."""
        if not self.shape.is_thoracic:
            return ()
        return tuple(self._rib(sign) for sign in SIDE_SIGN.values())

    def _rib(self, sign: float) -> tuple[Beam, ...]:
        back, wide = self.shape.half_depth_mm, self.shape.half_width_mm
        up, s, rise = self.shape.pedicle_up_mm, self.shape.scale, self.shape.rib_rise_mm
        course = [
            (sign * (wide + 4.6 * s), back - 8.5 * s, up + 3.0 + rise),
            (sign * (wide + 13.5 * s), back + 8.0 * s, up + rise / 2),
            (sign * (wide + 30.0 * s), back + 22.0 * s, up - 9.0),
            (sign * (wide + 50.0), back + 24.0, up - 22.0),
            (sign * (wide + 72.0), back + 14.0, up - 40.0),
        ]
        return tuple(
            self._beam(start, end, _UP, (5.0 * s, 5.2 * s), (3.2, 3.4), cap_mm=3.2)
            for start, end in itertools.pairwise(course)
        )


def _joined(body: Field, pedicles: Field, arch: Field) -> Field:
    return smooth_union(smooth_union(body, pedicles, _BODY_BLEND_MM), arch, _BODY_BLEND_MM)


_BeamArguments = tuple[_Point, _Point, _Point, tuple[float, float], tuple[float, float]]


def _lumbar_processes(size: LevelShape, sign: float) -> list[_BeamArguments]:
    back, low, s = size.half_depth_mm, -size.height_mm / 2, size.scale
    behind = back + size.canal_depth_mm
    canal, up = size.canal_width_mm / 2, size.pedicle_up_mm
    facet = canal + size.pedicle_width_mm / 2 + 2.5
    joint = s * size.facet_scale
    return [
        # superior articular process
        (
            (sign * (facet - 0.5), back + 11.0 * s, up - 3.0),
            (sign * (facet - 0.5), back + 14.5 * s, -low + 4.5 * s),
            _LEFT,
            (6.2 * joint, 4.2 * joint),
            (6.2 * joint, 4.6 * joint),
        ),
        # pars and lamina
        (
            (sign * (canal + 1.0), back + 13.5 * s, -1.0),
            (sign * 2.5, behind + 4.8 * s, -7.5 * s),
            _UP,
            (10.0 * s, 8.5 * s),
            (3.4 * s, 3.6 * s),
        ),
        # inferior articular process
        (
            (sign * (canal - 0.5), behind + 2.0, -9.0 * s),
            (sign * (canal + 1.5), behind + 3.5, low - 11.5 * s),
            _LEFT,
            (4.6 * joint, 4.2 * joint),
            (4.6 * joint, 4.2 * joint),
        ),
        # transverse process
        (
            (sign * (facet + 1.5), back + 12.0 * s, up - 2.5),
            (sign * (facet + 25.0 * s), back + 16.5 * s, up - 1.5),
            _UP,
            (5.2 * s, 4.0 * s),
            (3.2 * s, 2.4 * s),
        ),
    ]


def _thoracic_processes(size: LevelShape, sign: float) -> list[_BeamArguments]:
    back, low, s = size.half_depth_mm, -size.height_mm / 2, size.scale
    behind = back + size.canal_depth_mm
    canal, up = size.canal_width_mm / 2, size.pedicle_up_mm
    facing_sideways = size.level == "T12"
    lower_facet = canal - 0.5 if facing_sideways else canal - 2.0
    joint = s * size.facet_scale
    return [
        (
            (sign * (canal + 2.0), back + 11.0 * s, up - 3.0),
            (sign * (canal - 0.5), back + 14.0 * s, -low + 4.0 * s),
            _LEFT,
            (6.4 * joint, 4.8 * joint),
            (4.4 * joint, 3.0 * joint),
        ),
        (
            (sign * (canal + 2.0), back + 11.0 * s, -1.0),
            (sign * 2.2, behind + 4.0 * s, -6.5 * s),
            _UP,
            (9.5 * s, 8.0 * s),
            (3.3 * s, 3.4 * s),
        ),
        (
            (sign * (canal - 2.0), behind + 2.4, -8.0 * s),
            (sign * lower_facet, behind + 3.2, low - 8.5 * s),
            _LEFT,
            (4.8 * joint, 4.4 * joint),
            (3.4 * joint, 3.0 * joint),
        ),
        (
            (sign * (canal + 6.0 * s), back + 12.0 * s, up - 5.0 * s),
            (sign * (canal + 15.0 * s), back + 19.0 * s, up - 3.0 * s),
            _UP,
            (5.6 * s, 5.0 * s),
            (4.2 * s, 3.8 * s),
        ),
    ]


def _spinous_process(size: LevelShape) -> _BeamArguments:
    behind, s = size.half_depth_mm + size.canal_depth_mm, size.scale
    if size.is_thoracic:
        return (
            (0.0, behind + 4.0 * s, -6.5 * s),
            (0.0, behind + 23.0 * s, -17.0 * s - size.spinous_drop_mm),
            _LEFT,
            (2.6 * s, 3.1 * s),
            (6.8 * s, 5.6 * s),
        )
    return (
        (0.0, behind + 5.0 * s, -7.5 * s),
        (0.0, behind + 27.0 * s, -12.0 * s),
        _LEFT,
        (2.6 * s, 3.6 * s),
        (8.5 * s, 10.0 * s),
    )


def build_vertebrae() -> dict[str, Vertebra]:
    """Return the invented patient's vertebrae, cranial first."""
    frames = spine_frames()
    return {shape.level: Vertebra(shape, frames[shape.level]) for shape in LEVELS}
