"""`account add`: invite a person."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.output import say
from registry.domain.access import parse_roles
from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from registry.domain.access import Role


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take what to do, the name, the roles and the person."""
    command.add_argument(
        "what", choices=["add", "link"], help="add: invite someone; link: a new one-time link"
    )
    command.add_argument("name", metavar="NAME", help="the name to sign in with")
    command.add_argument(
        "--role", metavar="ROLE[,ROLE]", help="registrar, surgeon, quality lead, steward"
    )
    command.add_argument(
        "--person", metavar="NAME", help="whose account it is, as tables name them"
    )
    command.add_argument(
        "--new-person", action="store_true", help="add the person where nobody has that name"
    )
    command.add_argument(
        "--address", default="http://127.0.0.1:8000", help="where the pages are served"
    )
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that invites")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Make the account, or a new link to it, and print the one-time link."""
    from registry.actions.accounts import INVITATION_DAYS, invite, invite_again
    from registry.cli.opening import instant, opened

    roles = _roles(given)
    with opened(given, environment) as (ledger, viewer):
        if given.what == "link":
            token = invite_again(ledger, viewer, given.name, now=instant())
        else:
            token = invite(
                ledger,
                viewer,
                given.name,
                roles,
                person=given.person,
                now=instant(),
                new_person=given.new_person,
            )
    say(f"{given.address.rstrip('/')}/invitation/{token}")
    say(f"works once, within {INVITATION_DAYS} days; hand it over in person or by a safe way")
    return 0


def _roles(given: argparse.Namespace) -> frozenset[Role]:
    """Return the roles to give; a new link changes none, so it takes none."""
    if given.what == "link":
        said = [name for name in ("role", "person", "new_person") if getattr(given, name)]
        if said:
            raise BadInputError(
                Fault("a new link changes nothing else", f"--{said[0].replace('_', '-')}")
            )
        return frozenset()
    if not given.role:
        raise BadInputError(Fault("an account needs a role", "--role"))
    try:
        roles = parse_roles(given.role)
    except ValueError as error:
        raise BadInputError(
            Fault(f"no such role in {given.role!r}", "--role", str(error))
        ) from None
    if not roles:
        raise BadInputError(Fault("an account needs a role", "--role"))
    return roles
