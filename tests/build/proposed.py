"""Proposals made by hand: what the program would have found, put together from plain numbers."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.directions import PEDICLE_WALLS, Direction, Side
from registry.measure.axes import Midplane, ScrewAxis
from registry.measure.proposals.documents import log_digest, to_json
from registry.measure.proposals.records import (
    VERSION,
    LoggedScrew,
    ProposedExtent,
    ProposedScrew,
    ScanProposal,
    UnmatchedScrew,
)
from registry.store.models.proposals import ProposalRow

if TYPE_CHECKING:
    from collections.abc import Sequence

    from registry.store.writing import Writing

NOT_SEEN = "metal hides the wall"


def a_proposed_screw(
    logged: LoggedScrew, height_mm: float = 0.0, **extents: float
) -> ProposedScrew:
    """Return a screw with these extents, such as medial=2.44; other pedicle walls contained.

    The anterior extent is the one that was not measured.
    """
    out = 1.0 if logged.side is Side.LEFT else -1.0
    axis = ScrewAxis((22.0 * out, 40.0, height_mm), (8.0 * out, -2.0, height_mm + 1.0))
    walls = {wall.value: 0.0 for wall in PEDICLE_WALLS} | extents
    return ProposedScrew(
        logged=logged,
        axis=axis,
        diameter_mm=logged.diameter_mm or 6.2,
        is_diameter_estimated=logged.diameter_mm is None,
        extents={
            Direction(wall): ProposedExtent(mm, 0.42, 12.0, 4.0, (3.0, 0.1), (3.0 + mm, 0.2))
            for wall, mm in walls.items()
        },
        not_measured={Direction.ANTERIOR: NOT_SEEN},
        outlines={12.0: ((5.0, 0.0), (0.0, 6.0), (-5.0, 0.0), (0.0, -6.0))},
        midplane=Midplane((0.0, 20.0, height_mm), (1.0, 0.0, 0.0)),
        endplate_normal=(0.0, 0.1, 0.995),
        convergence_deg=18.44,
        sagittal_deg=None,
    )


def a_proposal(logged: Sequence[LoggedScrew], **extents: float) -> ScanProposal:
    """Return a proposal for these screws, 35 mm apart from the first down; all found but none more.

    The extents are the first screw's.
    """
    screws = tuple(
        a_proposed_screw(each, -35.0 * number, **(extents if number == 0 else {}))
        for number, each in enumerate(logged)
    )
    return ScanProposal(screws)


def with_extra(proposal: ScanProposal) -> ScanProposal:
    """Return a proposal whose last screw was not found, with one that the log does not have."""
    *kept, lost = proposal.screws
    extra = UnmatchedScrew(lost.axis, 5.9, "left, two levels below the lowest of the log")
    return ScanProposal(tuple(kept), (extra,), (lost.logged,), ("slices of 3 mm",))


def put_proposal(
    work: Writing, *, scan_id: int, image_digest: str, screws: Sequence[LoggedScrew]
) -> int:
    """Put a proposal of these screws into a transaction; return its row."""
    return work.insert(
        ProposalRow,
        "propose",
        scan_id=scan_id,
        image_digest=image_digest,
        log_digest=log_digest(screws),
        algorithm=VERSION,
        made_at=work.now,
        document=to_json(a_proposal(screws)),
    )
