"""Which readings count: of those that replaced one another, the one that the unit's rule takes."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.readings import CountedReading, ProposalSeen

if TYPE_CHECKING:
    from collections.abc import Iterable

    from registry.domain.readings import ReadingFacts


def counted_readings(
    readings: Iterable[ReadingFacts], counted: CountedReading
) -> list[ReadingFacts]:
    """Return the readings of one screw on one scan that count, in the order of their numbers.

    Parameters
    ----------
    readings : all of them, the replaced ones too
    counted : the unit's rule

    Notes
    -----
    A reading that was replaced does not count, but for one case: a change that its reader made once
    the program's proposal was shown leaves the blind reading before it counting, where the unit
    counts those. A reading with the proposal in view from the start has no blind one before it and
    counts like any other.

    Examples
    --------
    >>> from registry.domain.readings import ReadingFacts, ReadingRole
    >>> blind = ReadingFacts(1, ReadingRole.FIRST, True)
    >>> changed = ReadingFacts(
    ...     2, ReadingRole.FIRST, True, supersedes=1, proposal_seen=ProposalSeen.AFTER_OWN
    ... )
    >>> [each.reading_id for each in counted_readings([blind, changed], CountedReading.BLIND)]
    [1]
    """
    by_id = {reading.reading_id: reading for reading in readings}
    replaced = {reading.supersedes for reading in by_id.values()}
    found = [
        _counted(reading, by_id) if counted is CountedReading.BLIND else reading
        for reading in by_id.values()
        if reading.reading_id not in replaced
    ]
    return sorted(found, key=lambda reading: reading.reading_id)


def _counted(reading: ReadingFacts, by_id: dict[int, ReadingFacts]) -> ReadingFacts:
    """Return the last one up to here that its reader did not make after the proposal."""
    # Each is taken once: in a ledger that somebody changed they might replace one another in turn.
    taken: set[int | None] = set()
    while reading.proposal_seen is ProposalSeen.AFTER_OWN:
        earlier = reading.supersedes
        if earlier is None or earlier not in by_id or earlier in taken:
            break
        taken.add(earlier)
        reading = by_id[earlier]
    return reading
