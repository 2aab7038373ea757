"""Enhanced (multi-frame) CT images written by the tests out of single slices."""

from __future__ import annotations

import io

import highdicom
import numpy as np
from pydicom import dcmread, dcmwrite
from pydicom.dataset import Dataset, FileDataset, FileMetaDataset
from pydicom.encaps import encapsulate, generate_frames
from pydicom.uid import EnhancedCTImageStorage, ExplicitVRLittleEndian

from tests.imaging.written_files import ROOT, encoded

_INSTANT = "20260302101500.000000"


def item(**attributes) -> Dataset:
    """Return a sequence's item."""
    dataset = Dataset()
    for keyword, value in attributes.items():
        setattr(dataset, keyword, value)
    return dataset


def code(value: str, scheme: str, meaning: str) -> Dataset:
    """Return a code's item."""
    return item(CodeValue=value, CodingSchemeDesignator=scheme, CodeMeaning=meaning)


def enhanced(datasets, *, frame_type=("ORIGINAL", "PRIMARY", "VOLUME", "NONE"), shared=None):
    """Return slices as one Enhanced CT image, a frame each in their order (PS3.3 Table A.38-1).

    Position and rescale stand in each frame's own item, orientation, spacing and frame type in the
    shared one. `shared` changes items of the shared groups, by keyword.
    """
    first = datasets[0]
    meta = FileMetaDataset()
    meta.TransferSyntaxUID = ExplicitVRLittleEndian
    meta.MediaStorageSOPClassUID = EnhancedCTImageStorage
    meta.MediaStorageSOPInstanceUID = f"{first.SeriesInstanceUID}.9999"
    dataset = FileDataset(None, {}, file_meta=meta, preamble=b"\0" * 128)
    for keyword in (
        *("StudyInstanceUID", "SeriesInstanceUID", "FrameOfReferenceUID", "Modality"),
        *("PatientName", "PatientID", "PatientBirthDate", "StudyDate", "AccessionNumber"),
        *("Manufacturer", "PatientPosition", "Rows", "Columns", "SamplesPerPixel"),
        *("PhotometricInterpretation", "BitsAllocated", "BitsStored", "HighBit"),
        "PixelRepresentation",
    ):
        setattr(dataset, keyword, first[keyword].value)
    dataset.SOPClassUID = EnhancedCTImageStorage
    dataset.SOPInstanceUID = meta.MediaStorageSOPInstanceUID
    dataset.ImageType = list(frame_type)
    dataset.PixelPresentation = "MONOCHROME"
    dataset.VolumetricProperties = "VOLUME"
    dataset.VolumeBasedCalculationTechnique = "NONE"
    dataset.PatientSex, dataset.StudyID, dataset.StudyTime = "O", "1", "101010"
    dataset.SeriesNumber, dataset.InstanceNumber = 3, 1
    dataset.ReferringPhysicianName = dataset.PositionReferenceIndicator = ""
    dataset.ManufacturerModelName, dataset.DeviceSerialNumber = "Tube of nowhere", "1"
    dataset.SoftwareVersions = "1"
    dataset.ContentDate, dataset.ContentTime = "20260302", "101500"
    dataset.AcquisitionDateTime = _INSTANT
    dataset.AcquisitionNumber, dataset.AcquisitionDuration = 1, 1.0
    dataset.ContentQualification = "RESEARCH"
    dataset.BurnedInAnnotation, dataset.LossyImageCompression = "NO", "00"
    dataset.PresentationLUTShape = "IDENTITY"
    dataset.AcquisitionContextSequence = []
    organization = f"{ROOT}.77"
    dataset.DimensionOrganizationSequence = [item(DimensionOrganizationUID=organization)]
    dataset.DimensionIndexSequence = [
        item(
            DimensionOrganizationUID=organization,
            DimensionIndexPointer=pointer,
            FunctionalGroupPointer=0x00209111,
        )
        for pointer in (0x00209056, 0x00209057)
    ]
    dataset.SharedFunctionalGroupsSequence = [_shared(first, frame_type, shared or {})]
    dataset.PerFrameFunctionalGroupsSequence = [_own(k, each) for k, each in enumerate(datasets)]
    dataset.NumberOfFrames = len(datasets)
    dataset.PixelData = b"".join(each.PixelData for each in datasets)
    dataset["PixelData"].VR = "OW"
    return dataset


def _own(index: int, dataset: Dataset) -> Dataset:
    return item(
        FrameContentSequence=[
            item(
                FrameReferenceDateTime=_INSTANT,
                FrameAcquisitionDateTime=_INSTANT,
                FrameAcquisitionDuration=1.0,
                FrameAcquisitionNumber=1,
                StackID="1",
                InStackPositionNumber=index + 1,
                DimensionIndexValues=[1, index + 1],
            )
        ],
        PlanePositionSequence=[item(ImagePositionPatient=dataset.ImagePositionPatient)],
        PixelValueTransformationSequence=[
            item(
                RescaleSlope=dataset.RescaleSlope,
                RescaleIntercept=dataset.RescaleIntercept,
                RescaleType="HU",
            )
        ],
    )


def _shared(first: Dataset, frame_type, changes) -> Dataset:
    groups = item(
        PixelMeasuresSequence=[
            item(PixelSpacing=first.PixelSpacing, SliceThickness=first.SliceThickness)
        ],
        PlaneOrientationSequence=[item(ImageOrientationPatient=first.ImageOrientationPatient)],
        CTImageFrameTypeSequence=[
            item(
                FrameType=list(frame_type),
                PixelPresentation="MONOCHROME",
                VolumetricProperties="VOLUME",
                VolumeBasedCalculationTechnique="NONE",
            )
        ],
        FrameAnatomySequence=[
            item(
                AnatomicRegionSequence=[code("122496007", "SCT", "Lumbar spine")],
                FrameLaterality="U",
            )
        ],
        FrameVOILUTSequence=[item(WindowCenter=300, WindowWidth=1500)],
        IrradiationEventIdentificationSequence=[item(IrradiationEventUID=f"{ROOT}.78")],
        CTAcquisitionTypeSequence=[
            item(AcquisitionType="SPIRAL", ConstantVolumeFlag="NO",
                 FluoroscopyFlag="NO")
        ],
        CTAcquisitionDetailsSequence=[
            item(RotationDirection="CW", RevolutionTime=0.5, SingleCollimationWidth=0.6,
                 TotalCollimationWidth=20.0, TableHeight=100.0, GantryDetectorTilt=0.0,
                 DataCollectionDiameter=500.0)
        ],
        CTTableDynamicsSequence=[
            item(TableSpeed=20.0, TableFeedPerRotation=10.0, SpiralPitchFactor=0.5)
        ],
        CTPositionSequence=[
            item(TablePosition=0.0, DataCollectionCenterPatient=[0.0, 0.0, 0.0],
                 ReconstructionTargetCenterPatient=[0.0, 0.0, 0.0])
        ],
        CTGeometrySequence=[
            item(DistanceSourceToDetector=1000.0, DistanceSourceToDataCollectionCenter=500.0)
        ],
        CTReconstructionSequence=[
            item(ReconstructionAlgorithm="FILTER_BACK_PROJ",
                 ConvolutionKernel=first.get("ConvolutionKernel") or "BONE",
                 ConvolutionKernelGroup="BONE", ReconstructionPixelSpacing=first.PixelSpacing,
                 ReconstructionDiameter=200.0,
                 ReconstructionAngle=360.0, ImageFilter="NONE")
        ],
        CTExposureSequence=[
            item(ExposureTimeInms=500.0, XRayTubeCurrentInmA=200.0, ExposureInmAs=100.0,
                 ExposureModulationType=["NONE"])
        ],
        CTXRayDetailsSequence=[
            item(KVP=120.0, FocalSpots=[1.0], FilterType="NONE", FilterMaterial="ALUMINUM")
        ],
    )  # fmt: skip
    for keyword, value in changes.items():
        setattr(groups, keyword, value)
    return groups


def legacy_converted(datasets) -> Dataset:
    """Return slices as one Legacy Converted Enhanced CT image, made by highdicom."""
    for each in datasets:
        each.PatientSex, each.StudyID, each.SeriesNumber = "O", "1", 4
        each.ReferringPhysicianName = each.PositionReferenceIndicator = ""
        each.StudyTime = each.SeriesTime = each.ContentTime = each.AcquisitionTime = "101500"
        each.SeriesDate = each.ContentDate = "20260302"
        each.AcquisitionNumber = 1
    return highdicom.legacy.LegacyConvertedEnhancedCTImage(
        datasets, f"{datasets[0].SeriesInstanceUID}.5", 5, f"{ROOT}.79", 1
    )


def packed(dataset: Dataset, datasets, syntax, *, has_table: bool = True) -> bytes:
    """Return a multi-frame image whose frames are compressed as the single slices' are."""
    frames = [
        next(
            generate_frames(dcmread(io.BytesIO(encoded(each, syntax))).PixelData,
                            number_of_frames=1)
        )
        for each in datasets
    ]  # fmt: skip
    dataset.file_meta.TransferSyntaxUID = syntax
    dataset.PixelData = encapsulate(frames, has_bot=has_table)
    dataset["PixelData"].VR = "OB"
    return whole(dataset)


def whole(dataset: Dataset) -> bytes:
    """Return a data set's file."""
    buffer = io.BytesIO()
    dcmwrite(buffer, dataset, enforce_file_format=True)
    return buffer.getvalue()


def reordered(datasets, seed: int = 3):
    """Return slices in another order."""
    return [datasets[k] for k in np.random.default_rng(seed).permutation(len(datasets))]
