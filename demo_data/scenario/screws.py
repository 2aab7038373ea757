"""How each invented screw was put in: technique, guidance, size, operator, life, intention."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from registry.domain.techniques import EntryTechnique, Guidance, Intention, Life

from . import people
from .constructs import PELVIC, Construct, Site, pick
from .practices import SPINE
from .records import InventedScrew

if TYPE_CHECKING:
    from random import Random

# Millimetres; invented, near what is usual at each level.
_SIZES = {
    "C7": ((4.0,), (26, 28)),
    **dict.fromkeys(("T1", "T2", "T3"), ((4.5, 5.0), (30, 35))),
    **dict.fromkeys(("T4", "T5", "T6", "T7"), ((4.5, 5.0), (35, 40))),
    **dict.fromkeys(("T8", "T9", "T10"), ((5.0, 5.5), (35, 40, 45))),
    **dict.fromkeys(("T11", "T12"), ((5.5, 6.0), (40, 45))),
    **dict.fromkeys(("L1", "L2"), ((6.0, 6.5), (45, 50))),
    **dict.fromkeys(("L3", "L4"), ((6.5, 7.0), (45, 50))),
    "L5": ((6.5, 7.0, 7.5), (40, 45, 50)),
    "S1": ((7.0, 7.5), (40, 45)),
    PELVIC: ((8.5,), (80, 90)),
}
_CORTICAL_SIZES = ((5.0, 5.5), (30, 35))
_OTHER_WORDS = ("after taking the outer facet away", "through a laminar window")
_IN_OUT_IN_LEVELS = frozenset(SPINE[SPINE.index("T3") : SPINE.index("T10")])
_THORACIC_CURVE = frozenset(SPINE[SPINE.index("T3") : SPINE.index("T12")])


@dataclass(frozen=True)
class Manner:
    """What the screws of one case share."""

    construct: Construct
    guidance: Guidance
    trainee: str
    supervision: str
    alloy: str
    concave_side: str | None
    is_operator_stated: bool
    retained_levels: frozenset[str]


def draw_manner(rng: Random, construct: Construct, *, is_revision: bool, share: float) -> Manner:
    """Return what the screws of a case share; `share` is how far the unit's period has gone."""
    practice = construct.practice
    levels = list(dict.fromkeys(level for level, _ in construct.sites))
    keeps = is_revision and len(levels) > 2 and rng.random() < 0.5  # noqa: PLR2004 - two stay new
    is_scrubbed = rng.random() < 0.85 - 0.4 * share
    return Manner(
        construct=construct,
        guidance=Guidance(pick(rng, dict(practice.guidance))),
        trainee=rng.choice(people.TRAINEES),
        supervision="supervisor scrubbed" if is_scrubbed else "supervisor in theatre",
        alloy="stainless steel" if rng.random() < 0.02 else "titanium alloy",  # noqa: PLR2004
        concave_side=rng.choice("LLR") if practice.has_cobb else None,
        is_operator_stated=rng.random() < 0.97,  # noqa: PLR2004
        retained_levels=frozenset(levels[-1:] if keeps else ()),
    )


def draw_screws(rng: Random, manner: Manner) -> tuple[InventedScrew, ...]:
    """Return the screws of a case, in the order of its sites."""
    techniques = {
        level: _technique(rng, manner, level)
        for level in dict.fromkeys(level for level, _ in manner.construct.sites)
    }
    return tuple(_screw(rng, manner, site, techniques[site[0]]) for site in manner.construct.sites)


def _technique(rng: Random, manner: Manner, level: str) -> EntryTechnique:
    if level == PELVIC:
        return EntryTechnique.S2_ALAR_ILIAC
    if manner.construct.is_percutaneous:
        return EntryTechnique.PERCUTANEOUS
    weights = dict(manner.construct.practice.techniques_at(level))
    found = EntryTechnique(pick(rng, weights))
    is_discouraged = found is EntryTechnique.ISTHMUS and level == manner.construct.top
    # Drawn again, so that the rule about the top of a construct is broken now and then only.
    return EntryTechnique(pick(rng, weights)) if is_discouraged else found


def _screw(rng: Random, manner: Manner, site: Site, technique: EntryTechnique) -> InventedScrew:
    level, side = site
    is_concave = manner.concave_side is not None and (side == manner.concave_side) == (
        level in _THORACIC_CURVE
    )
    if technique is EntryTechnique.IN_OUT_IN and not (is_concave and level in _IN_OUT_IN_LEVELS):
        technique = EntryTechnique.SUBFACET
    is_cortical = technique is EntryTechnique.CORTICAL_BONE_TRAJECTORY
    diameters, lengths = _CORTICAL_SIZES if is_cortical else _SIZES[level]
    screw = InventedScrew(
        level=level,
        side=side,
        technique=technique,
        technique_words=rng.choice(_OTHER_WORDS) if technique is EntryTechnique.OTHER else "",
        guidance=manner.guidance,
        diameter_mm=rng.choice(diameters),
        length_mm=rng.choice(lengths),
        alloy=manner.alloy,
        intention=_intention(rng, level, technique),
        is_concave=is_concave,
    )
    screw = _operated(rng, manner, screw)
    if technique is EntryTechnique.IN_OUT_IN:
        # Planned along the rib, by hand and eye.
        screw = replace(screw, guidance=Guidance.FREEHAND)
    return replace(screw, life=_life(rng, manner, level))


def _intention(rng: Random, level: str, technique: EntryTechnique) -> Intention | None:
    if technique is EntryTechnique.IN_OUT_IN:
        return Intention.IN_OUT_IN if rng.random() < 0.85 else None  # noqa: PLR2004
    if level == "S1" and technique is EntryTechnique.SACRAL_FACET_CORNER:
        return Intention.BICORTICAL if rng.random() < 0.28 else None  # noqa: PLR2004
    return None


def _operated(rng: Random, manner: Manner, screw: InventedScrew) -> InventedScrew:
    if not manner.is_operator_stated:
        return screw
    practice = manner.construct.practice
    if rng.random() < practice.trainee_share:
        return replace(screw, operator=manner.trainee, supervision=manner.supervision)
    return replace(screw, operator=practice.surgeon)


def _life(rng: Random, manner: Manner, level: str) -> Life:
    if level in manner.retained_levels:
        return Life.RETAINED
    drawn = rng.random()
    if drawn < 0.004:  # noqa: PLR2004
        return Life.REMOVED
    return Life.REDIRECTED if drawn < 0.016 else Life.PLACED  # noqa: PLR2004
