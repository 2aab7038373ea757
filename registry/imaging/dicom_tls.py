"""TLS between this ledger and its peers, each side with a certificate."""

from __future__ import annotations

import ssl
from dataclasses import dataclass
from typing import TYPE_CHECKING

from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    from pathlib import Path


@dataclass(frozen=True)
class Credentials:
    """The files that TLS needs, all PEM.

    Attributes
    ----------
    certificate : this ledger's own, with what leads to its authority
    key : its private key, without a password
    authority : certificates by which peers are known
    """

    certificate: Path
    key: Path
    authority: Path


def server_context(credentials: Credentials) -> ssl.SSLContext:
    """Return the context under which peers come in, none without a certificate."""
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.verify_mode = ssl.CERT_REQUIRED
    return _filled(context, credentials)


def client_context(credentials: Credentials) -> ssl.SSLContext:
    """Return the context under which a peer is called: it has to be who its certificate names."""
    return _filled(ssl.SSLContext(ssl.PROTOCOL_TLS_CLIENT), credentials)


def _filled(context: ssl.SSLContext, credentials: Credentials) -> ssl.SSLContext:
    # PS3.15 Annex B asks for TLS 1.2 at least (BCP 195); from memory.
    context.minimum_version = ssl.TLSVersion.TLSv1_2
    try:
        # Without a password here a protected key would be asked for on the terminal.
        context.load_cert_chain(credentials.certificate, credentials.key, password=_no_password)
    except (OSError, ssl.SSLError, ValueError) as error:
        raise _unusable("dicom_certificate, dicom_key", error) from None
    try:
        context.load_verify_locations(cafile=credentials.authority)
    except (OSError, ssl.SSLError) as error:
        raise _unusable("dicom_authority", error) from None
    return context


def _no_password() -> str:
    raise ValueError("the key is protected by a password")


def _unusable(setting: str, error: Exception) -> BadInputError:
    words = getattr(error, "strerror", None) or str(error)
    return BadInputError(
        Fault(f"the file cannot be used ({words})", setting, "name PEM files that belong together")
    )
