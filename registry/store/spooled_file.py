"""One file that came in, encrypted, and readable from any place in it.

A line says what it is, a salt follows, then AES-256-GCM chunks under a key derived from the
arrival's key and the salt. A chunk's nonce is its number and whether it is the last, so that none
can be changed, left out, put elsewhere or cut off; any chunk opens by itself, which a zip needs.

References
----------
As for `sealed_stream`: CRYPTO 2015 (STREAM), NIST SP 800-38D (GCM), RFC 5869 (HKDF).
"""

from __future__ import annotations

import io
import secrets
from typing import TYPE_CHECKING, BinaryIO, cast

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

if TYPE_CHECKING:
    from collections.abc import Iterable
    from pathlib import Path

CHUNK = 256 * 1024
_TAG = 16
_LINE = b"ledger spool 1\n"
_SALT_BYTES = 32
_HEADER = len(_LINE) + _SALT_BYTES
_COUNTER_BYTES = 11
_DAMAGED = "it is not as it was received"


def write_spooled(file: BinaryIO, key: bytes, blocks: Iterable[bytes]) -> int:
    """Write the blocks encrypted; return how many bytes they were."""
    salt = secrets.token_bytes(_SALT_BYTES)
    cipher = _cipher(key, salt)
    file.write(_LINE + salt)
    waiting, number, size = bytearray(), 0, 0
    for block in blocks:
        size += len(block)
        waiting += block
        # One byte more than a chunk: the last one is known to be the last when it is sealed.
        while len(waiting) > CHUNK:
            file.write(cipher.encrypt(_nonce(number, is_last=False), bytes(waiting[:CHUNK]), _LINE))
            del waiting[:CHUNK]
            number += 1
    file.write(cipher.encrypt(_nonce(number, is_last=True), bytes(waiting), _LINE))
    return size


def open_spooled(path: Path, key: bytes) -> BinaryIO:
    """Return a seekable stream of a file's bytes as they came in; OSError where it is damaged."""
    reader = _Reader(path, key)
    return cast("BinaryIO", _Held(reader, reader.size))


class _Held(io.BufferedReader):
    """A file that is never asked for more than it holds.

    For whatever length a damaged header claims, up to gigabytes, a stream makes room before it
    looks how much there is.
    """

    def __init__(self, raw: io.RawIOBase, size: int) -> None:
        super().__init__(raw)
        self._size = size

    def read(self, size: int | None = -1, /) -> bytes:
        if size is not None and size > CHUNK:
            size = min(size, max(self._size - self.tell(), 0))
        return super().read(size)


class _Reader(io.RawIOBase):
    """Gives nothing before its chunk has been proved; holds one chunk at a time."""

    def __init__(self, path: Path, key: bytes) -> None:
        super().__init__()
        self._file = path.open("rb")
        try:
            self._cipher = _cipher(key, _salt(self._file.read(_HEADER)))
            sealed = self._file.seek(0, io.SEEK_END) - _HEADER
            self._chunks = max(1, -(-sealed // (CHUNK + _TAG)))
            self.size = sealed - self._chunks * _TAG
            self._held: tuple[int, bytes] = (-1, b"")
            self._at = 0
            # Proves the end as well: what was cut off between two chunks has lost its last one.
            self._chunk(self._chunks - 1)
        except BaseException:
            self._file.close()
            raise

    def readable(self) -> bool:
        return True

    def seekable(self) -> bool:
        return True

    def tell(self) -> int:
        return self._at

    def seek(self, offset: int, whence: int = io.SEEK_SET) -> int:
        start = {io.SEEK_SET: 0, io.SEEK_CUR: self._at, io.SEEK_END: self.size}[whence]
        if start + offset < 0:
            raise OSError("a place before the beginning of the file")
        self._at = start + offset
        return self._at

    def readinto(self, buffer: memoryview) -> int:  # type: ignore[override]
        if self._at >= self.size:
            return 0
        number, start = divmod(self._at, CHUNK)
        part = self._chunk(number)[start : start + len(buffer)]
        buffer[: len(part)] = part
        self._at += len(part)
        return len(part)

    def close(self) -> None:
        self._file.close()
        super().close()

    def _chunk(self, number: int) -> bytes:
        if self._held[0] != number:
            self._file.seek(_HEADER + number * (CHUNK + _TAG))
            sealed = self._file.read(CHUNK + _TAG)
            nonce = _nonce(number, is_last=number == self._chunks - 1)
            try:
                self._held = (number, self._cipher.decrypt(nonce, sealed, _LINE))
            except InvalidTag:
                raise OSError(_DAMAGED) from None
        return self._held[1]


def _salt(header: bytes) -> bytes:
    if len(header) != _HEADER or not header.startswith(_LINE):
        raise OSError(_DAMAGED)
    return header[len(_LINE) :]


def _cipher(key: bytes, salt: bytes) -> AESGCM:
    derive = HKDF(algorithm=hashes.SHA256(), length=32, salt=salt, info=_LINE)
    return AESGCM(derive.derive(key))


def _nonce(number: int, *, is_last: bool) -> bytes:
    return number.to_bytes(_COUNTER_BYTES, "big") + (b"\1" if is_last else b"\0")
