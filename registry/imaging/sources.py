"""The files under the paths a person gives: files, folders and zips in any mix, one at a time.

Nothing is unpacked to disk, so the paths stored in a zip are only ever shown, never followed.
"""

from __future__ import annotations

import io
import os
import stat
import zipfile
import zlib
from dataclasses import dataclass, field
from pathlib import Path, PurePath
from typing import TYPE_CHECKING, BinaryIO

from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator, Sequence

ZIP_BEGINNINGS = (b"PK\x03\x04", b"PK\x05\x06")
_ENCRYPTED = 0x1
# Python unpacks the other methods in pieces of unbounded size, whatever it is asked for.
_READ_METHODS = {zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED}
_MEBIBYTE = 1024 * 1024


@dataclass(frozen=True)
class LeftOut:
    """Something that was found and not taken: where it lies, what it is, why it stays out."""

    name: str
    what: str
    why: str

    def line(self) -> str:
        """Return it as one line of text."""
        return f"{self.name}: {self.what}, left out: {self.why}"


@dataclass(frozen=True)
class Limits:
    """How much one load may ask of the machine; settings of ours, no source.

    A slice is rarely above 2 MiB, a multi-frame image of 2,000 slices is 1 GiB, and a large study
    is below 5 GiB. The ratio only bears on members
    that unpack to `ratio_from_bytes` or more: a plain slice of air packs very well, too.
    """

    files: int = 50_000
    folder_depth: int = 32
    archive_bytes: int = 16 * 1024 * _MEBIBYTE
    member_bytes: int = 1024 * _MEBIBYTE
    ratio: int = 200
    ratio_from_bytes: int = 8 * _MEBIBYTE


class _Held(io.BufferedReader):
    """A plain file that is never asked for more than it holds.

    For whatever length a damaged header claims, up to gigabytes, a stream makes room before it
    looks how much there is.
    """

    def read(self, size: int | None = -1, /) -> bytes:
        if size is not None and size > _MEBIBYTE:
            size = min(size, max(os.fstat(self.fileno()).st_size - self.tell(), 0))
        return super().read(size)


@dataclass(frozen=True)
class SourceFile:
    """One file to look into: the name to show, and how to open its bytes."""

    name: str
    _opener: Callable[[], BinaryIO] = field(repr=False, compare=False)

    def open(self) -> BinaryIO:
        """Return a seekable stream of the file's bytes, for the caller to close."""
        return self._opener()


def walk(
    given: Iterable[Path | SourceFile | LeftOut], limits: Limits | None = None
) -> Iterator[SourceFile | LeftOut]:
    """Yield every file of what is given, once each and in order, or why it is not opened.

    A path is walked through; of what the caller opens by itself a zip is looked into, and its
    members are named by number alone: what came over the wire may hold a name in theirs.
    """
    bounds = limits or Limits()
    seen: set[Path] = set()
    count = 0
    for one in given:
        for entry in _under_path(one, seen, bounds) if isinstance(one, Path) else _of(one, bounds):
            count += 1
            if count > bounds.files:
                where = str(one) if isinstance(one, Path) else ""
                raise BadInputError(
                    Fault(f"holds more than {bounds.files} files", where, "load in parts")
                )
            yield entry


def _of(one: SourceFile | LeftOut, limits: Limits) -> Iterator[SourceFile | LeftOut]:
    """Yield what the caller opens by itself, or the members of the zip that it is."""
    if isinstance(one, SourceFile):
        try:
            with one.open() as stream:
                is_zip = stream.read(4) in ZIP_BEGINNINGS
        except OSError as error:
            one, is_zip = LeftOut(one.name, "unreadable file", error.strerror or str(error)), False
        if is_zip and isinstance(one, SourceFile):
            archive = _Archive(one.name, _numbered(one.name), limits)
            yield from archive.members(one.open)
            return
    yield one


def _numbered(zip_name: str) -> Callable[[int, zipfile.ZipInfo], str]:
    return lambda number, _: f"{zip_name}, member {number}"


def _as_stored(zip_name: str) -> Callable[[int, zipfile.ZipInfo], str]:
    return lambda _, member: f"{zip_name}/{printable(member.filename)}"


def _under_path(path: Path, seen: set[Path], limits: Limits) -> Iterator[SourceFile | LeftOut]:
    if not path.exists():
        raise BadInputError(Fault("no such file or folder", str(path)))
    for found in _under(path, limits):
        if isinstance(found, LeftOut):
            yield found
        elif (real := found.resolve()) not in seen:
            seen.add(real)
            yield from _of_file(found, limits)


def _under(path: Path, limits: Limits) -> Iterator[Path | LeftOut]:
    """Yield the regular files of a folder, at every depth; links inside it are not followed."""
    if not path.is_dir():
        yield path
        return
    for folder, folders, names in os.walk(path, onerror=_refuse_folder):
        here = Path(folder)
        depth = len(here.relative_to(path).parts)
        if depth > limits.folder_depth:
            raise BadInputError(
                Fault(f"folders lie more than {limits.folder_depth} deep", str(path))
            )
        folders.sort()
        for name in folders:
            if (here / name).is_symlink():
                yield LeftOut(str(here / name), "link", "links are not followed")
        for name in sorted(names):
            file = here / name
            if file.is_symlink():
                yield LeftOut(str(file), "link", "links are not followed")
            else:
                yield file


def _refuse_folder(error: OSError) -> None:
    raise BadInputError(Fault(f"cannot be read ({error.strerror})", str(error.filename)))


def _of_file(path: Path, limits: Limits) -> Iterator[SourceFile | LeftOut]:
    """Yield the file itself, or the members of the zip that it is."""
    name = str(path)
    try:
        if not stat.S_ISREG(path.stat().st_mode):
            yield LeftOut(name, "not a plain file", "only files, folders and zips are read")
            return
        with path.open("rb") as stream:
            beginning = stream.read(4)
    except OSError as error:
        yield LeftOut(name, "unreadable file", error.strerror or "it cannot be opened")
        return
    if beginning in ZIP_BEGINNINGS:
        archive = _Archive(name, _as_stored(name), limits)
        yield from archive.members(lambda: path)
    else:
        yield SourceFile(name, lambda: _Held(path.open("rb", buffering=0)))


@dataclass(frozen=True)
class _Archive:
    """A zip: how it and its members are named, and how much it may hold."""

    name: str
    name_of: Callable[[int, zipfile.ZipInfo], str]
    limits: Limits

    def members(self, opener: Callable[[], Path | BinaryIO]) -> Iterator[SourceFile | LeftOut]:
        """Yield the members, their promised sizes checked before anything is unpacked."""
        try:
            # Closed by its own finaliser once the last member's opener is gone.
            archive = zipfile.ZipFile(opener())
        except (zipfile.BadZipFile, OSError, ValueError, NotImplementedError) as error:
            raise BadInputError(
                Fault("the zip is damaged", self.name, "copy or download it again")
            ) from error
        members = [member for member in archive.infolist() if not member.is_dir()]
        self._refuse_bomb(members)
        for number, member in enumerate(members, start=1):
            name = self.name_of(number, member)
            if stat.S_ISLNK(member.external_attr >> 16):
                yield LeftOut(name, "link", "links are not followed")
            elif member.flag_bits & _ENCRYPTED:
                yield LeftOut(name, "encrypted file in a zip", "unpack it with its password first")
            elif member.compress_type not in _READ_METHODS:
                why = "zip it again with the usual method"
                yield LeftOut(name, "file packed in a rare way", why)
            else:
                yield SourceFile(name, _member_opener(archive, member, self.limits))

    def _refuse_bomb(self, members: Sequence[zipfile.ZipInfo]) -> None:
        limits, mend = self.limits, "unpack it by hand if you trust it, and load the folder"
        if len(members) > limits.files:
            what = f"the zip holds more than {limits.files} files"
            raise BadInputError(Fault(what, self.name, mend))
        if sum(member.file_size for member in members) > limits.archive_bytes:
            size = limits.archive_bytes // _MEBIBYTE
            raise BadInputError(Fault(f"the zip unpacks to more than {size} MiB", self.name, mend))
        for number, member in enumerate(members, start=1):
            name = self.name_of(number, member)
            if member.file_size > limits.member_bytes:
                size = limits.member_bytes // _MEBIBYTE
                raise BadInputError(Fault(f"unpacks to more than {size} MiB", name, mend))
            packed = max(member.compress_size, 1)
            if member.file_size >= limits.ratio_from_bytes and (
                member.file_size > limits.ratio * packed
            ):
                what = f"unpacks to more than {limits.ratio} times its size"
                raise BadInputError(Fault(what, name, mend))


def _member_opener(
    archive: zipfile.ZipFile, member: zipfile.ZipInfo, limits: Limits
) -> Callable[[], BinaryIO]:
    def opener() -> BinaryIO:
        try:
            with archive.open(member) as packed:
                # The size in the directory is a promise: what really comes out is counted too.
                content = packed.read(limits.member_bytes + 1)
        except (zipfile.BadZipFile, zlib.error, EOFError, RuntimeError) as error:
            raise OSError("its place in the zip is damaged") from error
        if len(content) > limits.member_bytes:
            raise OSError("it unpacks to more than the zip says")
        return io.BytesIO(content)

    return opener


def printable(text: str) -> str:
    """Return text from a file with everything that could steer a terminal replaced."""
    return "".join(letter if letter.isprintable() else "?" for letter in text)


def common_place(names: Sequence[str]) -> str:
    """Return the one name, or the folder that all lie in with their number."""
    if len(names) == 1:
        return names[0]
    parts = [PurePath(name).parent.parts for name in names]
    shared = 0
    for level in zip(*parts, strict=False):
        if len(set(level)) > 1:
            break
        shared += 1
    folder = PurePath(*parts[0][:shared])
    return f"{folder} ({len(names)} files)"


def gather(left_out: Sequence[LeftOut]) -> list[LeftOut]:
    """Return one line for many files that are left out alike from one folder."""
    alike: dict[tuple[str, str, str], list[str]] = {}
    for each in left_out:
        folder = each.name.rpartition("/")[0]
        alike.setdefault((folder, each.what, each.why), []).append(each.name)
    return [LeftOut(common_place(names), what, why) for (_, what, why), names in alike.items()]
