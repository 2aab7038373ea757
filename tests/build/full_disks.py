"""A place on a disk that fills up: a small one of its own where this machine lets one be made.

Elsewhere the kernel's limit of a file's size (RLIMIT_FSIZE) stands in for it: the same calls fail
in the same places, with other words.
"""

from __future__ import annotations

import resource
import shutil
import subprocess
from contextlib import contextmanager
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from collections.abc import Callable, Iterator
    from pathlib import Path


@contextmanager
def small_disk(folder: Path, size: int, largest_file: int) -> Iterator[tuple[str, Callable]]:
    """Give the words of its being full, and what makes room again.

    `size` is the disk's, in bytes; `largest_file` what a file may have where none can be made.
    """
    folder.mkdir(exist_ok=True)
    mount = ["mount", "-t", "tmpfs", "-o", f"size={size}", "tmpfs", folder]
    if (
        shutil.which("mount")
        and not subprocess.run(mount, capture_output=True, check=False).returncode
    ):
        yield "No space left on device", lambda: subprocess.run(["umount", folder], check=True)
        subprocess.run(["umount", folder], capture_output=True, check=False)
        return
    before = resource.getrlimit(resource.RLIMIT_FSIZE)

    def make_room() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, before)

    resource.setrlimit(resource.RLIMIT_FSIZE, (largest_file, before[1]))
    try:
        yield "File too large", make_room
    finally:
        make_room()
