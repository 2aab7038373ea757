"""A scene drawn by lot from one seed; whatever is asked for is fixed, all else varies."""

from __future__ import annotations

from dataclasses import fields, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from .aims import AIMS, aimed
from .looks import chance_bone, chance_build, chance_hardware, chance_scanner
from .scene import Anatomy, Cage, Scene, SceneScrew
from .shapes import NAMES, Build, level_range, shapes_of
from .spine import bones_of, upright_frames

if TYPE_CHECKING:
    from collections.abc import Mapping

    import numpy.typing as npt

    from .spine import Bony

# How often each aim is drawn, in the order of AIMS.
_OFTEN = np.array([60.0, 8.0, 9.0, 4.0, 5.0, 5.0, 2.5, 2.5, 1.5, 2.5])
_LEAST_MM, _MOST_MM = 0.3, 8.0
_CONSTRUCTS = (
    (("L3", "L5"), ("L4", "S1"), ("L2", "L5"), ("L3", "S1"), ("L5", "S1"), ("L4", "L5")),
    (("T11", "L2"), ("T12", "L3"), ("T10", "L3"), ("T9", "L1"), ("T10", "L1")),
    (("T4", "T9"), ("T5", "T10"), ("T3", "T8"), ("T6", "T12")),
    (("T4", "L2"), ("T9", "S1"), ("T10", "S1"), ("T5", "L3")),
)
_KINDS = np.array([0.4, 0.25, 0.2, 0.15])
_UNILATERAL, _LEFT_OUT, _MISSING, _EXTRA, _RETAINED, _SECOND = 0.1, 0.07, 0.15, 0.15, 0.12, 0.12
_SECOND_FITS_MM = (8.0, 13.0)
_SECOND_CONVERGES_DEG = 9.0


def random_scene(seed: int, **fixed: Any) -> Scene:  # noqa: ANN401 - each field has its own type
    """Return a scene drawn from `seed`; what is named in `fixed` is taken as given.

    `fixed` may hold any field of `Build`, `Hardware`, `Scanner` or `Scene`, and

    - `operated`: first and last level, such as ("L3", "S1");
    - `aims`: {(level, side): (aim, extent in mm)} of screws that are to be there;
    - `only_aims`: a (level, side) not in `aims` is contained;
    - `metal`: "titanium", "cobalt-chrome rods" or "cobalt-chrome";
    - `is_osteoporotic`, `kernel` ("sharp" or "soft"), `noise` (1 to 3);
    - `is_unilateral`, `missing`, `extra`, `retained`, `second`: whether there is one such.

    The lot of one topic does not depend on what is fixed of another.

    Raises
    ------
    TypeError : a name that is none of these
    """
    wanted = _Wanted(fixed)
    operated = wanted.take("operated", _operated(_lot(seed, 0)))
    build = wanted.replaced(chance_build(_lot(seed, 1), operated))
    anatomy = wanted.take("anatomy", None) or _anatomy(operated, build, _lot(seed, 2))
    bones = bones_of(anatomy, upright_frames(anatomy.shapes))
    screws = wanted.take("screws", None) or _screws(seed, operated, bones, wanted)
    metal, kernel = wanted.take("metal", None), wanted.take("kernel", None)
    hardware, bloom, streaks = chance_hardware(_lot(seed, 6), metal)
    hardware = replace(hardware, cages=_cages(_lot(seed, 7), operated))
    hardware = wanted.take("hardware", wanted.replaced(hardware))
    noise = wanted.take("noise", None)
    scanner = chance_scanner(_lot(seed, 8), kernel, noise, len(level_range(*operated)))
    scanner = replace(scanner, bloom_mm=bloom, streaks=streaks)
    scanner = wanted.take("scanner", wanted.replaced(scanner))
    bone = chance_bone(_lot(seed, 9), is_osteoporotic=wanted.take("is_osteoporotic", None))
    bone = wanted.take("bone", bone)
    wanted.refuse_rest()
    return Scene(seed, anatomy, screws, hardware, bone, scanner)


class _Wanted:
    """What was fixed, and what of it has been used."""

    def __init__(self, fixed: Mapping[str, Any]) -> None:
        self._rest = dict(fixed)

    def take(self, name: str, otherwise: Any) -> Any:  # noqa: ANN401 - each name has its own type
        return self._rest.pop(name, otherwise)

    def replaced(self, drawn: Any) -> Any:  # noqa: ANN401 - any of the three dataclasses
        here = {field.name for field in fields(drawn)} & set(self._rest)
        return replace(drawn, **{name: self._rest.pop(name) for name in here})

    def refuse_rest(self) -> None:
        if self._rest:
            raise TypeError(f"a scene has nothing called {', '.join(sorted(self._rest))}")


def _lot(seed: int, topic: int) -> np.random.Generator:
    return np.random.default_rng([seed, topic])


def _operated(lot: np.random.Generator) -> tuple[str, str]:
    kind = _CONSTRUCTS[int(lot.choice(len(_CONSTRUCTS), p=_KINDS))]
    first, last = kind[int(lot.integers(len(kind)))]
    return first, last


def _anatomy(operated: tuple[str, str], build: Build, lot: np.random.Generator) -> Anatomy:
    """Return the spine from two levels above those operated on to two below, or the sacrum."""
    first = max(0, NAMES.index(operated[0]) - 2)
    last = min(len(NAMES) - 1, NAMES.index(operated[1]) + 2)
    return Anatomy(shapes_of(NAMES[first : last + 1], build, lot))


def _screws(
    seed: int, operated: tuple[str, str], bones: dict[str, Bony], wanted: _Wanted
) -> tuple[SceneScrew, ...]:
    lot = _lot(seed, 3)
    aims = wanted.take("aims", {})
    only = wanted.take("only_aims", False)
    is_unilateral = wanted.take("is_unilateral", bool(lot.uniform() < _UNILATERAL))
    sides = (str(lot.choice(["L", "R"])),) if is_unilateral else ("L", "R")
    screws = []
    for level in level_range(*operated):
        for side in ("L", "R"):
            own = np.random.default_rng([seed, 4, NAMES.index(level), "LR".index(side)])
            aim = AIMS[int(own.choice(len(AIMS), p=_OFTEN / _OFTEN.sum()))]
            extent = float(np.exp(own.uniform(np.log(_LEAST_MM), np.log(_MOST_MM))))
            is_left_out = own.uniform() < _LEFT_OUT and level not in operated
            if (level, side) in aims:
                aim, extent = aims[level, side]
            elif only:
                aim = "contained"
            elif side not in sides or is_left_out:
                continue
            screws.append(aimed(bones[level], side, aim, extent, own))
    return _with_oddities(tuple(screws), bones, operated, _lot(seed, 5), wanted)


def _with_oddities(
    screws: tuple[SceneScrew, ...],
    bones: dict[str, Bony],
    operated: tuple[str, str],
    lot: np.random.Generator,
    wanted: _Wanted,
) -> tuple[SceneScrew, ...]:
    """Return the screws with one missing, one extra, an older one or a second one, by lot."""
    chances = lot.uniform(size=4)
    places = lot.permutation(len(screws))
    found = list(screws)
    has = {
        name: bool(wanted.take(name, chance < share))
        for name, chance, share in zip(
            ("missing", "extra", "retained", "second"),
            chances,
            (_MISSING, _EXTRA, _RETAINED, _SECOND),
            strict=True,
        )
    }
    if has["missing"] and len(found) > 2:  # noqa: PLR2004 - some screw must stay
        found[places[0]] = replace(found[places[0]], is_drawn=False)
    if has["extra"] and len(found) > 2:  # noqa: PLR2004 - as above
        found[places[1]] = replace(found[places[1]], is_logged=False)
    if has["second"]:
        found = _with_second(found, bones, places)
    if has["retained"]:
        outside = [level for level in bones if level not in level_range(*operated)]
        if outside:
            level, side = str(lot.choice(outside)), str(lot.choice(["L", "R"]))
            older = aimed(bones[level], side, "contained", 0.0, lot)
            found.append(
                replace(
                    older,
                    is_logged=False,
                    on_rod=False,
                    has_head=bool(lot.uniform() < 0.5),  # noqa: PLR2004 - a coin
                )
            )
    return tuple(found)


def _with_second(
    screws: list[SceneScrew], bones: dict[str, Bony], places: npt.NDArray[np.int64]
) -> list[SceneScrew]:
    """Return the screws with two in one roomy pedicle, which cross without meeting."""
    for place in places:
        first = screws[place]
        width, height, convergence = bones[first.plan.level].shape.pedicle(first.plan.side)
        is_roomy = width > _SECOND_FITS_MM[0] and height > _SECOND_FITS_MM[1]
        if not is_roomy or convergence < _SECOND_CONVERGES_DEG or not first.is_drawn:
            continue
        pair = [
            replace(
                first,
                number=number,
                on_rod=number == 1,
                aim="contained",
                proud_mm=0.0,
                plan=replace(
                    first.plan,
                    diameter_mm=5.0,
                    length_mm=min(first.plan.length_mm, 40.0),
                    medial_mm=-1.5 * sign,
                    cranial_mm=3.2 * sign,
                    inwards_deg=-8.0 * sign,
                    upwards_deg=-6.0 * sign,
                ),
            )
            for number, sign in ((1, 1.0), (2, -1.0))
        ]
        return [*screws[:place], *pair, *screws[place + 1 :]]
    return screws


def _cages(lot: np.random.Generator, operated: tuple[str, str]) -> tuple[Cage, ...]:
    levels = level_range(*operated)
    cages = []
    for level in levels[:-1]:
        is_there, is_titanium = lot.uniform() < 0.25, bool(lot.uniform() < 0.5)  # noqa: PLR2004 - of ours
        left, back = lot.uniform(-5, 5), lot.uniform(-4, 4)
        if is_there and NAMES.index(level) >= NAMES.index("L1"):
            cages.append(
                Cage(level, is_titanium, float(lot.uniform(20, 30)), 11.0, float(left), float(back))
            )
    return tuple(cages)
