"""`teaching`: draw scans of known truth, mix them into worklists, print what readers found."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.output import say, say_json, say_table
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterator, Mapping
    from decimal import Decimal

    from registry.actions.drawn_scans import Drawing
    from registry.actions.known_truth import KnownTruth
    from registry.domain.known_truth import Purpose
    from reports.tables.known_truth import ReaderTruth, Share

_DOES = {
    "make": "draw scans, half of them for practice, half to be mixed in",
    "mix": "mix into worklists what today's share asks for; `serve` does so by itself",
    "results": "what readers found beside the truth",
}
_MOST_SCANS = 200


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take what to do, how many scans from which seed, and the form of the answer."""
    command.add_argument(
        "what",
        choices=list(_DOES),
        help="; ".join(f"{name}: {does}" for name, does in _DOES.items()),
    )
    command.add_argument(
        "--scans", type=int, default=8, metavar="N", help="with make: how many (8)"
    )
    command.add_argument(
        "--seed", type=int, default=1, metavar="S", help="with make: the first one's seed (1)"
    )
    command.add_argument(
        "--purpose",
        default="mixed",
        choices=["mixed", "practice"],
        help="with results: of screws mixed in (default), or of practice",
    )
    command.add_argument("--format", default="table", choices=["table", "json"])
    command.add_argument(
        "--as", dest="acting_as", metavar="NAME", help="the account it is done as (default: local)"
    )


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Do what was asked."""
    if given.what == "make":
        return _make(given, environment)
    return _mix(given, environment) if given.what == "mix" else _results(given, environment)


def _make(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    from registry.actions.teaching import kept_seeds, make_teaching_set
    from registry.cli.opening import instant, opened
    from registry.domain.problems import BadInputError, Fault

    if not 1 <= given.scans <= _MOST_SCANS:
        what = f"{given.scans} scans cannot be made at once"
        raise BadInputError(Fault(what, "--scans", f"give 1 to {_MOST_SCANS}"))
    if not 0 <= given.seed <= 2**31 - 1 - given.scans:
        raise BadInputError(Fault("no such seed", "--seed", "give a whole number from 0"))
    with opened(given, environment) as (ledger, viewer):
        kept = kept_seeds(ledger, viewer)
        wanted = [given.seed + number for number in range(given.scans)]
        fresh = [seed for seed in wanted if seed not in kept]
        new, _ = make_teaching_set(ledger, viewer, _drawn(fresh), instant())
    say(f"drawn {new} scans; {len(wanted) - len(fresh)} were there already")
    say(CAUTION)
    return 0


def _drawn(seeds: list[int]) -> Iterator[tuple[Purpose, Drawing]]:
    from registry.cli.drawing import drawn
    from registry.domain.known_truth import Purpose

    for seed in seeds:
        purpose = Purpose.MIXED if seed % 2 else Purpose.PRACTICE
        drawing = drawn(seed, purpose)
        say(f"seed {seed}: {len(drawing.screws)} screws, for {_FOR[purpose]}")
        yield purpose, drawing


_FOR = {"practice": "practice", "mixed": "worklists"}


def _mix(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    from registry.actions.teaching import mix_in
    from registry.cli.opening import instant, opened
    from registry.domain.access import Deed, Reach, require

    with opened(given, environment) as (ledger, viewer):
        require(viewer, Deed.ORDER_READINGS, at_least=Reach.ALL)
        share, mixed = ledger.settings.known_truth_share, mix_in(ledger, instant())
    if share == 0:
        say("mixed in none: the setting known_truth_share is 0 (0.05 makes one in twenty drawn)")
    else:
        say(
            f"mixed {mixed.given} drawn screws into worklists, all readers together; "
            f"{_share(share)}"
        )
    if mixed.lacking:
        say(
            f"{mixed.lacking} more are asked for, and no drawn scan is left for their readers: "
            "draw more from another seed (`teaching make --seed S`)"
        )
    return 0


def _share(share: Decimal) -> str:
    return f"the setting known_truth_share asks for {100 * share.normalize():f} in 100"


def _results(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    from registry.actions.known_truth import known_truth, known_truth_document
    from registry.cli.opening import opened
    from registry.domain.known_truth import Purpose

    with opened(given, environment) as (ledger, viewer):
        found = known_truth(ledger, viewer, Purpose(given.purpose))
    if given.format == "json":
        say_json(known_truth_document(found))
    else:
        _say(found)
    return 0


def _say(found: KnownTruth) -> None:
    from registry.actions.known_truth import missed_words

    say(missed_words(found.everybody))
    rows = [_row(each) for each in (*found.readers, found.everybody) if each.read]
    if rows:
        say_table(
            ["reader", "read", "missed 2 mm", "called contained", "false alarms", "same grade"],
            rows,
        )
    say("Drawn screws, counted in no rate; 95% intervals that take screws as independent.")
    say(CAUTION)


def _row(each: ReaderTruth) -> list[str]:
    shares = (each.missed, each.called_contained, each.false_alarms, each.exact)
    return [each.name, str(each.read), *map(_share_words, shares)]


def _share_words(share: Share) -> str:
    low, high = share.share.low, share.share.high
    if low is None or high is None:
        return "-"
    return f"{share.count} of {share.of} ({100 * low:.0f} to {100 * high:.0f}%)"
