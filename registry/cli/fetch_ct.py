"""`fetch-ct`: fetch a CT study from the hospital's archive."""

from __future__ import annotations

from datetime import date
from typing import TYPE_CHECKING

from registry.cli.listen import DEFAULT_PORT
from registry.cli.load_ct import chosen_word
from registry.cli.output import say
from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping, Sequence

    from registry.actions.fetch import FoundStudy, Wanted, Way
    from registry.actions.finish_arrival import SaidBeforehand
    from registry.domain.access import Viewer
    from registry.store.home import Ledger


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take whose CT is wanted, from which archive, and how."""
    from registry.cli.opening import add_as

    whose = command.add_mutually_exclusive_group(required=True)
    whose.add_argument("--case", metavar="REF", help="of this case's patient, from its day on")
    whose.add_argument("--patient", metavar="NUMBER", help="the hospital's number")
    whose.add_argument("--accession", metavar="NUMBER", help="the order's number")
    whose.add_argument("--study", metavar="UID", help="the study's own identifier")
    command.add_argument("--from", dest="first", metavar="DAY", help="first day of the study")
    command.add_argument("--to", dest="last", metavar="DAY", help="last day of the study")
    command.add_argument("--list", action="store_true", help="say what there is, fetch nothing")
    command.add_argument("--number", type=int, metavar="N", help="fetch this one of the list")
    command.add_argument(
        "--by", choices=["web", "move", "get"], help="DICOMweb, C-MOVE or C-GET (by the settings)"
    )
    command.add_argument("--url", default="", help="of DICOMweb (setting `archive_url`)")
    command.add_argument(
        "--peer", metavar="TITLE@HOST:PORT", help="a DICOM node (setting `archive_peer`)"
    )
    command.add_argument("--host", default="127.0.0.1", help="C-MOVE: address to receive on")
    command.add_argument(
        "--port", type=int, default=DEFAULT_PORT, help=f"C-MOVE: and port ({DEFAULT_PORT})"
    )
    command.add_argument("--series", type=int, metavar="N", help="with --case: read this one of it")
    command.add_argument("--kind", help="with --case: intra-operative 3D, post-operative CT, ...")
    command.add_argument("--reason", help="with --case: routine, symptoms, other, not stated")
    command.add_argument(
        "--confirm-patient",
        metavar="REASON",
        default="",
        help="with --case: it is the case's patient although the files say otherwise",
    )
    add_as(command)


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Find, list and fetch; with --case read it at once, else it waits as an arrival."""
    from registry.actions.fetch import archive_of, chosen_study, fetch_study, find_studies
    from registry.cli.opening import instant, opened

    said = _said(given)
    with opened(given, environment) as (ledger, viewer):
        archive = archive_of(ledger, _way(given))
        found = find_studies(ledger, viewer, archive, _wanted(given), instant())
        _say_found(found)
        if given.list:
            return 0
        study = chosen_study(found, given.number)
        arrival = fetch_study(ledger, viewer, archive, study, instant)
        if said is None:
            say(f"fetched; it waits as arrival {arrival} for somebody to say whose it is")
        else:
            _finish(ledger, viewer, arrival, said)
    return 0


def _said(given: argparse.Namespace) -> SaidBeforehand | None:
    from registry.actions.finish_arrival import SaidBeforehand
    from registry.domain.scans import ScanKind, ScanReason

    kind = chosen_word(ScanKind, given.kind, "--kind")
    reason = chosen_word(ScanReason, given.reason, "--reason")
    if given.case is None:
        return None
    return SaidBeforehand(given.case, kind, reason, given.series, given.confirm_patient)


def _finish(ledger: Ledger, viewer: Viewer, arrival: int, said: SaidBeforehand) -> None:
    from registry.actions.finish_arrival import finish_arrival
    from registry.cli.opening import instant

    done = finish_arrival(ledger, viewer, arrival, said, instant)
    left_out = () if done.survey is None else done.survey.left_out
    for each in left_out:
        files = "1 file" if each.files == 1 else f"{each.files} files"
        say(f"left out {files}: {each.what}, {each.why}")
    say(f"fetched and attached to case {done.case_ref}; its screws wait for their readers")


def _way(given: argparse.Namespace) -> Way:
    from dataclasses import replace

    named = way_of(given.url, given.peer)
    return replace(named, by=given.by or "", host=given.host, port=given.port)


def way_of(url: str, peer: str | None) -> Way:
    """Return the archive that two options name; BadInputError says what is wrong with them."""
    from registry.actions.fetch import Way
    from registry.domain.network import parse_node
    from registry.store.configuration import web_address

    try:
        node = None if peer is None else parse_node(peer)
    except ValueError as error:
        raise BadInputError(Fault("no such node", "--peer", str(error))) from None
    try:
        address = web_address(url)
    except ValueError as error:
        raise BadInputError(Fault("no such address", "--url", str(error))) from None
    return Way(url=address, peer=node)


def _wanted(given: argparse.Namespace) -> Wanted:
    from registry.actions.fetch import Wanted

    return Wanted(
        case_ref=given.case or "",
        patient=given.patient or "",
        accession=given.accession or "",
        study_uid=given.study or "",
        first=_day(given.first, "--from"),
        last=_day(given.last, "--to"),
    )


def _day(text: str | None, option: str) -> date | None:
    try:
        return None if text is None else date.fromisoformat(text)
    except ValueError:
        raise BadInputError(
            Fault(f"no such day: {text!r}", option, "write it as 2026-09-30")
        ) from None


def _say_found(found: Sequence[FoundStudy]) -> None:
    for number, each in enumerate(found, start=1):
        day = each.study.day or "an unknown day"
        say(f"{number}: CT of {day}{_named(each.study.words)}")
        for series in each.series:
            say(f"   {_images(series.images)}{_named(series.words)}")
    if not found:
        say("the archive has no CT of it in these days")


def _images(count: int | None) -> str:
    if count is None:
        return "images not counted"
    return "1 image" if count == 1 else f"{count} images"


def _named(words: str) -> str:
    return f", {words}" if words else ""
