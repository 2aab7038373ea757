"""How far something that came in is on its way to becoming a scan."""

from __future__ import annotations

from enum import StrEnum


class ArrivalSource(StrEnum):
    """Which way it came."""

    UPLOAD = "upload"
    RECEIVER = "receiver"
    ARCHIVE = "archive"


class ArrivalState(StrEnum):
    """How far it is; the state is the truth, and each step may be done again."""

    RECEIVING = "receiving"
    RECEIVED = "received"
    LOOKED_THROUGH = "looked through"
    TO_BE_READ = "to be read"
    READ = "read"
    REFUSED = "refused"
    CANCELLED = "cancelled"
    FAILED = "failed"

    @property
    def is_ended(self) -> bool:
        """Say whether nothing more comes of it; its files and key are then destroyed."""
        return self in ENDED

    @property
    def waits_for_a_person(self) -> bool:
        """Say whether somebody has to decide before it goes on."""
        return self in WAITING


ENDED = frozenset({ArrivalState.READ, ArrivalState.REFUSED, ArrivalState.CANCELLED})
WAITING = frozenset({ArrivalState.LOOKED_THROUGH, ArrivalState.FAILED})
WORKED_ON = frozenset({ArrivalState.RECEIVED, ArrivalState.TO_BE_READ})
"""States out of which the worker takes it further."""
