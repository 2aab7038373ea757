"""`backup`: write the ledger into one encrypted file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.output import say, say_error

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the file, whether to rehearse, and the account."""
    from registry.cli.opening import add_as

    command.add_argument("file", metavar="FILE", type=Path, help="a new file, on another disk")
    command.add_argument(
        "--rehearse",
        action="store_true",
        help="restore it into a temporary folder and check all of it",
    )
    command.add_argument(
        "--copy-keys",
        metavar="FOLDER",
        type=Path,
        help="copy the keys as well, into a new folder that is then kept in another place",
    )
    add_as(command)


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Write the file, then say what it holds; status 1 where a rehearsal finds anything wrong."""
    from registry.actions.backup import back_up, rehearse
    from registry.cli.opening import instant, opened
    from registry.store.private_files import copy_keys, refuse_existing

    if given.copy_keys is not None:
        refuse_existing(given.copy_keys)
    with opened(given, environment) as (ledger, viewer):
        done = back_up(ledger, viewer, given.file, instant())
        written = done.written
        say(
            f"backed up to {given.file}: {written.manifest.length} events, "
            f"{len(written.manifest.tables)} tables, "
            f"{files_words(written.images, written.pictures, written.sealed)}"
        )
        for digest in written.missing:
            say_error(
                f"the file {digest[:12]} is not in the folder of images, so the backup lacks it"
            )
        say_about(ledger.home, is_new_key=done.is_new_key, unnoted=done.unnoted)
        if given.copy_keys is not None:
            copy_keys(ledger.keys.folder, given.copy_keys)
            say(f"copied the keys to {given.copy_keys}: keep them in another place than the backup")
        if not given.rehearse:
            return 0
        rehearsed = rehearse(ledger, viewer, given.file, environment, instant())
    found = rehearsed.unpacked
    say(
        f"rehearsed: {found.rows} rows of {found.tables} tables, "
        f"{files_words(found.images, found.pictures, found.sealed)} were restored into a temporary "
        f"folder, every digest is equal, and the trail ends at event {written.manifest.length}, "
        f"{written.manifest.head[:12]}, as here"
    )
    for item in rehearsed.wrong:
        say_error(item.line())
    if rehearsed.wrong:
        say_error(f"{len(rehearsed.wrong)} things of the restored ledger are not as its trail says")
        return 1
    say("the restored ledger is as its trail says; nothing of it was kept")
    return 0


def files_words(images: int, pictures: int, sealed: int) -> str:
    """Return what a backup holds beside the rows: pictures of readings, sealed quarters too."""
    return f"{images} images, {pictures} pictures, {sealed} sealed files"


def say_about(home: Path, *, is_new_key: bool, unnoted: str | None) -> None:
    """Say what the steward has to know about the keys and the trail."""
    if is_new_key:
        say(f"made {home / 'keys' / 'backup.key'}: copy the keys folder again, no backup holds it")
    if unnoted is not None:
        say_error(f"the trail took no event of it: {unnoted}")
