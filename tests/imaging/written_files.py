"""CT series written by the tests, small and with every attribute under the test's hand."""

from __future__ import annotations

import io
import os
import tempfile
import zlib
from pathlib import Path

import gdcm
import numpy as np
from pydicom import dcmwrite
from pydicom.dataset import FileDataset, FileMetaDataset
from pydicom.uid import (
    CTImageStorage,
    DeflatedExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    RLELossless,
)

ROOT = "1.2.826.0.1.3680043.10.9999"
SHAPE = (24, 32)
UNCOMPRESSED = [
    ImplicitVRLittleEndian,
    ExplicitVRLittleEndian,
    ExplicitVRBigEndian,
    DeflatedExplicitVRLittleEndian,
]
COMPRESSED = [RLELossless, JPEGLossless, JPEGLosslessSV1, JPEGLSLossless, JPEG2000Lossless]
_GDCM = {
    RLELossless: gdcm.TransferSyntax.RLELossless,
    JPEGLossless: gdcm.TransferSyntax.JPEGLosslessProcess14,
    JPEGLosslessSV1: gdcm.TransferSyntax.JPEGLosslessProcess14_1,
    JPEGLSLossless: gdcm.TransferSyntax.JPEGLSLossless,
    JPEG2000Lossless: gdcm.TransferSyntax.JPEG2000Lossless,
}


def real_folder(name: str) -> Path | None:
    """Return the folder of real scanner files, where the environment says there is one."""
    root = os.environ.get("PEDICLE_LEDGER_TEST_CT")
    return Path(root) / name if root else None


def stored_values(index: int, shape=SHAPE, seed: int = 7):
    """Grain over a ramp, 12 bits used, different on every slice."""
    rng = np.random.default_rng([seed, index])
    ramp = np.add.outer(np.arange(shape[0]) * 11, np.arange(shape[1]) * 7) + 40 * index
    return (ramp + rng.integers(-300, 1500, shape)).astype(np.int16)


def a_slice(
    index: int = 0,
    *,
    series: int = 1,
    study: int = 1,
    position=(-100.0, -90.0, 5.0),
    orientation=(1, 0, 0, 0, 1, 0),
    spacing=(0.5, 0.3),
    values=None,
    **attributes,
) -> FileDataset:
    """Return one CT slice as a data set in explicit little endian, not yet written."""
    values = stored_values(index) if values is None else values
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.MediaStorageSOPClassUID = CTImageStorage
    meta.MediaStorageSOPInstanceUID = f"{ROOT}.{study}.{series}.{index + 1}"
    dataset = FileDataset(None, {}, file_meta=meta, preamble=b"\0" * 128)
    dataset.SOPClassUID = CTImageStorage
    dataset.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    dataset.StudyInstanceUID = f"{ROOT}.{study}"
    dataset.SeriesInstanceUID = f"{ROOT}.{study}.{series}"
    dataset.FrameOfReferenceUID = f"{ROOT}.{study}.99"
    dataset.Modality = "CT"
    dataset.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
    dataset.PatientName = "Invented^Person"
    dataset.PatientID = "INV-0001"
    dataset.PatientBirthDate = "19600102"
    dataset.AcquisitionDate = "20260302"
    dataset.StudyDate = "20260301"
    dataset.AccessionNumber = "ACC-77"
    dataset.Manufacturer = "Works of nowhere"
    dataset.PatientPosition = "HFS"
    dataset.BodyPartExamined = "LSPINE"
    dataset.KVP = 120
    dataset.InstanceNumber = index + 1
    dataset.SliceThickness = 1
    dataset.ConvolutionKernel = "BONE"
    dataset.ImagePositionPatient = [round(float(each), 9) for each in position]
    dataset.ImageOrientationPatient = list(orientation)
    dataset.PixelSpacing = list(spacing)
    dataset.Rows, dataset.Columns = values.shape
    dataset.SamplesPerPixel = 1
    dataset.PhotometricInterpretation = "MONOCHROME2"
    dataset.BitsAllocated, dataset.BitsStored, dataset.HighBit = 16, 16, 15
    dataset.PixelRepresentation = 0 if values.dtype == np.uint16 else 1
    dataset.RescaleSlope, dataset.RescaleIntercept = 1, -1024
    dataset.RescaleType = "HU"
    dataset.PixelData = values.tobytes()
    dataset["PixelData"].VR = "OW"
    for keyword, value in attributes.items():
        setattr(dataset, keyword, value)
    return dataset


def slices(count: int = 10, *, step=(0.0, 0.0, 0.8), first=(-100.0, -90.0, 5.0), **rest):
    """Return a series of slices, `step` apart."""
    origin, move = np.array(first), np.array(step)
    return [a_slice(k, position=origin + k * move, **rest) for k in range(count)]


def write(datasets, folder: Path, syntax=ExplicitVRLittleEndian, prefix="slice") -> list[Path]:
    """Write data sets in a transfer syntax and return their paths, in the order given."""
    folder.mkdir(parents=True, exist_ok=True)
    paths = [folder / f"{prefix}{k:03d}.dcm" for k in range(len(datasets))]
    for dataset, path in zip(datasets, paths, strict=True):
        path.write_bytes(encoded(dataset, syntax))
    return paths


def encoded(dataset: FileDataset, syntax) -> bytes:
    """Return the file's bytes in a transfer syntax."""
    if syntax in _GDCM:
        return _by_gdcm(dataset, syntax)
    dataset.file_meta.TransferSyntaxUID = syntax
    pixels = dataset.PixelData
    if syntax == ExplicitVRBigEndian:
        dataset.PixelData = np.frombuffer(pixels, "<u2").astype(">u2").tobytes()
        dataset["PixelData"].VR = "OW"
    buffer = io.BytesIO()
    dcmwrite(
        buffer,
        dataset,
        enforce_file_format=True,
        implicit_vr=syntax == ImplicitVRLittleEndian,
        little_endian=syntax != ExplicitVRBigEndian,
    )
    dataset.PixelData = pixels
    dataset.file_meta.TransferSyntaxUID = ExplicitVRLittleEndian
    return buffer.getvalue()


def _by_gdcm(dataset: FileDataset, syntax) -> bytes:
    """GDCM packs it; it is asked to by file, for its Python face has no streams."""
    with tempfile.TemporaryDirectory() as folder:
        plain, packed = Path(folder, "plain"), Path(folder, "packed")
        plain.write_bytes(encoded(dataset, ExplicitVRLittleEndian))
        reader = gdcm.ImageReader()
        reader.SetFileName(str(plain))
        assert reader.Read()
        change = gdcm.ImageChangeTransferSyntax()
        change.SetTransferSyntax(gdcm.TransferSyntax(_GDCM[syntax]))
        change.SetInput(reader.GetImage())
        assert change.Change()
        writer = gdcm.ImageWriter()
        writer.SetFileName(str(packed))
        writer.SetFile(reader.GetFile())
        writer.SetImage(change.GetOutput())
        assert writer.Write()
        return packed.read_bytes()


def meta_end(content: bytes) -> int:
    """Return where the file meta group ends, by its group length (PS3.10 section 7.1)."""
    return 132 + 12 + int.from_bytes(content[140:144], "little")


def deflated_bomb(size: int) -> bytes:
    """Return a deflated file whose data set is one private element of `size` zeros."""
    dataset = a_slice()
    dataset.file_meta.TransferSyntaxUID = DeflatedExplicitVRLittleEndian
    whole = encoded(dataset, DeflatedExplicitVRLittleEndian)
    packer = zlib.compressobj(9, zlib.DEFLATED, -zlib.MAX_WBITS)
    head = b"\x09\x00\x10\x00LO\x04\x00TEST" + b"\x09\x00\x01\x10UN\0\0"
    content = packer.compress(head + size.to_bytes(4, "little"))
    zeros = bytes(1 << 20)
    for _ in range(size >> 20):
        content += packer.compress(zeros)
    return whole[: meta_end(whole)] + content + packer.flush()


class Array:
    """A sink that keeps the voxels in memory."""

    def __init__(self):
        self.begun = []

    def begin(self, shape, dtype):
        self.begun.append(dtype)
        self.voxels = np.full(shape, -9999, dtype)

    def write(self, index, plane):
        self.voxels[index] = plane
