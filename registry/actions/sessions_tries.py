"""Count wrong tries, and hold the next one back where there were too many."""

from __future__ import annotations

import hashlib
import hmac
import secrets
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_address
from typing import TYPE_CHECKING

from registry.actions.accounts_secrets import keyed
from registry.domain.problems import NotAllowedError
from registry.domain.tries import (
    ADDRESS,
    CONFIRMATION,
    KNOWN_BROWSER,
    NAME,
    NAME_FROM_ADDRESS,
    Limit,
    open_again,
)
from registry.store.queries import people

if TYPE_CHECKING:
    from collections.abc import Sequence
    from datetime import datetime

    from registry.store.home import Ledger

_MOST_MARKS = 5
_NETWORK_BITS = 64


@dataclass(frozen=True)
class Origin:
    """Where a sign-in comes from.

    Attributes
    ----------
    address : of the client; '' at the shell and in tests that do not ask
    marks : what the browser keeps of the accounts that have signed in with it
    agent : the browser in a few words
    """

    address: str = ""
    marks: str = ""
    agent: str = ""


@dataclass(frozen=True)
class Tried:
    """One kind of try, and what it counts against.

    Attributes
    ----------
    key : what was tried, as a digest
    address_hash : from where, as a keyed digest; None where that does not matter
    by_key, by_both, by_address : the limits of each
    told : what is said where there were too many
    """

    key: str
    address_hash: str | None = None
    by_key: Limit | None = None
    by_both: Limit | None = None
    by_address: Limit | None = None
    told: str = "too many failed sign-ins"


def begin_try(ledger: Ledger, tried: Tried, now: datetime) -> int:
    """Count a try before it is looked at, so that many at once count too; return its row's id.

    NotAllowedError where there were too many wrong ones; such a try is not counted.
    """
    with ledger.untracked() as session:
        attempt = people.note_failure(session, tried.key, tried.address_hash, now)
    counted = (
        (tried.by_key, {"key": tried.key}),
        (tried.by_both, {"key": tried.key, "address_hash": tried.address_hash}),
        (tried.by_address, {"address_hash": tried.address_hash}),
    )
    with ledger.reading() as session:
        waits = [
            opens
            for limit, found in counted
            if limit is not None
            and (opens := open_again(limit, people.other_failures(session, attempt, **found), now))
        ]
    if waits:
        take_back(ledger, attempt)
        raise NotAllowedError(f"{tried.told}; {_wait(waits, now)}")
    return attempt


def take_back(ledger: Ledger, attempt: int) -> None:
    """Forget a try that was right after all."""
    with ledger.untracked() as session:
        people.forget_failure(session, attempt)


def _wait(waits: Sequence[datetime], now: datetime) -> str:
    seconds = int((max(waits) - now).total_seconds())
    minutes = -(-seconds // 60)
    return "try again in a minute" if minutes <= 1 else f"try again in {minutes} minutes"


def sign_in_try(ledger: Ledger, name: str, account_id: int | None, origin: Origin) -> Tried:
    """Return what a sign-in counts against.

    A browser that has signed in to this account before counts by itself alone, so that nobody
    elsewhere can keep its owner out (OWASP, "Slow Down Online Guessing Attacks with Device
    Cookies").
    """
    mark = None if account_id is None else _mark_of(ledger, origin.marks, account_id)
    if mark is not None:
        return Tried(_hashed("browser", mark), by_key=KNOWN_BROWSER)
    return Tried(
        _hashed("name", people.name_key(name)),
        _address_hash(ledger, origin.address),
        by_key=NAME,
        by_both=NAME_FROM_ADDRESS,
        by_address=ADDRESS if origin.address else None,
    )


def invitation_try(ledger: Ledger, address: str) -> Tried:
    """Return what opening an invitation counts against."""
    by_address = ADDRESS if address else None
    return Tried(
        _hashed("invitation", ""),
        _address_hash(ledger, address),
        by_address=by_address,
        told="too many links that lead nowhere",
    )


def confirmation_try(account_id: int) -> Tried:
    """Return what entering the password again counts against."""
    key = _hashed("confirmation", str(account_id))
    return Tried(key, by_key=CONFIRMATION, told="too many wrong passwords; sign in again")


def marked(ledger: Ledger, marks: str, account_id: int) -> str:
    """Return what a browser is to keep once an account has signed in with it; newest first.

    A mark opens nothing: it only says that the browser has known the password before.
    """
    others = [
        mark
        for mark in marks.split("~")
        if _is_ours(ledger, mark) and not mark.startswith(f"{account_id}.")
    ]
    unsigned = f"{account_id}.{secrets.token_urlsafe(16)}"
    mark = f"{unsigned}.{keyed(ledger, 'browser', unsigned)}"
    return "~".join([mark, *others][:_MOST_MARKS])


def _mark_of(ledger: Ledger, marks: str, account_id: int) -> str | None:
    own = (mark for mark in marks.split("~") if mark.startswith(f"{account_id}."))
    return next((mark for mark in own if _is_ours(ledger, mark)), None)


def _is_ours(ledger: Ledger, mark: str) -> bool:
    unsigned, _, signature = mark.rpartition(".")
    said = keyed(ledger, "browser", unsigned)
    return hmac.compare_digest(said.encode(), signature.encode("utf-8", "surrogatepass"))


def _address_hash(ledger: Ledger, address: str) -> str:
    """Return the keyed digest of an address; of IPv6 the network that one subscriber holds."""
    try:
        parsed = ip_address(address)
    except ValueError:
        return keyed(ledger, "address", address)
    if isinstance(parsed, IPv6Address):
        mapped = parsed.ipv4_mapped
        network = int(parsed) >> _NETWORK_BITS
        return keyed(ledger, "address", str(mapped) if mapped else f"{network:x}/64")
    return keyed(ledger, "address", str(parsed))


def _hashed(use: str, text: str) -> str:
    """Return the key under which tries are counted; a name as it was typed may be a password."""
    return hashlib.sha256(f"{use}|{text}".encode("utf-8", "surrogatepass")).hexdigest()
