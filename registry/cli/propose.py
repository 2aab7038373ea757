"""`propose`: find the screws on a case's audit scan and measure them."""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING, Any

from registry.cli.output import say, say_json, say_table
from registry.domain.caution import CAUTION

if TYPE_CHECKING:
    import argparse
    from collections.abc import Iterable, Mapping
    from decimal import Decimal

    from registry.actions.proposal_numbers import ProposedNumbers
    from registry.actions.propose_case import CaseProposal
    from registry.domain.settings import Settings
    from registry.measure.axes import ScrewAxis
    from registry.measure.proposals.records import LoggedScrew

PROCESS = "registry.cli.proposal_process"
_SIDES = {"L": "left", "R": "right"}


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the case and the form of the answer."""
    from registry.cli.opening import add_as

    command.add_argument("--case", required=True, metavar="REF", help="its audit scan is measured")
    command.add_argument("--format", default="table", choices=["table", "json"])
    add_as(command)


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Print what the program proposes."""
    from registry.actions.propose_apart import propose_apart
    from registry.actions.propose_case import proposal_of_case
    from registry.cli.opening import instant, opened

    with opened(given, environment) as (ledger, viewer):
        work = partial(propose_apart, ledger.images.folder, module=PROCESS)
        found = proposal_of_case(ledger, viewer, given.case, work, instant())
        settings = ledger.settings
    if given.format == "json":
        say_json(document(found, settings))
    else:
        _say(found, settings)
    return 0


def document(found: CaseProposal, settings: Settings) -> dict[str, Any]:
    """Return what `--format json` prints."""
    from registry.actions.proposal_numbers import proposed_numbers

    return {
        "case": found.case_ref,
        "scan": f"scan:{found.scan_id}",
        "screws": [
            {
                **_place(each.logged),
                "number": each.logged.number,
                **_ends(each.axis),
                "diameter_mm": round(each.diameter_mm, 1),
                **_measured(proposed_numbers(each, settings)),
            }
            for each in found.proposal.screws
        ],
        "unmatched": [
            {
                **_ends(each.axis),
                "diameter_mm": round(each.diameter_mm, 1),
                "words": each.words,
            }
            for each in found.proposal.unmatched
        ],
        "missing": [
            {**_place(each), **({"number": each.number} if each.number > 1 else {})}
            for each in found.proposal.missing
        ],
    }


def _place(logged: LoggedScrew) -> dict[str, Any]:
    return {"level": logged.level, "side": str(logged.side)}


def _ends(axis: ScrewAxis) -> dict[str, Any]:
    return {
        "entry_mm": [round(value, 2) for value in axis.entry_mm],
        "tip_mm": [round(value, 2) for value in axis.tip_mm],
    }


def _number(value: Decimal | None) -> float | None:
    return None if value is None else float(value)


def _measured(numbers: ProposedNumbers) -> dict[str, Any]:
    return {
        "extent_mm": {str(wall): _number(mm) for wall, mm in numbers.extents_mm.items()},
        "uncertainty_mm": {str(wall): _number(mm) for wall, mm in numbers.sd_mm.items()},
        "grade": numbers.grade,
        "convergence_deg": _number(numbers.convergence_deg),
        "sagittal_deg": _number(numbers.sagittal_deg),
        "not_measured": {str(wall): why for wall, why in numbers.not_measured.items()} or None,
    }


def _say(found: CaseProposal, settings: Settings) -> None:
    from registry.actions.proposal_numbers import proposed_numbers
    from registry.domain.directions import Direction

    say(f"case {found.case_ref}, scan:{found.scan_id}: what the program proposes, in mm")
    measured = [(each, proposed_numbers(each, settings)) for each in found.proposal.screws]
    header = ["screw", *(str(wall).replace("_", " ") for wall in Direction), "grade"]
    rows = [
        [
            _name(each.logged),
            *(_cell(numbers, wall) for wall in Direction),
            numbers.grade or "none",
        ]
        for each, numbers in measured
    ]
    say_table(header, rows)
    for each, numbers in measured:
        for why, walls in _by_reason(numbers).items():
            say(f"{_name(each.logged)}: {', '.join(walls)} not measured: {why}")
    for extra in found.proposal.unmatched:
        say(f"found and not in the log: {extra.words}")
    for lost in found.proposal.missing:
        say(f"in the log and not found: {_name(lost)}")
    _say_notes(found.proposal.notes)
    say(CAUTION)


def _say_notes(notes: Iterable[str]) -> None:
    for note in notes:
        say(f"note: {note}")


def _name(logged: LoggedScrew) -> str:
    number = f", screw {logged.number}" if logged.number > 1 else ""
    return f"{logged.level} {_SIDES[logged.side]}{number}"


def _cell(numbers: ProposedNumbers, wall: Any) -> str:  # noqa: ANN401 - a Direction; its module is heavy to import early
    extent = numbers.extents_mm[wall]
    return "-" if extent is None else f"{extent} ± {numbers.sd_mm[wall]}"


def _by_reason(numbers: ProposedNumbers) -> dict[str, list[str]]:
    found: dict[str, list[str]] = {}
    for wall, why in numbers.not_measured.items():
        found.setdefault(why, []).append(str(wall).replace("_", " "))
    return found
