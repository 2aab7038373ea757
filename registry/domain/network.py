"""Names of peers in a DICOM network, as settings write them."""

from __future__ import annotations

import re
from dataclasses import dataclass
from ipaddress import IPv6Address, ip_address

# PS3.5 Table 6.2-1: at most 16 characters of the default repertoire, no backslash, no control
# characters, not spaces alone. Spaces are refused altogether: they hide in a settings file.
_TITLE = re.compile(r"[!-\[\]-~]{1,16}")
_HOST = re.compile(r"[A-Za-z0-9]([A-Za-z0-9.-]*[A-Za-z0-9])?")
_LAST_PORT = 65535


@dataclass(frozen=True)
class Sender:
    """Who may send here: an application entity's title, at one address.

    Attributes
    ----------
    title : str, its calling application entity title
    address : str, its IP address in canonical form
    """

    title: str
    address: str


@dataclass(frozen=True)
class Node:
    """An application entity that is called: title, host (name or address) and port."""

    title: str
    host: str
    port: int


def checked_title(text: str) -> str:
    """Return an application entity title; ValueError where it cannot be one."""
    title = text.strip()
    if not _TITLE.fullmatch(title):
        raise ValueError("an application entity title has 1 to 16 ASCII characters and no spaces")
    return title


def canonical_address(text: str) -> str:
    """Return an IP address in one spelling, an IPv4 one written as IPv6 as IPv4; else ValueError.

    Examples
    --------
    >>> canonical_address("::ffff:10.0.0.5")
    '10.0.0.5'
    """
    found = ip_address(text.strip().removeprefix("[").removesuffix("]"))
    if isinstance(found, IPv6Address) and found.ipv4_mapped is not None:
        return str(found.ipv4_mapped)
    return str(found)


def parse_sender(text: str) -> Sender:
    """Return the sender that `TITLE@address` names; ValueError where it names none."""
    title, at, address = text.strip().rpartition("@")
    if not at:
        raise ValueError("write TITLE@address, such as ARCHIVE@10.0.0.5")
    try:
        return Sender(checked_title(title), canonical_address(address))
    except ValueError as error:
        raise ValueError(f"{error}; write TITLE@address, such as ARCHIVE@10.0.0.5") from None


def parse_node(text: str) -> Node:
    """Return the node that `TITLE@host:port` names; ValueError where it names none."""
    title, _, rest = text.strip().rpartition("@")
    host, colon, port = rest.rpartition(":")
    is_port = port.isascii() and port.isdigit() and 1 <= int(port) <= _LAST_PORT
    if not title or not colon or not is_port:
        raise ValueError("write TITLE@host:port, such as ARCHIVE@archive.example.org:104")
    if not _HOST.fullmatch(host):
        host = canonical_address(host)
    return Node(checked_title(title), host, int(port))


def is_loopback(host: str) -> bool:
    """Return whether an address or name is this machine's own loopback."""
    try:
        return ip_address(host.strip("[]")).is_loopback
    except ValueError:
        return host.casefold() == "localhost"
