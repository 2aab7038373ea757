"""What was just saved, in the words of the line that its own reader sees next."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.directions import PEDICLE_WALLS, Direction, Side

if TYPE_CHECKING:
    from registry.actions.desk_answer import Answer, Submission
    from registry.actions.desk_screw import OpenedScrew


def saved_words(
    screw: OpenedScrew, submission: Submission, answer: Answer, grade: str | None
) -> str:
    """Return such as `L2 right: medial 2.1 mm, grade C`; nothing but the reader's own finding."""
    side = "left" if screw.side is Side.LEFT else "right"
    number = f", screw {screw.number}" if screw.number > 1 else ""
    return f"{screw.level.code} {side}{number}: {_finding(screw, submission, answer, grade)}"


def _finding(screw: OpenedScrew, submission: Submission, answer: Answer, grade: str | None) -> str:
    if submission.not_assessable is not None:
        return f"not assessable: {submission.not_assessable}"
    beyond = [
        f"{wall.replace('_', ' ')} {value} mm"
        for wall in Direction
        if (value := answer.extents.get(wall))
    ]
    if grade is not None:
        is_contained = not any(answer.extents.get(wall) for wall in PEDICLE_WALLS)
        return ", ".join([*(["contained"] if is_contained else []), *beyond, f"grade {grade}"])
    if not screw.level.has_pedicle_grade:
        return ", ".join([*(beyond or ["nothing beyond the cortex"]), "no grade at this level"])
    missing = [
        wall.value
        for wall in PEDICLE_WALLS
        if wall in screw.level.needed_walls and answer.extents.get(wall) is None
    ]
    parts = [*beyond, f"{' and '.join(missing)} missing", "no grade"]
    return f"partly read: {', '.join(parts)}"
