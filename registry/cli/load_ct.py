"""`load-ct`: load a post-operative CT."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.output import say
from registry.domain.problems import BadInputError, Fault
from registry.domain.words import Word, parse_word

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from registry.actions.load_scan import ListedScans, ScanOrder
    from registry.domain.access import Viewer
    from registry.store.home import Ledger


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the paths and what is known of the scan."""
    command.add_argument("paths", metavar="PATH", nargs="+", help="files, folders or zips")
    command.add_argument(
        "--list", action="store_true", help="say which series lie there, and load nothing"
    )
    command.add_argument(
        "--series", type=int, metavar="N", help="read this one of the list (default: by the rule)"
    )
    command.add_argument("--case", metavar="REF", help="default: by the hospital number")
    command.add_argument("--kind", help="intra-operative 3D, post-operative CT (default), later CT")
    command.add_argument("--reason", help="routine, symptoms, other, not stated (default)")
    command.add_argument(
        "--confirm-patient",
        metavar="REASON",
        default="",
        help="it is the case's patient although the files say otherwise; the reason is kept",
    )
    command.add_argument(
        "--confirm-burned-in",
        action="store_true",
        help="somebody has looked: slices that announce burned-in text name nobody",
    )
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that loads")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Load it; say what was taken, what was left out and why."""
    from registry.actions.load_scan import ScanOrder
    from registry.cli.opening import opened
    from registry.domain.scans import ScanKind, ScanReason

    order = ScanOrder(
        given.case,
        chosen_word(ScanKind, given.kind, "--kind"),
        chosen_word(ScanReason, given.reason, "--reason"),
        given.series,
        given.confirm_patient,
        given.confirm_burned_in,
    )
    paths = [Path(path) for path in given.paths]
    with opened(given, environment) as (ledger, viewer):
        if given.list:
            _list(viewer, paths)
        else:
            _load(ledger, viewer, paths, order)
    return 0


def _list(viewer: Viewer, paths: list[Path]) -> None:
    from registry.actions.load_scan import list_scans

    listed = list_scans(viewer, paths)
    for each in listed.series:
        day = each.acquired_on or "an unknown day"
        say(f"{each.number}: {each.words} ({each.kind}), of {day}, patient {each.patient}")
        if each.why_not:
            say(f"   not read: {each.why_not}")
    for item in listed.aside:
        say(f"left out {item.name}: {item.what}, {item.why}")
    say(_what_next(listed))


def _what_next(listed: ListedScans) -> str:
    if not listed.series:
        return "no series lies there"
    if listed.by_rule is not None:
        return f"series {listed.by_rule} is read by the rule; another with --series N"
    if any(each.is_readable for each in listed.series):
        return "these are several studies: choose with --series N"
    return "none of them can be read as it is"


def _load(ledger: Ledger, viewer: Viewer, paths: list[Path], order: ScanOrder) -> None:
    from registry.actions.load_scan import load_scan
    from registry.cli.opening import instant

    loaded = load_scan(ledger, viewer, paths, order, instant())
    for item in loaded.left_out:
        say(f"left out {item.name}: {item.what}, {item.why}")
    for warning in loaded.warnings:
        say(f"note: {warning}")
    say(
        f"left behind: {len(loaded.left_behind.could_name)} attributes that could name somebody, "
        f"{loaded.left_behind.private} private; see the scan's page"
    )
    slices, rows, columns = loaded.shape
    did = "attached" if loaded.is_new else "was attached already, nothing changed:"
    say(
        f"{did} {loaded.kind} of {loaded.scanned_on} ({slices} slices of {rows} x {columns}) "
        f"to case {loaded.case_ref}; {loaded.readings_owed} readings are now owed"
    )
    if loaded.not_counted:
        say(f"note: the case is not counted on this scan: {loaded.not_counted}")


def chosen_word(kind: type[Word], text: str | None, option: str) -> Word | None:
    """Return the word of a closed set that an option gives, or None."""
    try:
        return None if text is None else parse_word(kind, text)
    except ValueError as error:
        raise BadInputError(Fault(f"no such word: {text!r}", option, str(error))) from None
