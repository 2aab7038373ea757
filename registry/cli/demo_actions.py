"""The demo's actions: what the invented unit agreed on, by the pages' own action."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from collections.abc import Iterable

    from registry.domain.access import Viewer
    from registry.store.home import Ledger


def agree(ledger: Ledger, lead: Viewer, actions: Iterable[Any]) -> None:
    """Keep each action at the scenario's own instant, and what came of it."""
    from registry.actions.agree import agree_on, end_action

    for each in actions:
        texts = {"what": each.what, "owner": each.owner, "due_on": each.due_on}
        number = agree_on(ledger, lead, each.period, texts, each.agreed_at)
        if each.ended_at is not None:
            said = {
                "is_done": each.is_done,
                "ended_on": each.ended_at.date().isoformat(),
                "came_of_it": each.came_of_it,
                "version": "1",
            }
            end_action(ledger, lead, number, said, each.ended_at)
