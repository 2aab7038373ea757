"""`quarter verify FILE`: whether a sealed file is what was sealed; opens no ledger."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.output import say, say_error
from registry.domain.caution import CAUTION
from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping

    from registry.store.sealing.checking import Checked

_TOLD = (
    ("quarter", "quarter"),
    ("unit", "unit"),
    ("sealed at", "sealed_at"),
    ("sealed by", "sealed_by"),
    ("countersigned by", "countersigned_by"),
)


def verify_file(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Say whether any byte differs, and what; status 1 where one does.

    BadInputError where a file cannot be read, or the key is none.
    """
    from registry.store.sealing.checking import check_sealed

    if given.file is None:
        raise BadInputError(Fault("which sealed file?", "verify", "name it after the word"))
    data = _bytes_of(given.file)
    key = None if given.key is None else _key_of(given.key)
    out = None if given.out is None else _free(Path(given.out), given.home, environment)
    found = check_sealed(data, key)
    if found.wrong:
        for line in found.wrong:
            say_error(f"{given.file}: {line}")
        say_error(f"{given.file} is not as it was sealed")
        return 1
    _tell(given, found)
    if out is not None:
        _take_out(out, found.files)
    say(CAUTION)
    return 0


def _bytes_of(name: str) -> bytes:
    try:
        return Path(name).read_bytes()
    except OSError as error:
        why = error.strerror or str(error)
        raise BadInputError(Fault(f"cannot be read ({why})", name, "name a file")) from error


def _key_of(name: str) -> bytes:
    from registry.store.sealing.signing import read_pem

    try:
        return read_pem(_bytes_of(name))
    except ValueError as error:
        mend = "give the unit's public key as a PEM file"
        raise BadInputError(Fault(str(error), name, mend)) from error


def _free(out: Path, home: str | None, environment: Mapping[str, str]) -> Path:
    from registry.store.exporting.folder import check_free
    from registry.store.home import home_folder

    check_free(out, home_folder(home, environment))
    return out


def _tell(given: argparse.Namespace, found: Checked) -> None:
    for words, name in _TOLD:
        if found.said.get(name):
            say(f"{words}: {_plain(found.said[name])}")
    say(f"{len(found.files)} files, every byte as it was sealed: {', '.join(found.files)}")
    say(f"signed under the key with SHA-256 {found.signer}")
    if found.signer_checked:
        say(f"signer checked: it is the key in {given.key}")
    else:
        say("signer not checked: give the unit's public key by --key to know who sealed it")


def _plain(value: object) -> str:
    """Return a word of the manifest without what could move a terminal's cursor."""
    return "".join(each for each in str(value) if each.isprintable())


def _take_out(out: Path, files: Mapping[str, bytes]) -> None:
    from registry.store.exporting.folder import staged

    with staged(out, files.items()) as put:
        put()
    say(f"written to {out}")
