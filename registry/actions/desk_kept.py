"""The pictures that were cut last, in this process's memory, so that none is cut twice in a row.

A reload, a return to a screw and another reader of it then wait for no cutting. Whoever asks has
been let in before: `desk_screw.open_screw` comes first, each time. Nothing of it is written down.
"""

from __future__ import annotations

from collections import OrderedDict
from threading import Lock
from typing import TYPE_CHECKING, Protocol, TypeAlias, TypeVar

if TYPE_CHECKING:
    from collections.abc import Callable, Hashable
    from pathlib import Path

    import numpy as np
    from numpy.typing import NDArray

    Asked: TypeAlias = tuple[Path, Hashable]

MOST_BYTES = 256 * 1024 * 1024
"""Some hundred screws; ours, no source."""


class _Pictures(Protocol):
    @property
    def values(self) -> NDArray[np.int16]: ...


Cut = TypeVar("Cut", bound=_Pictures)


class KeptPictures:
    """Pictures by the image's file and by what of it was asked for; the last used ones stay."""

    def __init__(self, most_bytes: int = MOST_BYTES) -> None:
        self._most = most_bytes
        self._kept: OrderedDict[Asked, _Pictures] = OrderedDict()
        self._lock = Lock()

    @property
    def held_bytes(self) -> int:
        """What the pictures take."""
        with self._lock:
            return self._held()

    def _held(self) -> int:
        return sum(each.values.nbytes for each in self._kept.values())

    def get(self, path: Path, asked: Hashable, cut: Callable[[], Cut]) -> Cut:
        """Return the pictures of an image's file that were cut for the same, else cut them.

        `asked` tells everything that the cutting depends on besides the file, its kind first. Two
        who ask for the same at once may both cut it.
        """
        with self._lock:
            self._drop_deleted()
            found = self._kept.get((path, asked))
            if found is not None:
                self._kept.move_to_end((path, asked))
                return found  # type: ignore[return-value]  # its kind stands in what was asked
        made = cut()
        made.values.setflags(write=False)
        with self._lock:
            self._kept[path, asked] = made
            while self._held() > self._most:
                self._kept.popitem(last=False)
        return made

    def _drop_deleted(self) -> None:
        """Let go of what was cut from images that are gone, such as a withdrawn patient's."""
        gone = {path for path in {path for path, _ in self._kept} if not path.is_file()}
        for key in [key for key in self._kept if key[0] in gone]:
            del self._kept[key]


KEPT = KeptPictures()
"""This process's."""
