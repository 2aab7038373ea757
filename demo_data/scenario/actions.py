"""What the invented unit agreed to do about its quarters, and what came of it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

from .people import ADJUDICATOR, REGISTRAR, TEACHING_SURGEON, TRAUMA_SURGEON


@dataclass(frozen=True)
class InventedAction:
    """An action of a quarter: who does it until when, and what came of it, if it has ended."""

    period: str
    agreed_at: datetime
    what: str
    owner: str
    due_on: str
    ended_at: datetime | None = None
    is_done: str = ""
    came_of_it: str = ""


_MAY = datetime(2026, 5, 12, 14, 0, tzinfo=UTC)
_AUGUST = datetime(2026, 8, 18, 14, 0, tzinfo=UTC)

ACTIONS = (
    InventedAction(
        "2026Q1",
        _MAY,
        "Ask for slices of 1 mm or less in every post-operative CT",
        ADJUDICATOR,
        "2026-08-31",
        datetime(2026, 8, 20, 15, 0, tzinfo=UTC),
        "yes",
        "The protocol was changed; scans since August have them",
    ),
    InventedAction(
        "2026Q2",
        _AUGUST,
        "Look at the quarter's lateral breaches from T4 to T8 together",
        TEACHING_SURGEON,
        "2026-09-30",
        datetime(2026, 9, 22, 16, 0, tzinfo=UTC),
        "yes",
        "Looked at; most were chosen to leave the pedicle",
    ),
    InventedAction(
        "2026Q2",
        _AUGUST + timedelta(minutes=5),
        "Say before the operation which thoracic screws are planned to leave the pedicle",
        TRAUMA_SURGEON,
        "2026-10-31",
    ),
    InventedAction(
        "2026Q3",
        datetime(2026, 10, 27, 14, 0, tzinfo=UTC),
        "Find out why screws with a scan were not read",
        REGISTRAR,
        "2026-12-31",
    ),
)
