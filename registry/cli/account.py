"""`account add`: invite a person."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.output import say

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take what to do, the name, the roles and the person."""
    command.add_argument("what", choices=["add"], help="add: invite someone")
    command.add_argument("name", metavar="NAME", help="the name to sign in with")
    command.add_argument(
        "--role",
        required=True,
        metavar="ROLE[,ROLE]",
        help="registrar, surgeon, quality lead, steward",
    )
    command.add_argument(
        "--person", metavar="NAME", help="whose account it is, as tables name them"
    )
    command.add_argument(
        "--address", default="http://127.0.0.1:8000", help="where the pages are served"
    )
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that invites")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Make the account and print its one-time link."""
    from registry.actions.accounts import INVITATION_DAYS, invite
    from registry.cli.opening import instant, opened
    from registry.domain.access import parse_roles
    from registry.domain.problems import BadInputError, Fault

    try:
        roles = parse_roles(given.role)
    except ValueError as error:
        raise BadInputError(
            Fault(f"no such role in {given.role!r}", "--role", str(error))
        ) from None
    if not roles:
        raise BadInputError(Fault("an account needs a role", "--role"))
    with opened(given, environment) as (ledger, viewer):
        token = invite(ledger, viewer, given.name, roles, person=given.person, now=instant())
    say(f"{given.address.rstrip('/')}/invitation/{token}")
    say(f"works once, within {INVITATION_DAYS} days; hand it over in person or by a safe way")
    return 0
