"""What of a series was left behind when it was taken in: attributes by name, never a value."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

from pydicom.datadict import dictionary_description, dictionary_has_tag, dictionary_VR
from pydicom.dataset import Dataset
from pydicom.tag import Tag

from registry.imaging.parsing import DAMAGE, stated_vr, without_warnings
from registry.imaging.profile import action_of, is_drawing, is_private

if TYPE_CHECKING:
    from collections.abc import Iterable, Iterator, Mapping

    from pydicom.tag import BaseTag

_GROUP_LENGTH = 0x0000
_CREATORS = range(0x0010, 0x0100)

# What identity.ScanIdentity takes to the vault.
VAULTED = frozenset(
    {
        *(0x00080018, 0x00080020, 0x00080030, 0x00080050, 0x00080090),
        *(0x00100010, 0x00100020, 0x00100030, 0x00100040),
        *(0x0020000D, 0x0020000E, 0x00200010, 0x00200052),
    }
)
# What the reading itself uses, or identity.kept_words keeps; PS3.15's table lets all of it stand.
_USED = frozenset(
    {
        *(0x00080005, 0x00080008, 0x00080016, 0x00080060, 0x00080070, 0x00081090),
        *(0x00180015, 0x00180050, 0x00180060, 0x00181210, 0x00185100),
        *(0x00200012, 0x00200013, 0x00200032, 0x00200037),
        *(0x00280002, 0x00280004, 0x00280008, 0x00280010, 0x00280011, 0x00280030),
        *(0x00280100, 0x00280101, 0x00280102, 0x00280103, 0x00280120, 0x00280121, 0x00280301),
        *(0x00281052, 0x00281053, 0x00281054, 0x00282110),
        *(0x52009229, 0x52009230, 0x7FE00008, 0x7FE00009, 0x7FE00010),
    }
)


@dataclass(frozen=True)
class LeftBehindLine:
    """One attribute of the report.

    Attributes
    ----------
    number : such as (0010,0010)
    name : the standard's own; empty where the dictionary does not know it
    is_in_vault : it is kept encrypted, under the patient's key, and nowhere else
    """

    number: str
    name: str
    is_in_vault: bool


@dataclass(frozen=True)
class LeftBehindReport:
    """A report as it is shown.

    Attributes
    ----------
    slices : that were looked at
    could_name : attributes that could name somebody, in the order of their numbers
    other : how many more of the standard's attributes
    private, private_groups : attributes of makers' own, and in how many groups
    sequences, drawings : sequences; curves and overlays
    has_preamble : something stood before the first attribute
    """

    slices: int
    could_name: tuple[LeftBehindLine, ...]
    other: int
    private: int
    private_groups: int
    sequences: int
    drawings: int
    has_preamble: bool


class LeftBehind:
    """Gathers the attributes of a series, slice by slice.

    Top-level attributes are looked at on each slice; what lies inside a sequence, on the first
    slice that has it.
    """

    def __init__(self) -> None:
        self._slices = 0
        self._tags: set[int] = set()
        self._has_preamble = False

    @without_warnings()
    def note(self, dataset: Dataset) -> None:
        """Take one slice's attributes; nothing of a value is kept."""
        self._slices += 1
        self._has_preamble |= any(getattr(dataset, "preamble", None) or b"")
        self._tags.update(map(int, getattr(dataset, "file_meta", Dataset()).keys()))
        # Sequences are looked into before their own tags are known.
        self._tags.update([*_of_sequences(dataset, self._tags)])
        self._tags.update(map(int, dataset.keys()))

    def document(self) -> dict[str, Any]:
        """Return the report as a JSON document of at most a few kilobytes.

        Returns
        -------
        dict : `slices` looked at; `could_name`, the numbers of the attributes that PS3.15's Table
            E.1-1 lists, eight hexadecimal digits each, in their order; `other`, how many more of
            the standard's attributes; how many `private` ones in how many `private_groups`;
            `sequences`; `drawings`, curves and overlays; whether there was a `preamble`
        """
        tags = {tag for tag in self._tags if tag & 0xFFFF != _GROUP_LENGTH and tag not in _USED}
        private = {tag for tag in tags if is_private(tag)}
        drawings = {tag for tag in tags - private if is_drawing(tag)}
        public = tags - private - drawings
        could_name = {tag for tag in public if action_of(tag) is not None or tag in VAULTED}
        return {
            "slices": self._slices,
            "could_name": " ".join(f"{tag:08x}" for tag in sorted(could_name)),
            "other": len(public - could_name),
            "private": sum(tag & 0xFFFF not in _CREATORS for tag in private),
            "private_groups": len({tag >> 16 for tag in private}),
            "sequences": sum(_vr(Tag(tag)) == "SQ" for tag in public),
            "drawings": len(drawings),
            "preamble": self._has_preamble,
        }


def left_behind(datasets: Iterable[Dataset]) -> dict[str, Any]:
    """Return the report of a series; see `LeftBehind.document`."""
    gathered = LeftBehind()
    for dataset in datasets:
        gathered.note(dataset)
    return gathered.document()


def report(document: Mapping[str, Any]) -> LeftBehindReport:
    """Return the report that a document holds."""
    return LeftBehindReport(
        slices=document["slices"],
        could_name=tuple(_line(int(word, 16)) for word in document["could_name"].split()),
        other=document["other"],
        private=document["private"],
        private_groups=document["private_groups"],
        sequences=document["sequences"],
        drawings=document["drawings"],
        has_preamble=document["preamble"],
    )


def _line(tag: int) -> LeftBehindLine:
    known = dictionary_has_tag(tag)
    return LeftBehindLine(
        f"({tag >> 16:04x},{tag & 0xFFFF:04x})",
        dictionary_description(tag) if known else "",
        tag in VAULTED,
    )


def _of_sequences(dataset: Dataset, known: set[int]) -> Iterator[int]:
    """Yield what lies inside the sequences that are not known yet, at every depth."""
    for tag in dataset.keys():  # noqa: SIM118 - iterating a data set parses every value
        if int(tag) in known or is_private(int(tag)) or stated_vr(dataset, tag) != "SQ":
            continue
        try:
            items = list(dataset[tag].value)
        except DAMAGE:
            continue
        for item in items:
            yield from map(int, item.keys())
            yield from _of_sequences(item, known)


def _vr(tag: BaseTag) -> str:
    return str(dictionary_VR(tag)) if dictionary_has_tag(tag) else ""
