"""The drawn CT as DICOM files, as a scanner would send them.

Modules as PS3.3 A.3 (CT Image) and A.8.1 (Secondary Capture Image) ask for them.
"""

from __future__ import annotations

import uuid
from dataclasses import dataclass
from datetime import date
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.uid import (
    UID,
    CTImageStorage,
    ExplicitVRLittleEndian,
    SecondaryCaptureImageStorage,
)

if TYPE_CHECKING:
    from pathlib import Path

    from .solids import Grid

INTERCEPT_HU = -1024
_UID_ROOT = uuid.UUID("6a2f8d0e-5b1c-4c7e-9a35-3d1f0b7c2e94")
_PRIVATE_GROUP = 0x0029
_PRIVATE_CREATOR = "INVENTED SCANNER 1"


@dataclass(frozen=True)
class PatientIdentity:
    """Who the invented patient is said to be: all of it must stop at the intake.

    Names are DICOM person names (family^given); every text is made up and easy to search for.
    """

    name: str = "INVENTED^PATIENTNAME"
    patient_id: str = "INVENTED-ID-70431"
    birth_date: date = date(1957, 3, 14)
    sex: str = "F"
    accession: str = "INVACC8841"
    institution: str = "Invented Hospital Nowhere"
    institution_address: str = "1 Invented Street, Nowhere"
    referring_physician: str = "INVENTED^REFERRER"
    operator: str = "INVENTED^RADIOGRAPHER"
    patient_address: str = "2 Invented Lane, Nowhere"
    telephone: str = "INVENTED-PHONE-0"
    comment: str = "INVENTED COMMENT ON A PATIENT"


@dataclass(frozen=True)
class StudyLabels:
    """What every file of one study shares."""

    identity: PatientIdentity
    scanned_on: date
    operated_on: date
    seed: int

    def uid(self, *parts: object) -> UID:
        """Return the same UID for the same study and parts (PS3.5 B.2, UUID derived)."""
        text = "/".join(map(str, (self.seed, self.identity, self.scanned_on, *parts)))
        return UID(f"2.25.{uuid.uuid5(_UID_ROOT, text).int}")


def write_axial(
    folder: Path, labels: StudyLabels, grid: Grid, volume: npt.NDArray[np.int16]
) -> list[Path]:
    """Write one file a slice, the most cranial first; returns them in that order."""
    folder.mkdir(parents=True, exist_ok=True)
    spacing = [_text(grid.y[1] - grid.y[0]), _text(grid.x[1] - grid.x[0])]
    thickness = _text(grid.z[1] - grid.z[0])
    files = []
    for number, k in enumerate(reversed(range(len(grid.z))), start=1):
        image = ct_image(labels, "axial", 3, number)
        image.ImageType = ["ORIGINAL", "PRIMARY", "AXIAL"]
        image.SeriesDescription = "Spine bone kernel 1.0"
        image.ImageOrientationPatient = [1, 0, 0, 0, 1, 0]
        image.ImagePositionPatient = [_text(grid.x[0]), _text(grid.y[0]), _text(grid.z[k])]
        image.SliceLocation = _text(grid.z[k])
        image.SliceThickness = thickness
        image.ConvolutionKernel = "BONE"
        image.WindowCenter, image.WindowWidth = 500, 2000
        image.RescaleType = "HU"
        set_hounsfield(image, volume[k], spacing)
        files.append(folder / f"IM{number:04d}.dcm")
        image.save_as(files[-1], enforce_file_format=True)
    return files


def write_scout(path: Path, labels: StudyLabels, grid: Grid, volume: npt.NDArray[np.int16]) -> Path:
    """Write the localizer: a frontal projection, seen from in front."""
    image = ct_image(labels, "scout", 1, 1)
    image.ImageType = ["ORIGINAL", "PRIMARY", "LOCALIZER"]
    image.SeriesDescription = "Topogram frontal"
    image.ImageOrientationPatient = [1, 0, 0, 0, 0, -1]
    middle_y = float(grid.y[len(grid.y) // 2])
    image.ImagePositionPatient = [_text(grid.x[0]), _text(middle_y), _text(grid.z[-1])]
    image.SliceThickness = _text(grid.y[-1] - grid.y[0])
    image.WindowCenter, image.WindowWidth = 100, 900
    # A ray's mean attenuation; what lies outside the drawn field adds nothing.
    mean = np.clip(volume, -1000, 3000).mean(axis=1, dtype=np.float32)[::-1]
    spacing = [_text(grid.z[1] - grid.z[0]), _text(grid.x[1] - grid.x[0])]
    set_hounsfield(image, np.rint(mean * 2).astype(np.int16), spacing)
    image.save_as(path, enforce_file_format=True)
    return path


def write_capture(
    path: Path, labels: StudyLabels, grid: Grid, volume: npt.NDArray[np.int16]
) -> Path:
    """Write a secondary capture: a workstation's frontal projection of the construct."""
    image = _dataset(labels, SecondaryCaptureImageStorage, "capture", 901, 1)
    image.Modality = "CT"
    image.ConversionType = "WSD"
    image.ImageType = ["DERIVED", "SECONDARY"]
    image.SeriesDescription = "Projection saved by workstation"
    image.BodyPartExamined = "SPINE"
    image.PatientOrientation = ["L", "F"]
    image.BurnedInAnnotation = "NO"
    brightest = volume.max(axis=1)[::-1].astype(np.float32)
    stretch = float(grid.z[1] - grid.z[0]) / float(grid.x[1] - grid.x[0])
    rows = np.minimum(np.arange(int(len(grid.z) * stretch)) / stretch, len(grid.z) - 1)
    shades = np.clip((brightest[rows.astype(int)] + 200) / 3500 * 255, 0, 255).astype(np.uint8)
    image.Rows, image.Columns = shades.shape
    _set_pixel_format(image, bits=8, is_signed=False)
    image.PixelData = _even(shades.tobytes())
    image["PixelData"].VR = "OB"
    image.save_as(path, enforce_file_format=True)
    return path


def ct_image(labels: StudyLabels, series: str, series_number: int, number: int) -> FileDataset:
    """Return one CT image of a series without geometry and pixels."""
    image = _dataset(labels, CTImageStorage, series, series_number, number)
    image.Modality = "CT"
    image.FrameOfReferenceUID = labels.uid("frame")
    image.PositionReferenceIndicator = ""
    image.PatientPosition = "HFS"
    image.BodyPartExamined = "SPINE"
    image.KVP = "120"
    image.XRayTubeCurrent = "260"
    image.ExposureTime = "1000"
    image.ReconstructionDiameter = "172.8"
    image.GantryDetectorTilt = "0"
    image.AcquisitionNumber = series_number
    image.AcquisitionDate = labels.scanned_on.strftime("%Y%m%d")
    image.AcquisitionTime = "101500"
    return image


def _dataset(
    labels: StudyLabels, sop_class: UID, series: str, series_number: int, number: int
) -> FileDataset:
    meta = FileMetaDataset()
    meta.MediaStorageSOPClassUID = sop_class
    meta.MediaStorageSOPInstanceUID = labels.uid(series, number)
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.ImplementationClassUID = labels.uid("implementation")
    image = FileDataset("", {}, file_meta=meta, preamble=b"\0" * 128)
    image.SpecificCharacterSet = "ISO_IR 100"
    image.SOPClassUID = sop_class
    image.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    day = labels.scanned_on.strftime("%Y%m%d")
    image.StudyDate = image.SeriesDate = image.ContentDate = day
    image.StudyTime, image.SeriesTime, image.ContentTime = "101000", "101400", "101500"
    image.StudyInstanceUID = labels.uid("study")
    image.SeriesInstanceUID = labels.uid("series", series)
    image.StudyID = "1"
    image.SeriesNumber = series_number
    image.InstanceNumber = number
    image.StudyDescription = "CT thoracolumbar spine"
    image.Manufacturer = "Invented"
    image.ManufacturerModelName = "Drawn CT"
    image.DeviceSerialNumber = "0"
    image.SoftwareVersions = "1"
    _name_patient(image, labels)
    return image


def _name_patient(image: Dataset, labels: StudyLabels) -> None:
    """Put the identity wherever scanners put it, a private element included."""
    identity = labels.identity
    image.PatientName = identity.name
    image.PatientID = identity.patient_id
    image.PatientBirthDate = identity.birth_date.strftime("%Y%m%d")
    image.PatientSex = identity.sex
    image.AccessionNumber = identity.accession
    image.InstitutionName = identity.institution
    image.InstitutionAddress = identity.institution_address
    image.ReferringPhysicianName = identity.referring_physician
    image.OperatorsName = identity.operator
    image.PatientAddress = identity.patient_address
    image.PatientTelephoneNumbers = identity.telephone
    image.PatientComments = identity.comment
    operated = labels.operated_on.isoformat()
    image.AdditionalPatientHistory = f"Fixation on {operated}"
    block = image.private_block(_PRIVATE_GROUP, _PRIVATE_CREATOR, create=True)
    block.add_new(0x01, "LO", f"{identity.name} {identity.patient_id}")


def set_hounsfield(image: Dataset, values: npt.NDArray[np.int16], spacing: list[str]) -> None:
    """Put Hounsfield values (rows, columns) and the spacing (down, across) into an image."""
    image.Rows, image.Columns = values.shape
    image.PixelSpacing = spacing
    image.RescaleIntercept, image.RescaleSlope = str(INTERCEPT_HU), "1"
    _set_pixel_format(image, bits=16, is_signed=True)
    image.PixelData = (values - INTERCEPT_HU).astype("<i2").tobytes()
    image["PixelData"].VR = "OW"


def _set_pixel_format(image: Dataset, *, bits: int, is_signed: bool) -> None:
    image.SamplesPerPixel = 1
    image.PhotometricInterpretation = "MONOCHROME2"
    image.BitsAllocated = image.BitsStored = bits
    image.HighBit = bits - 1
    image.PixelRepresentation = int(is_signed)


def _text(value: float) -> str:
    """Return a decimal string of at most 16 characters (PS3.5 6.2, DS)."""
    return f"{float(value):.4f}".rstrip("0").rstrip(".")


def _even(data: bytes) -> bytes:
    return data + b"\0" * (len(data) % 2)
