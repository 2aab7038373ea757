from io import BytesIO

import pytest
from pydicom.encaps import encapsulate, generate_frames

from registry.imaging.encapsulated import MOST_PIECES, OddPiecesError, frame_places, joined

FRAMES = [b"one1", b"second frame", b"the third one!"]
ITEM = b"\xfe\xff\x00\xe0"


def frames_of(content: bytes, count: int) -> list[bytes]:
    stream = BytesIO(content)
    return [joined(content[at : at + length]) for at, length in frame_places(stream, count)]


@pytest.mark.parametrize("has_table", [True, False])
@pytest.mark.parametrize("pieces", [1, 2])
def test_frames_are_those_that_pydicom_finds(pieces, has_table):
    # pydicom's own encapsulation and its own reading of it
    content = encapsulate(FRAMES, fragments_per_frame=pieces, has_bot=has_table)
    if pieces > 1 and not has_table:
        with pytest.raises(OddPiecesError, match="announces 3 frames and holds 6"):
            frames_of(content, 3)
        return
    assert frames_of(content, 3) == list(generate_frames(content, number_of_frames=3)) == FRAMES


def test_one_frame_in_many_pieces_is_joined():
    content = encapsulate([bytes(range(200))], fragments_per_frame=25)
    assert frames_of(content, 1) == [bytes(range(200))]


@pytest.mark.parametrize(
    "content",
    [
        b"",
        ITEM,
        b"not an item at all",
        ITEM + b"\xff\xff\xff\xff",
        ITEM + b"\0\0\0\0" + ITEM + b"\xff\xff\xff\xff" + b"x" * 20,
        ITEM + b"\0\0\0\0" + ITEM + b"\x40\0\0\0" + b"x" * 20,
        ITEM + b"\0\0\0\0" + ITEM + b"\x02\0\0\0xx" + b"something else",
    ],
)
def test_damage_is_said_and_nothing_else_raised(content):
    for count in (1, 2):
        with pytest.raises(OddPiecesError):
            frames_of(content, count)


def test_a_table_or_pieces_beyond_need_are_not_held():
    pieces = ITEM + b"\0\0\0\0" + (ITEM + b"\0\0\0\0") * (MOST_PIECES + 1)
    with pytest.raises(OddPiecesError, match="damaged"):
        frames_of(pieces, 1)
    table = ITEM + (1 << 22).to_bytes(4, "little") + bytes(1 << 22)
    # A table of another length than the frames ask for is passed over, not believed.
    assert frames_of(table + ITEM + b"\x02\0\0\0xx", 1) == [b"xx"]
