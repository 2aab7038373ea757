"""What a pack for the morbidity meeting holds, in words, before it is a document."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from datetime import datetime

    from reports.documents.blocks import Picture


@dataclass(frozen=True)
class WallFound:
    """One wall: what was found there, and what lies beside it at that level."""

    wall: str
    extent: str
    beside: str


@dataclass(frozen=True)
class MeetingPage:
    """One screw.

    Attributes
    ----------
    name : level and side
    grade : its letter, '' without one
    outside : the greatest extent and its wall, in few words
    standing : whether it is settled, in few words
    verdict : what was found, a sentence
    facts : what is said of the screw, a name and a value each
    walls : in order
    section, along : pictures; the second None where the first holds both planes, both None where
        there are none
    beside_pictures : what has to be read with them, or why there are none
    why : how the readings came to that
    source : of the structures named beside the walls
    """

    name: str
    grade: str
    outside: str
    standing: str
    verdict: str
    facts: tuple[tuple[str, str], ...]
    walls: tuple[WallFound, ...]
    section: Picture | None
    along: Picture | None
    beside_pictures: tuple[str, ...]
    why: tuple[str, ...]
    source: str


@dataclass(frozen=True)
class MeetingPack:
    """A pack.

    Attributes
    ----------
    unit : its name
    made_at : the instant that it is of
    chosen : how its screws were chosen, sentences
    patients : how many they are of
    scale : title and bounds of the unit's
    pages : by level from cranial
    """

    unit: str
    made_at: datetime
    chosen: tuple[str, ...]
    patients: int
    scale: str
    pages: tuple[MeetingPage, ...]
