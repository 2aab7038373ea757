"""One slice's pixels as Hounsfield units."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from pydicom.encaps import generate_frames
from pydicom.pixels.utils import pixel_array
from pydicom.uid import RLELossless

from registry.imaging.codestreams import frame_size
from registry.imaging.parsing import DAMAGE, without_warnings

if TYPE_CHECKING:
    from numpy.typing import NDArray
    from pydicom.dataset import Dataset

# Air: what a place outside the scanner's field of view is set to. Common practice, no source.
PADDING_HU = -1024


class UndecodableError(Exception):
    """The pixels cannot be decoded; the message says why."""


def hounsfield(dataset: Dataset, shape: tuple[int, int]) -> NDArray[np.int32]:
    """Return the slice in Hounsfield units, rows x columns, padding set to -1024.

    HU = stored value x Rescale Slope + Rescale Intercept, of this slice, rounded to whole units
    (PS3.3 C.8.2, Table C.8-3). Padding is told by the stored value, before the rescale. Nothing is
    clipped: values above 3071 HU, as metal has, stay what the scanner wrote.
    """
    raw = _decoded(dataset)
    if raw.shape != shape:
        raise UndecodableError(f"its image is {raw.shape} where {shape} was announced")
    padding = _padding(dataset, raw)
    stored = _without_spare_bits(dataset, raw)
    slope, intercept = float(dataset.RescaleSlope), float(dataset.RescaleIntercept)
    values = np.rint(stored * slope + intercept)
    if not np.isfinite(values).all() or np.abs(values).max() > np.iinfo(np.int32).max:
        raise UndecodableError("its rescale gives values that no scanner writes")
    units = values.astype(np.int32)
    if padding is not None:
        units[padding] = PADDING_HU
    return units


def _decoded(dataset: Dataset) -> NDArray[Any]:
    if "PixelData" not in dataset:
        raise UndecodableError("it has no pixel data")
    _refuse_odd_frame(dataset)
    try:
        with without_warnings():
            return np.asarray(pixel_array(dataset))
    except MemoryError as error:
        raise UndecodableError("its pixel data ask for more memory than there is") from error
    except DAMAGE as error:
        syntax = dataset.file_meta.get("TransferSyntaxUID") if dataset.file_meta else None
        name = getattr(syntax, "name", "of an unknown form")
        raise UndecodableError(
            f"its pixel data ({name}) are truncated, damaged or packed in a way not read here"
        ) from error


def _refuse_odd_frame(dataset: Dataset) -> None:
    """Refuse a compressed frame that is not the one frame of the size its header announces."""
    syntax = dataset.file_meta.TransferSyntaxUID
    if not syntax.is_encapsulated or syntax == RLELossless:
        return
    try:
        frames = list(generate_frames(dataset.PixelData, number_of_frames=1))
    except DAMAGE as error:
        raise UndecodableError("its compressed pixel data are damaged") from error
    size = frame_size(frames[0])
    if size is None:
        raise UndecodableError(f"its pixel data are not what {syntax.name} begins with")
    announced = (int(dataset.Rows), int(dataset.Columns), 1)
    if size[:3] != announced or size.bits > int(dataset.BitsAllocated):
        raise UndecodableError(
            f"its compressed image is {size.rows} x {size.columns} of {size.bits} bits, "
            f"where {announced[0]} x {announced[1]} was announced"
        )


def _without_spare_bits(dataset: Dataset, raw: NDArray[Any]) -> NDArray[np.float64]:
    """Return the stored values: bits above Bits Stored are no part of them (PS3.5 8.1.1)."""
    spare = int(dataset.BitsAllocated) - int(dataset.BitsStored)
    if spare <= 0 or dataset.file_meta.TransferSyntaxUID.is_compressed:
        return raw.astype(np.float64)
    # Shifting up and down again fills the spare bits with the sign, or with zeros if unsigned.
    return ((raw << spare) >> spare).astype(np.float64)


def _padding(dataset: Dataset, raw: NDArray[Any]) -> NDArray[np.bool_] | None:
    """Return where the image is padding: Pixel Padding Value to its Range Limit, if given."""
    first = _stored_number(dataset, "PixelPaddingValue")
    if first is None:
        return None
    limit = _stored_number(dataset, "PixelPaddingRangeLimit")
    low, high = sorted((first, first if limit is None else limit))
    padding: NDArray[np.bool_] = (raw >= low) & (raw <= high)
    return padding


def _stored_number(dataset: Dataset, keyword: str) -> int | None:
    """Return a number in stored values, also where it was written with the other signedness."""
    value = dataset.get(keyword)
    if value is None or value == "":
        return None
    number, span = int(value), 1 << int(dataset.BitsAllocated)
    if int(dataset.PixelRepresentation) == 1:
        return number - span if number >= span // 2 else number
    return number + span if number < 0 else number
