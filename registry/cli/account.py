"""`account`: invite a person, make a new link, change an account, end its sessions."""

from __future__ import annotations

from typing import TYPE_CHECKING

from registry.cli.output import say
from registry.domain.access import parse_roles
from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from registry.domain.access import Role, Viewer
    from registry.store.home import Ledger

_DOES = {
    "add": "invite someone",
    "link": "a new one-time link",
    "disable": "sign in no more",
    "enable": "sign in again",
    "give": "one more role",
    "take": "one role less",
    "end-sessions": "sign out everywhere",
}
_TAKES = {
    "add": {"role", "person", "new_person"},
    "link": {"ends_password", "reason"},
    "disable": {"reason"},
    "enable": {"reason"},
    "give": {"role", "reason"},
    "take": {"role", "reason"},
    "end-sessions": {"reason"},
}
_OPTIONS = ("role", "person", "new_person", "ends_password", "reason")


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take what to do, the name, the roles, the person and the reason."""
    command.add_argument(
        "what",
        choices=list(_DOES),
        help="; ".join(f"{name}: {words}" for name, words in _DOES.items()),
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
        "--ends-password",
        action="store_true",
        help="with link: others may know the password, so that it and every session end now",
    )
    command.add_argument("--reason", metavar="TEXT", help="why; kept in the event trail")
    command.add_argument(
        "--address", default="http://127.0.0.1:8000", help="where the pages are served"
    )
    command.add_argument("--as", dest="acting_as", metavar="NAME", help="the account that does it")


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Do what was asked; print the one-time link where there is one."""
    from registry.actions.accounts import INVITATION_DAYS
    from registry.cli.opening import opened

    _refuse_what_is_not_taken(given)
    roles = _roles(given)
    with opened(given, environment) as (ledger, viewer):
        if given.what in {"add", "link"}:
            token = _token(given, ledger, viewer, roles)
            say(f"{given.address.rstrip('/')}/invitation/{token}")
            say(f"works once, within {INVITATION_DAYS} days; hand it over in person or safely")
        else:
            say(_changed(given, ledger, viewer, roles))
    return 0


def _token(
    given: argparse.Namespace, ledger: Ledger, viewer: Viewer, roles: frozenset[Role]
) -> str:
    from registry.actions.accounts import invite, invite_again
    from registry.cli.opening import instant

    if given.what == "link":
        return invite_again(
            ledger,
            viewer,
            given.name,
            now=instant(),
            ends_password=given.ends_password,
            because=given.reason or "",
        )
    return invite(
        ledger,
        viewer,
        given.name,
        roles,
        person=given.person,
        now=instant(),
        new_person=given.new_person,
    )


def _changed(
    given: argparse.Namespace, ledger: Ledger, viewer: Viewer, roles: frozenset[Role]
) -> str:
    from registry.actions.accounts_changes import (
        disable,
        enable,
        end_sessions,
        give_role,
        take_role,
    )
    from registry.cli.opening import instant

    name, because, now = given.name, given.reason or "", instant()
    if given.what == "disable":
        disable(ledger, viewer, name, because=because, now=now)
        return f"{name} can sign in no more"
    if given.what == "enable":
        enable(ledger, viewer, name, because=because, now=now)
        return f"{name} can sign in again"
    if given.what == "give":
        (role,) = roles
        give_role(ledger, viewer, name, role, because=because, now=now)
        return f"{name} is now {role} as well, from the next sign-in"
    if given.what == "take":
        (role,) = roles
        take_role(ledger, viewer, name, role, because=because, now=now)
        return f"{name} is {role} no more"
    ended = end_sessions(ledger, viewer, name, because=because, now=now)
    return f"{ended} {'session' if ended == 1 else 'sessions'} of {name} ended"


def _refuse_what_is_not_taken(given: argparse.Namespace) -> None:
    said = [name for name in _OPTIONS if getattr(given, name)]
    wrong = [name for name in said if name not in _TAKES[given.what]]
    if wrong:
        raise BadInputError(
            Fault(f"`account {given.what}` does not take it", f"--{wrong[0].replace('_', '-')}")
        )


def _roles(given: argparse.Namespace) -> frozenset[Role]:
    """Return the roles meant: one or more with `add`, exactly one with `give` and `take`."""
    if "role" not in _TAKES[given.what]:
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
    if given.what in {"give", "take"} and len(roles) > 1:
        raise BadInputError(Fault("one role at a time", "--role"))
    return roles
