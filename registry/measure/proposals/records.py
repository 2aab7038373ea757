"""What a proposal is: every screw that was found, and what could be measured of it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Mapping

    from registry.domain.directions import Direction, Side
    from registry.measure.axes import Midplane, Point, ScrewAxis

VERSION = "4"
"""Of the way proposals are worked out; raised with every change that can alter a number."""


@dataclass(frozen=True)
class LoggedScrew:
    """A screw as the theatre log has it; sizes in mm, None where not recorded."""

    level: str
    side: Side
    number: int = 1
    diameter_mm: float | None = None
    length_mm: float | None = None


@dataclass(frozen=True)
class ProposedExtent:
    """One extent as the program measured it.

    Attributes
    ----------
    extent_mm : float, 0 where the screw does not stand outside
    sd_mm : float, one standard deviation
    depth_mm : of the section it was found in, None where no section holds it
    bearing_deg : of the line through the wall: 0 medial, 90 cranial, 180 lateral, 270 caudal
    cortex_mm, edge_mm : (u, v) of that line's ends in its section, or None
    """

    extent_mm: float
    sd_mm: float
    depth_mm: float | None = None
    bearing_deg: float | None = None
    cortex_mm: tuple[float, float] | None = None
    edge_mm: tuple[float, float] | None = None


@dataclass(frozen=True)
class ProposedScrew:
    """A screw of the log with what the program measured of it.

    Attributes
    ----------
    logged : the log's screw
    axis : entry and tip, LPS mm
    diameter_mm : the log's, else estimated from the metal
    is_diameter_estimated : whether it is not the log's
    extents : by direction; a direction that is not in it was not measured
    not_measured : why, by direction; one clause
    outlines : depth in mm to the places (u, v) where the outer cortex was seen
    midplane : of the vertebra, None where it was not found
    endplate_normal : of the vertebra's upper endplate, LPS, or None
    convergence_deg, sagittal_deg : None where the plane behind it was not found
    """

    logged: LoggedScrew
    axis: ScrewAxis
    diameter_mm: float
    is_diameter_estimated: bool
    extents: Mapping[Direction, ProposedExtent] = field(default_factory=dict)
    not_measured: Mapping[Direction, str] = field(default_factory=dict)
    outlines: Mapping[float, tuple[tuple[float, float], ...]] = field(default_factory=dict)
    midplane: Midplane | None = None
    endplate_normal: Point | None = None
    convergence_deg: float | None = None
    sagittal_deg: float | None = None


@dataclass(frozen=True)
class UnmatchedScrew:
    """A screw that was found and that the log does not have.

    Attributes
    ----------
    axis : entry and tip, LPS mm
    diameter_mm : estimated from the metal
    words : what is known of its place, one clause
    """

    axis: ScrewAxis
    diameter_mm: float
    words: str


@dataclass(frozen=True)
class ScanProposal:
    """Everything the program found on one scan.

    Attributes
    ----------
    screws : found and matched to the log, in the log's order
    unmatched : found and not in the log, cranial first
    missing : in the log and not found
    notes : what a reader should know before trusting it, one clause each
    """

    screws: tuple[ProposedScrew, ...]
    unmatched: tuple[UnmatchedScrew, ...] = ()
    missing: tuple[LoggedScrew, ...] = ()
    notes: tuple[str, ...] = ()
