"""Whether a sealed file is what was sealed: from its bytes alone."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from registry.store.sealing.container import (
    SealedFileError,
    pack,
    unpack,
    written_manifest,
)
from registry.store.sealing.signing import fingerprint, is_signed, public_of, sign

if TYPE_CHECKING:
    from collections.abc import Mapping

_NO_KEY = "the manifest: it names no public key"


@dataclass(frozen=True)
class Checked:
    """What was found of a sealed file.

    Attributes
    ----------
    wrong : what differs from what was sealed, a line each; empty where nothing does
    said : the manifest; empty where it cannot be read
    signer : fingerprint of the key that the file names; empty where it names none
    signer_checked : the signature was held against a key that was given from outside
    files : bytes by name; empty where anything is wrong
    """

    wrong: tuple[str, ...]
    said: Mapping[str, object] = field(default_factory=dict)
    signer: str = ""
    signer_checked: bool = False
    files: Mapping[str, bytes] = field(default_factory=dict, repr=False)


def sealed(key: bytes, said: Mapping[str, object], files: Mapping[str, bytes]) -> bytes:
    """Return files sealed under a private key, with what else the manifest says."""
    manifest = written_manifest({**said, "public_key": public_of(key).hex()}, files)
    return pack(manifest, sign(key, manifest), files)


def check_sealed(data: bytes, key: bytes | None = None) -> Checked:
    """Return what is wrong with a sealed file.

    Parameters
    ----------
    data : the whole file
    key : the 32 byte public key of the unit, from elsewhere; None holds the signature against the
        key that the file itself names, which shows change and not who sealed
    """
    try:
        found = unpack(data)
    except SealedFileError as error:
        return Checked((str(error),))
    wrong = found.wrong()
    named = _named_key(found.said)
    if named is None:
        return Checked((_NO_KEY, *wrong), found.said)
    if not is_signed(named, found.signature, found.manifest):
        wrong.insert(0, "the manifest or its signature: one of them is not as it was sealed")
    elif key is not None and key != named:
        wrong.insert(0, f"the signer: sealed under {fingerprint(named)}, which is another key")
    return Checked(
        wrong=tuple(wrong),
        said=found.said,
        signer=fingerprint(named),
        signer_checked=key is not None,
        files={} if wrong else found.files(),
    )


def check_kept(
    manifest: bytes,
    signature: bytes,
    numbers: bytes,
    records: bytes,
    *,
    name: str,
    key: bytes | None,
) -> list[str]:
    """Return what is wrong with a seal whose parts a ledger keeps; empty where nothing is.

    Parameters
    ----------
    manifest : the exact bytes that were signed
    signature : 64 bytes as hexadecimal digits
    numbers, records : what the manifest gives digests of
    name : of the file of numbers in the manifest
    key : the unit's 32 byte public key; None holds the signature against the manifest's own
    """
    try:
        found = unpack(pack(manifest, bytes.fromhex(signature.decode()), {}))
    except ValueError:
        return ["its manifest or signature cannot be read"]
    wrong = []
    named = _named_key(found.said)
    if named is None or not is_signed(named, found.signature, found.manifest):
        wrong.append("its manifest or its signature is not as it was sealed")
    elif key is not None and key != named:
        wrong.append("it was sealed under another key than the ledger's own")
    listed = {each.name: each.sha256 for each in found.listed}
    said = found.said.get("records")
    told = said.get("sha256") if isinstance(said, dict) else None
    for what, kept, digest in (("numbers", numbers, listed.get(name)), ("records", records, told)):
        if hashlib.sha256(kept).hexdigest() != digest:
            wrong.append(f"its {what} are not those that were sealed")
    return wrong


def _named_key(said: Mapping[str, object]) -> bytes | None:
    text = said.get("public_key")
    try:
        return bytes.fromhex(text) if isinstance(text, str) else None
    except ValueError:
        return None
