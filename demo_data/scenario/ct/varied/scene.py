"""What a scene holds: everything that is drawn, as plain numbers; nothing in it is drawn yet."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from ..bone import BoneLook
from ..streaks import StreakLook

if TYPE_CHECKING:
    from ..levels import LevelShape
    from ..placement import ScrewPlan


@dataclass(frozen=True)
class Anatomy:
    """The spine: vertebrae cranial first and, below L5, the sacrum.

    `shapes` may end in S1; tilts, leans and turns stand in each shape. A shape of `L5` above `S1`
    is asked for.
    """

    shapes: tuple[LevelShape, ...]

    @property
    def levels(self) -> tuple[str, ...]:
        """The names of the levels, cranial first."""
        return tuple(shape.level for shape in self.shapes)


@dataclass(frozen=True)
class SceneScrew:
    """One screw: where it was put, and whether log and scan have it.

    `is_logged` without `is_drawn` is missing from the scan, the other way round is an extra one.
    `proud_mm` is how far the shank stands out behind the bone, `has_head` whether a polyaxial
    head sits on it and `on_rod` whether the rod runs through it. `aim` says what was wanted of it
    (`contained`, `medial`, ...); the truth is measured, never taken from it.
    """

    plan: ScrewPlan
    number: int = 1
    is_logged: bool = True
    is_drawn: bool = True
    has_head: bool = True
    on_rod: bool = True
    proud_mm: float = 0.0
    aim: str = "contained"


@dataclass(frozen=True)
class Cage:
    """A cage in the disc below `level`; offsets from the disc's middle in millimetres."""

    level: str
    is_titanium: bool
    wide_mm: float = 24.0
    deep_mm: float = 11.0
    left_mm: float = 0.0
    back_mm: float = 0.0


@dataclass(frozen=True)
class Hardware:
    """What joins the screws, and what metal it is.

    `cross_links` are shares (0 to 1) of the rods' common height, `second_rods` the sides (L, R)
    with a rod running beside the first over a share of its length, `graft` counts the pieces of
    bone laid beside the arches. Hounsfield values are those in
    the middle of a thick part.
    """

    shank_hu: float = 3400.0
    head_hu: float = 5200.0
    rod_hu: float = 6800.0
    has_rods: bool = True
    rod_radius_mm: float = 2.75
    cross_links: tuple[float, ...] = ()
    second_rods: tuple[str, ...] = ()
    cages: tuple[Cage, ...] = ()
    graft: int = 0
    thread_pitch_mm: float = 2.8
    thread_depth_mm: float = 0.5
    taper_mm: float = 7.0


@dataclass(frozen=True)
class Scanner:
    """The scanner, its kernel and how the patient lies.

    Slices are averaged over their thickness, which is their spacing. `roll_deg` turns the patient
    about the long axis, `tilt_deg` and `swing_deg` turn the slices about the patient's left-right
    and front-back axes. `slices_run_up` says whether k rises to the head. `margin_mm` is what is
    kept round the spine, `offset_mm` where the couch puts it.
    """

    in_plane_mm: float = 0.45
    slice_mm: float = 1.0
    sharpness_mm: float = 0.36
    overshoot: float = 0.0
    grain_hu: float = 24.0
    grain_mm: float = 0.36
    is_twelve_bit: bool = False
    is_prone: bool = False
    is_feet_first: bool = False
    slices_run_up: bool = True
    roll_deg: float = 0.0
    tilt_deg: float = 0.0
    swing_deg: float = 0.0
    margin_mm: float = 22.0
    offset_mm: tuple[float, float, float] = (0.0, 0.0, 0.0)
    bloom_mm: float = 0.0
    streaks: StreakLook = field(default_factory=StreakLook)


@dataclass(frozen=True)
class Scene:
    """One drawn patient; `seed` draws the textures and the noise, all else is stated."""

    seed: int
    anatomy: Anatomy
    screws: tuple[SceneScrew, ...]
    hardware: Hardware = field(default_factory=Hardware)
    bone: BoneLook = field(default_factory=BoneLook)
    scanner: Scanner = field(default_factory=Scanner)
