"""An enhanced (multi-frame) CT image as slices: each frame by its own groups, else the shared ones.

PS3.3 Table A.38-1 and section C.7.6.16: the frame's item of Per-frame Functional Groups
(5200,9230) is looked at first, then Shared Functional Groups (5200,9229).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

from pydicom.dataset import Dataset

from registry.imaging.kinds import (
    Kind,
    SeriesKind,
    announces_burned_in_text,
    is_intra_operative,
    other_by_image_type,
    other_by_values,
)
from registry.imaging.pixels import pixel_form
from registry.imaging.slices import (
    SliceHeader,
    is_lossy,
    kernel_of,
    optional_number,
    origin_of,
    plane_of,
    whole_number,
)

if TYPE_CHECKING:
    from collections.abc import Sequence

    from registry.imaging.parsing import Head
    from registry.imaging.pixels import PixelForm
    from registry.imaging.slices import Origin
    from registry.imaging.sources import SourceFile

# A whole spine at half a millimetre is 2,000 slices; a setting of ours, no source.
MOST_FRAMES = 5_000
_WHAT = "multi-frame CT"
_FRAME_TYPES = ("CTImageFrameTypeSequence", "FrameType")
# Where a legacy converted image keeps what has no place of its own.
_UNASSIGNED = "UnassignedSharedConvertedAttributesSequence"
_NOTHING = Dataset()
# Units of the Unified Code for Units of Measure in which a real world value is one of CT.
_HOUNSFIELD_UNITS = {"", "1", "[hnsf'U]"}


def frame_headers(source: SourceFile, head: Head) -> list[SliceHeader] | Kind:
    """Return each frame's header, in the file's order, or what the file is and why it stays out."""
    dataset = head.dataset
    form = pixel_form(head)
    groups = dataset.get("PerFrameFunctionalGroupsSequence") or ()
    if (fault := _frames_fault(form, len(groups))) is not None:
        return Kind(_WHAT, fault)
    shared = (dataset.get("SharedFunctionalGroupsSequence") or (_NOTHING,))[0]
    file = _File(source, dataset, form, origin_of(dataset), shared)
    headers = []
    for index, own in enumerate(groups):
        header = file.header(index, own)
        if isinstance(header, Kind):
            return Kind(f"{_WHAT}, {header.what}", f"frame {index + 1}: {header.why}", header.of)
        headers.append(header)
    return headers


def _frames_fault(form: PixelForm, described: int) -> str | None:
    """Return why the frames cannot be as many as announced; nothing of them is read for it."""
    if not 0 < form.frames <= MOST_FRAMES:
        return f"it announces {form.frames} frames; 1 to {MOST_FRAMES} are read"
    if described != form.frames:
        return f"it announces {form.frames} frames and describes {described}"
    length = form.place.length if form.place else None
    if length is not None and length < form.frames * form.frame_bytes:
        return (
            f"its pixel data are cut short: {length} bytes "
            f"where {form.frames * form.frame_bytes} were announced"
        )
    return None


def as_one_slice(dataset: Dataset, header: SliceHeader) -> None:
    """Put a frame's kernel and tube voltage where an image of a single slice has them."""
    own = dataset.PerFrameFunctionalGroupsSequence[header.frame or 0]
    shared = (dataset.get("SharedFunctionalGroupsSequence") or (_NOTHING,))[0]
    if header.kernel:
        dataset.ConvolutionKernel = header.kernel
    for name in ("CTXRayDetailsSequence", _UNASSIGNED):
        for group in (own, shared):
            for found in group.get(name) or ():
                if found.get("KVP") is not None and "KVP" not in dataset:
                    dataset.KVP = found.KVP


class _File:
    """What all frames of one file share."""

    def __init__(
        self,
        source: SourceFile,
        dataset: Dataset,
        form: PixelForm,
        origin: Origin,
        shared: Dataset,
    ) -> None:
        self._source, self._dataset, self._form = source, dataset, form
        self._origin, self._shared = origin, shared
        self._frame_uid = str(dataset.get("FrameOfReferenceUID") or "")
        self._position = str(dataset.get("PatientPosition") or "").strip()
        self._is_lossy = is_lossy(dataset)
        self._is_burned_in = announces_burned_in_text(dataset)
        self._is_intra_operative = is_intra_operative(dataset)
        contrast = dataset.get("ContrastBolusAgentSequence") or dataset.get("ContrastBolusAgent")
        self._has_contrast = bool(contrast)

    def header(self, index: int, own: Dataset) -> SliceHeader | Kind:
        def macro(name: str) -> Dataset:
            items: Sequence[Dataset] = own.get(name) or self._shared.get(name) or (_NOTHING,)
            return items[0]

        frame_type = _frame_type(macro(_FRAME_TYPES[0]), self._dataset)
        measures, values = macro("PixelMeasuresSequence"), macro("PixelValueTransformationSequence")
        other = (
            other_by_image_type(frame_type)
            or _map(frame_type, macro("RealWorldValueMappingSequence"))
            or other_by_values(values)
        )
        if other is not None:
            return other
        plane = plane_of(
            macro("PlanePositionSequence"), macro("PlaneOrientationSequence"), measures
        )
        if isinstance(plane, Kind):
            return plane
        content = macro("FrameContentSequence")
        return SliceHeader(
            source=self._source,
            origin=self._origin,
            sop_uid=str(self._dataset.SOPInstanceUID),
            frame=index,
            part=f"{content.get('StackID') or ''} "
            f"{content.get('TemporalPositionIndex') or ''} {'/'.join(frame_type)}",
            frame_uid=self._frame_uid,
            position_mm=plane.position_mm,
            row_direction=plane.row_direction,
            column_direction=plane.column_direction,
            pixel_mm=plane.pixel_mm,
            rows=self._form.rows,
            columns=self._form.columns,
            acquisition=whole_number(content, "FrameAcquisitionNumber"),
            instance=index,
            thickness_mm=optional_number(measures, "SliceThickness"),
            kernel=kernel_of(macro("CTReconstructionSequence")) or kernel_of(macro(_UNASSIGNED)),
            image_type=frame_type,
            patient_position=self._position,
            is_lossy=self._is_lossy,
            has_contrast=self._has_contrast,
            is_burned_in=self._is_burned_in,
            is_intra_operative=self._is_intra_operative,
            slope=float(values.RescaleSlope),
            intercept=float(values.RescaleIntercept),
            pixels=self._form,
        )


def _frame_type(group: Dataset, dataset: Dataset) -> tuple[str, ...]:
    value = group.get(_FRAME_TYPES[1]) or dataset.get("ImageType") or ()
    words = (value,) if isinstance(value, str) else tuple(value)
    return tuple(str(word).strip().upper() for word in words)


def _map(frame_type: Sequence[str], mapping: Dataset) -> Kind | None:
    """Return what it is where its values are perfusion or the like (PS3.3 C.7.6.16.2.11)."""
    units = (mapping.get("MeasurementUnitsCodeSequence") or (_NOTHING,))[0].get("CodeValue") or ""
    if "PERFUSION" in frame_type or str(units) not in _HOUNSFIELD_UNITS:
        return Kind("derived map", "its values are not Hounsfield units", SeriesKind.MAP)
    return None
