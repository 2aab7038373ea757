"""`restore`: put a ledger back from a backup."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from registry.cli.output import say, say_error

if TYPE_CHECKING:
    import argparse
    from collections.abc import Mapping


def add_arguments(command: argparse.ArgumentParser) -> None:
    """Take the file and the keys."""
    command.add_argument("file", metavar="FILE", type=Path, help="a file made by `backup`")
    command.add_argument(
        "--keys",
        metavar="FOLDER",
        type=Path,
        help="the keys folder that was kept apart (default: the keys already in --home)",
    )


def run(given: argparse.Namespace, environment: Mapping[str, str]) -> int:
    """Restore into an empty home; status 1 where the restored ledger is not as its trail says."""
    from registry.actions.restore import restore
    from registry.cli.backup import files_words
    from registry.cli.opening import instant
    from registry.store.home import home_folder

    home = home_folder(given.home, environment)
    done = restore(given.file, home, environment, given.keys, instant())
    found = done.unpacked
    say(
        f"restored the ledger of {done.manifest.made_at} into {home}: {found.rows} rows of "
        f"{found.tables} tables, {files_words(found.images, found.pictures, found.sealed)}, every "
        "digest equal"
    )
    if done.again:
        say(
            f"withdrew again {done.again} patients who were withdrawn since the backup; "
            f"{found.left_out} images of theirs were left out"
        )
    if done.without_key:
        say_error(
            f"the keys of {done.without_key} patients are not among the keys, so what the vault "
            "holds of them cannot be opened; use a copy of the keys as new as the backup"
        )
    if done.unnoted is not None:
        say_error(f"the trail took no event of it: {done.unnoted}")
    for item in done.wrong:
        say_error(item.line())
    if done.wrong:
        say_error(f"{len(done.wrong)} things are not as the trail says")
        return 1
    say("the ledger is as its trail says")
    return 0
