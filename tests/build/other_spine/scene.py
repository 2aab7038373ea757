"""A whole scene: spine, screws, scan and truth."""

from __future__ import annotations

import hashlib
import json
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np

from tests.build.other_spine.metal import assemble, cage_above
from tests.build.other_spine.placing import PlacedScrew, Placement, place, sides_of
from tests.build.other_spine.scan import Field, Scan, bed_for
from tests.build.other_spine.spine import draw_spine

VERSION = 4


@dataclass(frozen=True)
class Options:
    """What a scene may be given.

    levels : a run of neighbouring levels, cranial first, T1 to S1
    placements : the screws; None is one contained screw a side and level
    alloy, rod_alloy : 'titanium', 'cobalt-chrome' or 'steel'; rods are as screws when None
    rods, cross_link : whether rods join the heads of a side, and a bar the two rods
    cages : levels with a hollow metal cage in the disc above them
    orientation : 'supine', 'prone', 'feet-first' or 'oblique' (the stack turned in all axes)
    roll_deg : the patient turned about the long axis
    curve_deg : a sideways curve over the operated levels, with axial rotation
    density : bone mineral against an ordinary adult's
    noise : factor of the standard deviation of the photons' noise
    kernel : 'smooth' or 'sharp'
    slice_mm, pixel_mm, field_mm, margin_mm : of the reconstructed field
    highest_hu : where the scale ends: 3071, or more for an extended scale
    """

    levels: tuple[str, ...] = ("L2", "L3", "L4", "L5")
    placements: tuple[Placement, ...] | None = None
    alloy: str = "titanium"
    rod_alloy: str | None = None
    rods: bool = True
    cross_link: bool = False
    cages: tuple[str, ...] = ()
    orientation: str = "supine"
    roll_deg: float = 0.0
    curve_deg: float = 0.0
    density: float = 1.0
    noise: float = 1.0
    kernel: str = "smooth"
    slice_mm: float = 0.8
    pixel_mm: float = 0.5
    field_mm: float = 120.0
    margin_mm: float = 16.0
    highest_hu: int = 3071


@dataclass(frozen=True)
class OtherScene:
    """A drawn scan and the truth of its screws.

    voxels : int16, (slice, row, column), HU
    affine : (4, 4), (i, j, k, 1) to LPS mm
    screws : in the order of the placements
    midplanes : by level, (point, normal) of the plane of symmetry, LPS
    endplates : by level, the upper endplate's normal, LPS
    """

    voxels: np.ndarray
    affine: np.ndarray
    screws: tuple[PlacedScrew, ...]
    midplanes: dict[str, tuple[tuple[float, ...], tuple[float, ...]]]
    endplates: dict[str, tuple[float, ...]]


def other_scene(seed: int, *, cache: Path | None = None, **options) -> OtherScene:
    """Return the scene of a seed and `Options`; the same seed and levels give the same spine.

    cache : a folder in which finished scenes are kept, or None
    """
    chosen = Options(**options)
    if cache is None:
        return _drawn(seed, chosen)
    text = json.dumps([VERSION, seed, asdict(chosen)], sort_keys=True)
    kept = Path(cache) / f"other_{hashlib.sha256(text.encode()).hexdigest()[:16]}.npz"
    if kept.exists():
        return _load(kept)
    scene = _drawn(seed, chosen)
    _save(kept, scene)
    return scene


def placed_screws(seed: int, options: Options):
    """Return (spine, [(screw, shank)]): the truth without a scan."""
    levels = tuple(options.levels)
    rng = np.random.default_rng([seed, 1])
    spine = draw_spine(levels, rng, options.curve_deg, options.roll_deg)
    wanted = sides_of(levels) if options.placements is None else options.placements
    return spine, [
        place(spine, w, np.random.default_rng([seed, 2, n]), options.alloy)
        for n, w in enumerate(wanted)
    ]


def _drawn(seed: int, options: Options) -> OtherScene:
    spine, placed = placed_screws(seed, options)
    rng = np.random.default_rng([seed, 5])
    cages = [_cage(spine, level, rng) for level in options.cages]
    hardware = assemble([shank for _, shank in placed], cages, options)
    members = [spine.at(level) for level in options.levels]
    bed = bed_for(members, options.orientation, np.random.default_rng([seed, 3]))
    field = Field.around(bed, members, options)
    scan = Scan(spine, hardware, bed, field, options, np.random.default_rng([seed, 4]))
    return OtherScene(
        scan.voxels(),
        field.affine(bed),
        tuple(screw for screw, _ in placed),
        {m.bone.level: (tuple(m.place), tuple(m.turn[:, 0])) for m in members},
        {m.bone.level: tuple(m.turn[:, 2]) for m in members},
    )


def _cage(spine, level: str, rng):
    above = spine.members[spine.members.index(spine.at(level)) - 1]
    return cage_above(spine.at(level), above.bone.sizes.disc_mm, float(rng.choice((-1.0, 1.0))))


def _save(path: Path, scene: OtherScene) -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    told = {
        "screws": [asdict(screw) for screw in scene.screws],
        "midplanes": scene.midplanes,
        "endplates": scene.endplates,
    }
    part = path.with_suffix(".part.npz")
    np.savez_compressed(part, voxels=scene.voxels, affine=scene.affine, told=json.dumps(told))
    part.replace(path)


def _load(path: Path) -> OtherScene:
    with np.load(path) as held:
        told = json.loads(str(held["told"]))
        screws = tuple(
            PlacedScrew(**{**s, "entry": tuple(s["entry"]), "tip": tuple(s["tip"])})
            for s in told["screws"]
        )
        planes = {level: tuple(map(tuple, pair)) for level, pair in told["midplanes"].items()}
        ends = {level: tuple(normal) for level, normal in told["endplates"].items()}
        return OtherScene(held["voxels"], held["affine"], screws, planes, ends)
