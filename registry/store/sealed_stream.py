"""A file that is encrypted and authenticated as a stream, in bounded memory.

One line of text says what the file is, names the key (by a digest, never the key) and gives the
file's salt; AES-256-GCM chunks follow under a key derived from both. Each chunk's nonce is its
number and whether it is the last, and each is bound to the line, so that chunks cannot be changed,
left out, put in another order, cut off or moved into another file.

References
----------
Hoang VT, Reyhanitabar R, Rogaway P, Vizar D. Online authenticated-encryption and its nonce-reuse
misuse-resistance. CRYPTO 2015 (the construction STREAM: counter and last flag in the nonce).
NIST SP 800-38D (GCM); RFC 5869 (HKDF); RFC 2104 (HMAC).
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from typing import TYPE_CHECKING

from cryptography.exceptions import InvalidTag
from cryptography.hazmat.primitives import hashes
from cryptography.hazmat.primitives.ciphers.aead import AESGCM
from cryptography.hazmat.primitives.kdf.hkdf import HKDF

from registry.domain.problems import BadInputError, Fault

if TYPE_CHECKING:
    from typing import BinaryIO

CHUNK = 256 * 1024
TAG = 16
_WORD = "pedicle ledger backup"
_FORMAT = 1
_LINE = re.compile(rb"pedicle ledger backup (\d{1,4}) ([0-9a-f]{16}) ([0-9a-f]{64})\n")
_LONGEST_LINE = 120
_COUNTER_BYTES = 11


class SealedWriter:
    """Takes bytes and writes them sealed; the file is whole only once `close` was called."""

    def __init__(self, file: BinaryIO, key: bytes) -> None:
        salt = secrets.token_bytes(32)
        self._line = f"{_WORD} {_FORMAT} {_key_name(key)} {salt.hex()}\n".encode()
        self._cipher = _cipher(key, salt)
        self._file = file
        self._number = 0
        self._waiting = bytearray()
        file.write(self._line)

    def write(self, content: bytes) -> None:
        """Take some bytes."""
        self._waiting += content
        while len(self._waiting) > CHUNK:
            self._seal(bytes(self._waiting[:CHUNK]), is_last=False)
            del self._waiting[:CHUNK]

    def close(self) -> None:
        """Seal what is left as the last chunk."""
        self._seal(bytes(self._waiting), is_last=True)
        self._waiting.clear()

    def _seal(self, chunk: bytes, *, is_last: bool) -> None:
        nonce = _nonce(self._number, is_last=is_last)
        self._file.write(self._cipher.encrypt(nonce, chunk, self._line))
        self._number += 1


class SealedReader:
    """Gives back what a `SealedWriter` took; nothing is given before its chunk has been proved."""

    def __init__(self, file: BinaryIO, key: bytes, name: str) -> None:
        self._file = file
        self._name = name
        self._line = file.readline(_LONGEST_LINE)
        salt = self._read_line(key)
        self._cipher = _cipher(key, salt)
        self._number = 0
        self._ready = b""
        self._next = file.read(CHUNK + TAG)
        self._is_over = False
        self._prove_next()

    def read(self, count: int) -> bytes:
        """Return exactly `count` bytes; BadInputError where the file holds fewer."""
        parts = []
        while count:
            if not self._ready:
                if self._is_over:
                    raise self.not_whole()
                self._prove_next()
                continue
            part, self._ready = self._ready[:count], self._ready[count:]
            parts.append(part)
            count -= len(part)
        return b"".join(parts)

    def require_end(self) -> None:
        """Raise BadInputError where anything is left."""
        if self._ready or not self._is_over:
            raise self.not_whole()

    def not_whole(self) -> BadInputError:
        """Return what is said of a file that does not hold what was written."""
        return BadInputError(
            Fault(
                "the backup is not whole: it was cut short or changed after it was made",
                self._name,
                "take another copy of it, or another backup",
            )
        )

    def _read_line(self, key: bytes) -> bytes:
        found = _LINE.fullmatch(self._line)
        if found is None:
            raise BadInputError(
                Fault("not a backup of a ledger", self._name, "give a file made by `backup`")
            )
        if int(found[1]) != _FORMAT:
            raise BadInputError(
                Fault(
                    f"a backup of format {int(found[1])}, which this program does not know "
                    f"({_FORMAT})",
                    self._name,
                    "install a newer program",
                )
            )
        if not hmac.compare_digest(found[2].decode(), _key_name(key)):
            raise BadInputError(
                Fault(
                    "the backup was made under another key",
                    self._name,
                    "name the keys folder of the ledger that made it, with its backup.key",
                )
            )
        return bytes.fromhex(found[3].decode())

    def _prove_next(self) -> None:
        sealed, self._next = self._next, self._file.read(CHUNK + TAG)
        self._is_over = not self._next
        try:
            nonce = _nonce(self._number, is_last=self._is_over)
            self._ready = self._cipher.decrypt(nonce, sealed, self._line)
        except InvalidTag:
            raise self.not_whole() from None
        self._number += 1


def _key_name(key: bytes) -> str:
    return hmac.new(key, b"name of a key of backups", hashlib.sha256).hexdigest()[:16]


def _cipher(key: bytes, salt: bytes) -> AESGCM:
    derive = HKDF(algorithm=hashes.SHA256(), length=32, salt=salt, info=_WORD.encode())
    return AESGCM(derive.derive(key))


def _nonce(number: int, *, is_last: bool) -> bytes:
    return number.to_bytes(_COUNTER_BYTES, "big") + (b"\1" if is_last else b"\0")
