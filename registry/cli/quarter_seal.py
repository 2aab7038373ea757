"""`quarter` on its way to the seal and after it: comment, countersign, seal, again, supplement."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.opening import instant, opened
from registry.cli.output import say, say_error, say_table, say_text
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from registry.actions.agree import QuarterActions
    from registry.actions.seal_quarter import Again

_SHOWN = 20


def say_key(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Print the public key by which others check the unit's seals."""
    from registry.actions.seal_quarter import public_key

    with opened(given, environment) as (ledger, _):
        say_text(public_key(ledger))
    return 0


def without_files(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Comment, countersign, or work out again; status 1 where that comes to something else."""
    from registry.actions.agree import actions_of
    from registry.actions.quarter_standing import comment, countersign
    from registry.actions.seal_quarter import work_out_again

    now = instant()
    with opened(given, environment) as (ledger, viewer):
        if given.actions:
            return _tell_actions(actions_of(ledger, viewer, given.what, now))
        if given.again:
            return _tell_again(given.what, work_out_again(ledger, viewer, given.what, now))
        if given.countersign:
            digest = countersign(ledger, viewer, given.what, now)
            say(f"{given.what} is countersigned; digest of its numbers and records: {digest}")
        else:
            comment(ledger, viewer, given.what, given.comment, now)
            say(f"the comment on {given.what} is kept")
    return 0


def with_files(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Seal a quarter, or a supplement to it, and say where it lies."""
    from registry.actions.seal_quarter import seal_quarter, seal_supplement

    out, now = Path(given.out), instant()
    with opened(given, environment) as (ledger, viewer):
        had_key = ledger.keys.seal is not None
        seal = seal_quarter if given.seal else seal_supplement
        files = seal(ledger, viewer, given.what, out, now)
        if not had_key:
            say(f"made the key of seals: keep a new copy of {ledger.keys.folder}, no backup has it")
    say(f"{out}: {', '.join(files)}")
    say("sealed; anybody can check it with `quarter verify` and the public key")
    say(CAUTION)
    return 0


def _tell_actions(found: QuarterActions) -> int:
    from reports.documents.quarter_actions import action_cells, action_heading

    rows = [action_cells(each, found.today) for each in (*found.from_last_time, *found.agreed)]
    if rows:
        say_table(action_heading(), rows)
    else:
        say(f"no action of {found.quarter.name} or from last time")
    say(CAUTION)
    return 0


def _tell_new(found: Again) -> None:
    if found.new_words:
        say(found.new_words)


def _tell_again(name: str, found: Again) -> int:
    against = "its seal" if found.part == 0 else f"its supplement {found.part}"
    if found.is_same:
        bytes_too = ", to the byte" if found.same_bytes else "; settings or versions are others"
        say(f"{name} worked out again: the same numbers and records as in {against}{bytes_too}")
        _tell_new(found)
        say(CAUTION)
        return 0
    if found.changes:
        say_table(("what", "sealed", "now"), found.changes[:_SHOWN])
    if len(found.changes) > _SHOWN:
        say(f"and {len(found.changes) - _SHOWN} more; --supplement writes all of them")
    _tell_new(found)
    records = "the same" if found.same_records else "others"
    say_error(
        f"{name} differs from {against}: {len(found.changes)} numbers; its records are {records}"
    )
    if found.why:
        say_error(found.why)
    return 1
