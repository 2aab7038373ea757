"""The report's sections on what the unit agreed to do, last time and this time."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.domain.agreed import AgreedState
from reports.documents.blocks import Heading, Paragraph, Table

if TYPE_CHECKING:
    from collections.abc import Iterable
    from datetime import date

    from registry.domain.agreed import AgreedAction
    from reports.documents.blocks import Block
    from reports.documents.quarter import QuarterReport

_HEADING = ("action", "number", "of", "owner", "due", "done or not", "what came of it")
_WIDE = (0, len(_HEADING) - 1)


def actions(report: QuarterReport) -> list[Block]:
    """Return the actions from last time, and those that were agreed on for this quarter."""
    held, spans = report.actions, report.spans
    day = held.until.date()
    last = Paragraph(
        f"No action of an earlier quarter was open in {spans.quarter.name} or ended since it began."
    )
    now = Paragraph(f"No action has been agreed on for {spans.quarter.name}.")
    said = (
        f"As they stood on {held.until:%Y-%m-%d}. What comes of them later stands in the next "
        "report. An owner is who does it, and not whom a finding is about."
    )
    blocks: list[Block] = [
        Heading("Actions from last time"),
        *_table(f"Open, or ended since {spans.quarter.first}", held.from_last_time, last, day),
        Heading(f"Actions agreed on for {spans.quarter.name}"),
        *_table("In the order in which they were agreed on", held.agreed, now, day),
    ]
    if held.from_last_time or held.agreed:
        blocks.append(Paragraph(said, is_note=True))
    return blocks


def _table(
    caption: str, actions: Iterable[AgreedAction], none: Paragraph, day: date
) -> list[Block]:
    rows = tuple(action_cells(each, day) for each in actions)
    return [Table(caption, _HEADING, rows, texts=len(_HEADING), wide=_WIDE)] if rows else [none]


def action_heading() -> tuple[str, ...]:
    """Return the heading of a list of actions."""
    return _HEADING


def action_cells(action: AgreedAction, day: date) -> tuple[str, ...]:
    """Return an action as a line of such a list, as it is on a day."""
    return (
        action.what,
        str(action.number),
        action.period,
        action.owner,
        action.due_on.isoformat(),
        state_words(action, day),
        action.came_of_it or "",
    )


def state_words(action: AgreedAction, day: date) -> str:
    """Return how far an action is: open, overdue; done on a day; replaced by action 7 on a day."""
    if action.ended_on is None:
        return f"{action.state.value}, overdue" if action.is_overdue(day) else action.state.value
    by = f" by action {action.replaced_by}" if action.state is AgreedState.REPLACED else ""
    return f"{action.state.value}{by} on {action.ended_on}"
