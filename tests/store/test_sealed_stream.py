"""The sealed stream: what goes in comes out, and nothing else ever does."""

from __future__ import annotations

import hashlib
import hmac
import io
import random

import pytest
from cryptography.hazmat.primitives.ciphers import Cipher, algorithms, modes

from registry.domain.problems import BadInputError
from registry.store.sealed_stream import CHUNK, TAG, SealedReader, SealedWriter

KEY = bytes(range(32))


def sealed(content: bytes, key: bytes = KEY, step: int = 100_000) -> bytes:
    file = io.BytesIO()
    writer = SealedWriter(file, key)
    for start in range(0, len(content), step):
        writer.write(content[start : start + step])
    writer.close()
    return file.getvalue()


def opened(written: bytes, length: int, key: bytes = KEY) -> bytes:
    reader = SealedReader(io.BytesIO(written), key, "x.backup")
    content = reader.read(length)
    reader.require_end()
    return content


def random_bytes(length: int) -> bytes:
    return random.Random(length).randbytes(length)  # noqa: S311 - a test's own draw


def refusal(written: bytes, length: int, key: bytes = KEY) -> str:
    with pytest.raises(BadInputError) as refused:
        opened(written, length, key)
    (line,) = refused.value.lines()
    assert line.startswith("x.backup: ")
    return line


@pytest.mark.parametrize("length", [0, 1, CHUNK - 1, CHUNK, CHUNK + 1, 3 * CHUNK, 3 * CHUNK + 7])
def test_what_goes_in_comes_out(length):
    content = random_bytes(length)
    assert opened(sealed(content), length) == content
    assert opened(sealed(content, step=7 * CHUNK), length) == content


def test_every_changed_byte_of_a_file_is_seen():
    written = sealed(random_bytes(60))
    for place in range(len(written)):
        for flip in (0x01, 0x80):
            other = bytearray(written)
            other[place] ^= flip
            refusal(bytes(other), 60)


def test_every_length_but_its_own_is_seen():
    written = sealed(random_bytes(60))
    for length in range(len(written)):
        refusal(written[:length], 60)
    refusal(written + b"\0", 60)
    refusal(written * 2, 60)


def test_chunks_cannot_be_left_out_turned_round_cut_off_or_borrowed():
    length = 3 * CHUNK + 11
    written, other = sealed(random_bytes(length)), sealed(random_bytes(length))
    start = written.index(b"\n") + 1
    size = CHUNK + TAG
    line, rest = written[:start], written[start:]
    chunks = [rest[at : at + size] for at in range(0, len(rest), size)]
    assert len(chunks) == 4
    for order in ([0, 1, 2], [0, 1], [1, 2, 3], [0, 2, 1, 3], [0, 1, 1, 2, 3], [0, 1, 3], [3]):
        said = refusal(line + b"".join(chunks[number] for number in order), length)
        assert "not whole: it was cut short or changed" in said
    foreign = other[start : start + size]
    refusal(line + foreign + b"".join(chunks[1:]), length)
    refusal(other[:start] + rest, length)


def test_another_key_another_format_and_another_file_are_told_apart():
    written = sealed(b"abc")
    assert "made under another key" in refusal(written, 3, bytes(32))
    newer = written.replace(b"backup 1 ", b"backup 2 ", 1)
    assert "format 2, which this program does not know (1); install a newer" in refusal(newer, 3)
    for nothing in (b"", b"PK\3\4 a zip", b"\n" * 200, b"pedicle ledger backup 1 "):
        assert "not a backup of a ledger" in refusal(nothing, 3)


def test_no_more_than_what_was_written_can_be_read():
    reader = SealedReader(io.BytesIO(sealed(b"abc")), KEY, "x.backup")
    assert reader.read(3) == b"abc"
    with pytest.raises(BadInputError, match="not whole"):
        reader.read(1)
    left = SealedReader(io.BytesIO(sealed(b"abc")), KEY, "x.backup")
    with pytest.raises(BadInputError, match="not whole"):
        left.require_end()


def test_two_files_of_the_same_content_have_nothing_in_common_and_no_key():
    one, other = sealed(b"x" * 500), sealed(b"x" * 500)
    assert one[:40] == other[:40]  # what it is, and the key's name
    assert one[105:] != other[105:]
    for written in (one, other):
        assert KEY not in written
        assert b"x" * 8 not in written


def test_a_file_opens_with_the_published_steps_alone():
    """RFC 5869 sections 2.2 and 2.3 by plain HMAC; NIST SP 800-38D by the cipher's own mode."""
    content = random_bytes(CHUNK + 5)
    written = sealed(content)
    end = written.index(b"\n") + 1
    salt = bytes.fromhex(written[:end].split()[-1].decode())
    extracted = hmac.new(salt, KEY, hashlib.sha256).digest()
    key = hmac.new(extracted, b"pedicle ledger backup" + b"\1", hashlib.sha256).digest()
    found = b""
    for number, at in enumerate(range(end, len(written), CHUNK + TAG)):
        chunk = written[at : at + CHUNK + TAG]
        is_last = at + CHUNK + TAG >= len(written)
        nonce = number.to_bytes(11, "big") + bytes([is_last])
        opening = Cipher(algorithms.AES256(key), modes.GCM(nonce, chunk[-TAG:])).decryptor()
        opening.authenticate_additional_data(written[:end])
        found += opening.update(chunk[:-TAG]) + opening.finalize()
    assert found == content
