import subprocess
import sys
import textwrap
from io import BytesIO
from pathlib import Path

import pytest
from pydicom import dcmread
from pydicom.encaps import generate_frames
from pydicom.uid import JPEG2000Lossless, JPEGLossless, JPEGLosslessSV1, JPEGLSLossless

from registry.imaging.codestreams import FrameSize, frame_size
from registry.imaging.parsing import Head
from registry.imaging.pixels import UndecodableError, packed_frame, pixel_form
from tests.imaging.written_files import a_slice, encoded

FAMILY = [JPEGLossless, JPEGLosslessSV1, JPEGLSLossless, JPEG2000Lossless]


def frame_of(syntax):
    dataset = dcmread(BytesIO(encoded(a_slice(), syntax)))
    return dataset, next(generate_frames(dataset.PixelData, number_of_frames=1))


@pytest.mark.parametrize("syntax", FAMILY, ids=lambda uid: uid.name)
def test_a_frame_tells_its_own_size(syntax):
    _, frame = frame_of(syntax)
    assert frame_size(frame) == FrameSize(rows=24, columns=32, components=1, bits=16)


@pytest.mark.parametrize("syntax", FAMILY, ids=lambda uid: uid.name)
def test_a_frame_that_is_none_or_of_another_size_is_refused_before_it_is_decoded(syntax):
    dataset, frame = frame_of(syntax)
    at = frame.index((24).to_bytes(2, "big"))
    huge = frame[:at] + (60_000).to_bytes(2, "big") + frame[at + 2 :]
    form = pixel_form(Head(dataset, None, b""))
    with pytest.raises(UndecodableError, match=r"60000 x 32 .* 24 x 32 was announced"):
        packed_frame(huge, form)
    with pytest.raises(UndecodableError, match="not what"):
        packed_frame(b"something else altogether", form)


@pytest.mark.parametrize("cut", range(0, 60, 3))
def test_a_frame_cut_in_its_head_has_no_size(cut):
    for syntax in (JPEGLosslessSV1, JPEGLSLossless):
        _, frame = frame_of(syntax)
        assert frame_size(frame[: min(cut, frame.index(b"\xff\xda"))]) is None


@pytest.mark.parametrize("syntax", FAMILY, ids=lambda uid: uid.name)
def test_changed_bytes_in_a_frame_never_end_the_process(syntax):
    # seeds 0-199; a decoder in C that aborts would end this other process, not the tests
    program = f"""
        import numpy as np
        from io import BytesIO
        from pydicom import dcmread
        from pydicom.encaps import generate_frames
        from registry.imaging.parsing import Head
        from registry.imaging.pixels import UndecodableError, packed_frame, pixel_form
        from tests.imaging.written_files import a_slice, encoded
        dataset = dcmread(BytesIO(encoded(a_slice(), {str(syntax)!r})))
        frame = next(generate_frames(dataset.PixelData, number_of_frames=1))
        form = pixel_form(Head(dataset, None, b""))
        refused = 0
        for seed in range(200):
            rng, changed = np.random.default_rng(seed), bytearray(frame)
            for _ in range(rng.integers(1, 6)):
                reach = len(changed) if seed % 2 else 120
                changed[rng.integers(0, reach)] = rng.integers(0, 256)
            try:
                packed_frame(bytes(changed), form)
            except UndecodableError:
                refused += 1
        print("refused", refused)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program)],
        capture_output=True, text=True, check=False, cwd=Path(__file__).parents[2],
    )  # fmt: skip
    assert done.returncode == 0, done.stderr[-500:]
    assert int(done.stdout.split()[-1]) > 50
