"""What one invented surgeon wrote down for themselves."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class InventedNote:
    """A reflection or an action: whose, how long ago, due after how many days, what came of it."""

    account: str
    kind: str
    days_ago: int
    words: str
    due_after: int = 0
    outcome: str = ""
    is_shown: bool = False


OWN_NOTES = (
    InventedNote(
        "hanna",
        "reflection",
        62,
        "Two medial breaches in one month, both on the side away from me.\n"
        "I had stopped looking down the track before the screw went in.",
        is_shown=True,
    ),
    InventedNote(
        "hanna",
        "action",
        60,
        "Feel each track with the probe on all four walls and the floor before tapping, also on "
        "the far side.",
        due_after=90,
        is_shown=True,
    ),
    InventedNote(
        "hanna",
        "action",
        60,
        "Ask the theatre for the lateral image before the second screw of a level.",
        due_after=30,
        outcome="It has been done in every case since; it costs about three minutes.",
    ),
    InventedNote("hanna", "reflection", 12, "Tired on long days. Say so earlier."),
)
