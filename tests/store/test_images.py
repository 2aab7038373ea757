import errno
import hashlib
import os
import stat
import subprocess
import sys
import textwrap

import numpy as np
import pytest

from registry.domain.problems import FailureError, NotFoundError
from registry.store.images import ImageStore

AFFINE = np.array([[0.4, 0, 0, -100], [0, 0.4, 0.1, -90], [0, 0, 0.8, 5], [0, 0, 0, 1]])
ATTRIBUTES = {"kernel": "BONE", "slices": 5, "warnings": []}


def voxels(dtype="int16", seed=1):
    return np.random.default_rng(seed).integers(-1024, 3071, (5, 7, 9)).astype(dtype)


def keep(store, array=None, affine=AFFINE, attributes=ATTRIBUTES, order=None):
    array = voxels() if array is None else array
    with store.writer() as writer:
        writer.begin(array.shape, array.dtype.name)
        for k in order or range(len(array)):
            writer.write(k, array[k])
        return writer.seal(affine, attributes)


def names(folder):
    return sorted(path.name for path in folder.iterdir()) if folder.exists() else []


@pytest.mark.parametrize("dtype", ["int16", "int32"])
def test_an_image_comes_back_with_its_voxels_affine_and_attributes(tmp_path, dtype):
    store = ImageStore(tmp_path / "images")
    digest = keep(store, voxels(dtype) * (1 if dtype == "int16" else 20))
    image = store.open(digest)
    assert isinstance(image.voxels, np.memmap)
    assert image.voxels.dtype == dtype
    assert np.array_equal(image.voxels, voxels(dtype) * (1 if dtype == "int16" else 20))
    assert np.array_equal(image.affine, AFFINE)
    assert image.attributes == ATTRIBUTES
    with pytest.raises(ValueError, match="read-only"):
        image.voxels[0, 0, 0] = 1


def test_the_digest_is_the_sha256_of_the_file_and_the_file_is_read_only(tmp_path):
    store = ImageStore(tmp_path)
    digest = keep(store)
    path = tmp_path / f"{digest}.voxels"
    assert names(tmp_path) == [path.name]
    assert hashlib.sha256(path.read_bytes()).hexdigest() == digest
    assert stat.S_IMODE(path.stat().st_mode) == 0o400
    assert store.check(digest) is None
    assert store.digests() == [digest]


def test_the_same_image_is_kept_once_in_whatever_order_its_slices_come(tmp_path):
    store = ImageStore(tmp_path)
    digest = keep(store)
    before = (tmp_path / f"{digest}.voxels").stat()
    assert keep(store, order=[3, 1, 4, 0, 2]) == digest
    after = (tmp_path / f"{digest}.voxels").stat()
    assert (after.st_ino, after.st_mtime_ns) == (before.st_ino, before.st_mtime_ns)
    assert names(tmp_path) == [f"{digest}.voxels"]


def test_geometry_attributes_voxels_and_type_each_change_the_digest(tmp_path):
    store = ImageStore(tmp_path)
    moved = AFFINE.copy()
    moved[0, 3] += 0.001
    other = voxels()
    other[4, 6, 8] += 1
    digests = {
        keep(store),
        keep(store, affine=moved),
        keep(store, attributes=ATTRIBUTES | {"kernel": "SOFT"}),
        keep(store, other),
        keep(store, voxels("int32")),
    }
    assert len(digests) == 5
    assert store.digests() == sorted(digests)


def test_beginning_again_forgets_what_was_written(tmp_path):
    store = ImageStore(tmp_path)
    with store.writer() as writer:
        writer.begin((9, 7, 9), "int16")
        writer.write(8, np.full((7, 9), 77, np.int16))
        writer.begin((5, 7, 9), "int32")
        for k, plane in enumerate(voxels("int32")):
            writer.write(k, plane)
        digest = writer.seal(AFFINE, ATTRIBUTES)
    assert digest == keep(ImageStore(tmp_path / "afresh"), voxels("int32"))


def test_a_missing_slice_or_an_unsealed_writer_leaves_nothing_behind(tmp_path):
    store = ImageStore(tmp_path)
    with store.writer() as writer:
        writer.begin((5, 7, 9), "int16")
        for k in range(4):
            writer.write(k, voxels()[k])
        with pytest.raises(ValueError, match="4 of 5 slices"):
            writer.seal(AFFINE, ATTRIBUTES)
        assert store.digests() == []
        assert len(names(tmp_path)) == 1
    assert names(tmp_path) == []


@pytest.mark.parametrize(
    ("shape", "dtype"), [((0, 7, 9), "int16"), ((5, 7, 9), "float32")], ids=["empty", "type"]
)
def test_only_whole_hounsfield_voxels_are_taken(tmp_path, shape, dtype):
    with ImageStore(tmp_path).writer() as writer, pytest.raises(ValueError, match="no image of"):
        writer.begin(shape, dtype)


@pytest.mark.parametrize("call", ["posix_fallocate", "pwrite", "fsync"])
def test_a_full_disk_is_told_in_words_and_leaves_nothing_behind(tmp_path, monkeypatch, call):
    def full(*_):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, call, full)
    with pytest.raises(FailureError, match=r"No space left on device.*nothing was kept"):
        keep(ImageStore(tmp_path))
    assert names(tmp_path) == []


def test_a_real_limit_on_file_size_is_told_in_words(tmp_path):
    # the system's own limit stands in for a full disk: the write itself fails
    program = f"""
        import resource, signal, numpy as np
        from pathlib import Path
        from registry.domain.problems import FailureError
        from registry.store.images import ImageStore
        signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (50_000, 50_000))
        try:
            with ImageStore(Path({str(tmp_path)!r})).writer() as writer:
                writer.begin((50, 64, 64), "int16")
        except FailureError as error:
            print(error)
    """
    done = subprocess.run(
        [sys.executable, "-c", textwrap.dedent(program)],
        check=True, capture_output=True, text=True,
    )  # fmt: skip
    assert "File too large" in done.stdout
    assert names(tmp_path) == []


def test_a_killed_writers_rest_is_swept_and_a_living_ones_is_not(tmp_path):
    store = ImageStore(tmp_path)
    digest = keep(store)
    program = f"""
        import os, signal
        from pathlib import Path
        from registry.store.images import ImageStore
        with ImageStore(Path({str(tmp_path)!r})).writer() as writer:
            writer.begin((5, 7, 9), "int16")
            os.kill(os.getpid(), signal.SIGKILL)
    """
    subprocess.run([sys.executable, "-c", textwrap.dedent(program)], check=False)
    assert len(names(tmp_path)) == 2
    with store.writer() as writer:
        writer.begin((5, 7, 9), "int16")
        assert len(store.sweep()) == 1
        for k, plane in enumerate(voxels(seed=2)):
            writer.write(k, plane)
        second = writer.seal(AFFINE, ATTRIBUTES)
    assert store.sweep() == []
    assert store.digests() == sorted([digest, second])


@pytest.mark.parametrize("place", [0, 20, 5000, 16384, -1])
def test_one_changed_byte_anywhere_is_found_and_the_image_can_be_kept_again(tmp_path, place):
    store = ImageStore(tmp_path)
    digest = keep(store)
    path = tmp_path / f"{digest}.voxels"
    content = bytearray(path.read_bytes())
    content[place] ^= 1
    path.chmod(0o600)
    path.write_bytes(bytes(content))
    assert store.check(digest) == f"image {digest} is not what was written"
    assert keep(store) == digest
    assert store.check(digest) is None


def test_a_cut_or_foreign_file_is_said_to_be_damaged(tmp_path):
    store = ImageStore(tmp_path)
    digest = keep(store)
    path = tmp_path / f"{digest}.voxels"
    path.chmod(0o600)
    for content in (path.read_bytes()[:-50], path.read_bytes()[:100], b"", b"x" * 40_000):
        path.write_bytes(content)
        with pytest.raises(FailureError, match="damaged"):
            store.open(digest)


def test_a_missing_image_and_a_name_that_is_no_digest_are_refused(tmp_path):
    store = ImageStore(tmp_path / "images")
    absent = "0" * 64
    assert store.check(absent) == f"image {absent} is missing"
    assert store.digests() == store.sweep() == []
    for name in (absent, "../../etc/passwd", ""):
        with pytest.raises(NotFoundError):
            store.open(name)


def test_a_removed_image_is_gone(tmp_path):
    store = ImageStore(tmp_path)
    digest = keep(store)
    store.remove(digest)
    store.remove(digest)
    assert names(tmp_path) == []
