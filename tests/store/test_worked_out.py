"""What is kept ready stands for as long as no record changes, and no longer."""

from __future__ import annotations

from registry.actions.counted_unit import counted_unit
from registry.store.home import open_ledger
from tests.build.loaded import load_rows


def test_the_counted_screws_are_fetched_again_once_a_record_has_changed(ledger):
    load_rows(ledger, {})
    first = counted_unit(ledger)
    assert len(first.screws) == 1
    assert counted_unit(ledger) is first
    load_rows(ledger, {"side": "R"})
    assert len(counted_unit(ledger).screws) == 2


def test_another_process_s_change_is_seen_too(ledger):
    load_rows(ledger, {})
    assert len(counted_unit(ledger).screws) == 1
    other = open_ledger(ledger.home, {"PEDICLE_LEDGER_DATABASE": ledger.url})
    load_rows(other, {"side": "R"})
    other.close()
    assert len(counted_unit(ledger).screws) == 2
