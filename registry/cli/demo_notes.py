"""The demo's own notes: what one invented surgeon wrote down, and shows to the quality lead."""

from __future__ import annotations

from datetime import timedelta
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from registry.store.home import Ledger


def write_notes(ledger: Ledger, scenario: Any) -> int:  # noqa: ANN401 - the scenario's module
    """Keep the scenario's own notes by the page's own actions; return how many."""
    from registry.actions.accounts import acting
    from registry.actions.own_notes import change_note, show_note, write_note
    from registry.cli.opening import instant, today

    day, now = today(ledger), instant()
    for invented in scenario.OWN_NOTES:
        author = acting(ledger, invented.account)
        noted_on = day - timedelta(days=invented.days_ago)
        texts = {
            "kind": invented.kind,
            "words": invented.words,
            "noted_on": noted_on.isoformat(),
        }
        if invented.due_after:
            texts["due_on"] = (noted_on + timedelta(days=invented.due_after)).isoformat()
        note_id = write_note(ledger, author, texts, today=day, now=now)
        if invented.outcome:
            done = {"done_on": day.isoformat(), "outcome": invented.outcome, "version": "1"}
            change_note(ledger, author, note_id, texts | done, today=day, now=now)
        if invented.is_shown:
            show_note(ledger, author, note_id, "", now)
    return len(scenario.OWN_NOTES)
