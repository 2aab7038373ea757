"""What the receiver takes, and in which encodings."""

from __future__ import annotations

from pydicom.uid import (
    JPEG2000,
    ExplicitVRBigEndian,
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    JPEG2000Lossless,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEGLSNearLossless,
    RLELossless,
)
from pynetdicom import sop_class
from pynetdicom.presentation import PresentationContext, build_context

CT_CLASSES = (
    sop_class.CTImageStorage,  # type: ignore[attr-defined]
    sop_class.EnhancedCTImageStorage,  # type: ignore[attr-defined]
    sop_class.LegacyConvertedEnhancedCTImageStorage,  # type: ignore[attr-defined]
)
# An archive sends a study whole, and reports a failure where one object of it is not taken: what
# commonly lies in a CT study is taken too, and left out when the scan is read.
BESIDE_CT = (
    "ComputedRadiographyImageStorage",
    "DigitalXRayImageStorageForPresentation",
    "XRayAngiographicImageStorage",
    "EnhancedXAImageStorage",
    "XRayRadiofluoroscopicImageStorage",
    "XRay3DAngiographicImageStorage",
    "MRImageStorage",
    "EnhancedMRImageStorage",
    "PositronEmissionTomographyImageStorage",
    "SecondaryCaptureImageStorage",
    "MultiFrameSingleBitSecondaryCaptureImageStorage",
    "MultiFrameGrayscaleByteSecondaryCaptureImageStorage",
    "MultiFrameGrayscaleWordSecondaryCaptureImageStorage",
    "MultiFrameTrueColorSecondaryCaptureImageStorage",
    "SegmentationStorage",
    "RawDataStorage",
    "SpatialRegistrationStorage",
    "GrayscaleSoftcopyPresentationStateStorage",
    "ColorSoftcopyPresentationStateStorage",
    "BlendingSoftcopyPresentationStateStorage",
    "BasicTextSRStorage",
    "EnhancedSRStorage",
    "ComprehensiveSRStorage",
    "Comprehensive3DSRStorage",
    "KeyObjectSelectionDocumentStorage",
    "XRayRadiationDoseSRStorage",
    "EnhancedXRayRadiationDoseSRStorage",
    "EncapsulatedPDFStorage",
)
# Deflated is not among them: it would have to be inflated, without knowing how far, to see where
# an instance belongs. A peer that holds such files sends them as one of the others.
SYNTAXES = (
    ExplicitVRLittleEndian,
    ImplicitVRLittleEndian,
    ExplicitVRBigEndian,
    RLELossless,
    JPEGLossless,
    JPEGLosslessSV1,
    JPEGLSLossless,
    JPEG2000Lossless,
    # Lossy images are kept as they were sent, and said to be lossy.
    JPEG2000,
    JPEGLSNearLossless,
    JPEGBaseline8Bit,
    JPEGExtended12Bit,
)


def receiver_contexts() -> list[PresentationContext]:
    """Return what the receiver offers: the storage classes above, and Verification."""
    classes = [*CT_CLASSES, *(getattr(sop_class, name) for name in BESIDE_CT)]
    taken = [build_context(each, list(SYNTAXES)) for each in classes]
    return [build_context(sop_class.Verification), *taken]  # type: ignore[attr-defined]
