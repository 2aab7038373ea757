"""Work every consensus out again where the unit's rule or the program's has changed since."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.actions.accounts import acting
from registry.actions.settle import settle
from registry.domain.consensus import RULE_VERSION
from registry.domain.consensus_words import rule_words
from registry.store.queries.readings import screws_settled_otherwise

if TYPE_CHECKING:
    from datetime import datetime

    from registry.store.home import Ledger


def resettle(ledger: Ledger, now: datetime) -> int:
    """Work out again what stands by another rule or other settings; return how many that were.

    All in one transaction, with the rule in words as its reason. What stands by the present rule
    is left alone, so that a row which somebody else changed is not put right unseen.
    """
    rule = ledger.settings.agreement_rule()
    with ledger.reading() as session:
        if not screws_settled_otherwise(session, rule.version):
            return 0
    because = f"rule {RULE_VERSION}: {rule_words(rule)}"
    with ledger.writing(acting(ledger, None), now) as work:
        screws = screws_settled_otherwise(work.session, rule.version)
        return settle(work, ledger.settings, screws, because=because)
