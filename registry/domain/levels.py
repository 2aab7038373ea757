"""Vertebral levels in their order from cranial, and what lies beside each pedicle."""

from __future__ import annotations

import re
from dataclasses import dataclass
from enum import StrEnum
from types import MappingProxyType
from typing import TYPE_CHECKING

from registry.domain.directions import PEDICLE_WALLS, Direction
from registry.domain.words import folded

if TYPE_CHECKING:
    from collections.abc import Mapping


class Region(StrEnum):
    """Part of the spine, for pooling."""

    CERVICAL = "cervical"
    THORACIC = "thoracic"
    LUMBAR = "lumbar"
    SACRAL = "sacral"
    PELVIC = "pelvic"


@dataclass(frozen=True)
class Level:
    """One level.

    Attributes
    ----------
    code : str, as written in tables and shown on pages
    region : Region
    order : int, 0 at C2 and growing towards caudal
    needed_walls : the walls that must have been measured before a screw has a pedicle grade;
        empty where no pedicle grade exists
    at_risk : structures beside the pedicle by direction, for display only
    at_risk_source : where those stand, '' where none are named
    """

    code: str
    region: Region
    order: int
    needed_walls: frozenset[Direction]
    at_risk: Mapping[Direction, str]
    at_risk_source: str

    @property
    def has_pedicle_grade(self) -> bool:
        """Whether a screw at this level can have a pedicle grade."""
        return bool(self.needed_walls)


_RING = frozenset(PEDICLE_WALLS)
_S1_WALLS = frozenset({Direction.MEDIAL, Direction.CAUDAL})

_AT_RISK: dict[str, dict[Direction, str]] = {
    "cervical": {
        Direction.MEDIAL: "cord, nerve root",
        Direction.LATERAL: "vertebral artery",
        Direction.CRANIAL: "nerve root",
        Direction.CAUDAL: "nerve root",
    },
    "upper thoracic": {
        Direction.MEDIAL: "cord",
        Direction.ANTERIOR: "oesophagus (left screw), trachea (right screw)",
        Direction.CRANIAL: "nerve root",
        Direction.CAUDAL: "nerve root",
    },
    "thoracic": {
        Direction.MEDIAL: "cord",
        Direction.LATERAL: "aorta (left), pleura",
        Direction.ANTERIOR: "aorta, oesophagus",
        Direction.CRANIAL: "nerve root",
        Direction.CAUDAL: "nerve root",
    },
    "lumbar": {
        Direction.MEDIAL: "dura, traversing root",
        Direction.LATERAL: "psoas, exiting root",
        Direction.ANTERIOR: "great vessels",
        Direction.CRANIAL: "root above",
        Direction.CAUDAL: "exiting root below",
    },
    "sacral": {
        Direction.MEDIAL: "S1 root",
        Direction.LATERAL: "L5 root, sacroiliac joint",
        Direction.ANTERIOR: "iliac vessels, L5 root",
        Direction.CAUDAL: "S1 foramen",
    },
    "pelvic": {},
}
_AT_RISK_SOURCES = {
    "cervical": "Shimokawa and Takami, Neurosurg Rev 2016;40:251; J Neurosurg Spine 2012;16:238",
    "upper thoracic": "Cardoso et al., Spine J, on the proximal thoracic spine",
    "thoracic": "Vaccaro et al., J Bone Joint Surg Am 1995;77, parts I and II; pleura: common "
    "practice, no source",
    "lumbar": "Ebraheim et al. (author from memory), 15 cadavers, for dura and roots; psoas and "
    "great vessels: common practice, no source",
    "sacral": "Surg Radiol Anat 2020;42:299; Kuklo and Pichelmann, Spine J Meeting Abstr "
    "2009;10:114",
    "pelvic": "",
}


def _levels() -> tuple[Level, ...]:
    named: list[tuple[str, Region, frozenset[Direction], str]] = []
    named += [(f"C{n}", Region.CERVICAL, _RING, "cervical") for n in range(2, 8)]
    named += [
        (f"T{n}", Region.THORACIC, _RING, "upper thoracic" if n <= 3 else "thoracic")  # noqa: PLR2004 - T3
        for n in range(1, 14)
    ]
    named += [(f"L{n}", Region.LUMBAR, _RING, "lumbar") for n in range(1, 7)]
    named += [("S1", Region.SACRAL, _S1_WALLS, "sacral")]
    named += [
        ("S2 alar-iliac", Region.PELVIC, frozenset(), "pelvic"),
        ("ilium", Region.PELVIC, frozenset(), "pelvic"),
    ]
    return tuple(
        Level(code, region, order, walls, MappingProxyType(_AT_RISK[risk]), _AT_RISK_SOURCES[risk])
        for order, (code, region, walls, risk) in enumerate(named)
    )


LEVELS: tuple[Level, ...] = _levels()
"""Every level, cranial first."""

_BY_CODE = {item.code: item for item in LEVELS}
_OTHER_SPELLINGS = {"s2": "S2 alar-iliac", "s2ai": "S2 alar-iliac", "iliac": "ilium"}


def level(code: str) -> Level:
    """Return the level with exactly this code; KeyError where there is none."""
    return _BY_CODE[code]


def parse_level(text: str) -> Level:
    """Return the level that `text` names; `Th` and `D` read as `T`.

    Raises
    ------
    ValueError
        no such level

    Examples
    --------
    >>> parse_level("Th 12").code, parse_level("d4").code, parse_level("s2_alar_iliac").code
    ('T12', 'T4', 'S2 alar-iliac')
    """
    wanted = folded(text)
    spelled = re.fullmatch(r"(c|th|t|d|l|s)\s*0*(\d+)", wanted)
    if spelled:
        letters, number = spelled.groups()
        prefix = "T" if letters in {"th", "t", "d"} else letters.upper()
        found = _BY_CODE.get(f"{prefix}{number}")
        if found:
            return found
    other = _OTHER_SPELLINGS.get(wanted.replace(" ", ""))
    if other:
        return _BY_CODE[other]
    for item in LEVELS:
        if folded(item.code) == wanted:
            return item
    raise ValueError("use C2 to C7, T1 to T13, L1 to L6, S1, S2 alar-iliac or ilium")
