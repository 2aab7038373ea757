"""Sides and directions, as seen from the vertebra."""

from __future__ import annotations

from enum import StrEnum


class Side(StrEnum):
    """The patient's own side."""

    LEFT = "L"
    RIGHT = "R"


class Direction(StrEnum):
    """A direction in which a screw can leave the bone."""

    MEDIAL = "medial"
    LATERAL = "lateral"
    CRANIAL = "cranial"
    CAUDAL = "caudal"
    ANTERIOR = "anterior"
    BODY_LATERAL = "body_lateral"
    ENDPLATE = "endplate"


PEDICLE_WALLS = (Direction.MEDIAL, Direction.LATERAL, Direction.CRANIAL, Direction.CAUDAL)
"""The four walls whose extents make a pedicle grade."""

BODY_WALLS = (Direction.ANTERIOR, Direction.BODY_LATERAL, Direction.ENDPLATE)
"""Walls of the body: reported apart, in no pedicle grade."""
