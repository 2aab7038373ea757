"""One slice's pixels: from the bytes in the file to Hounsfield units."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from pydicom.encaps import encapsulate
from pydicom.pixels.decoders.base import get_decoder
from pydicom.uid import UID, ExplicitVRBigEndian, RLELossless

from registry.imaging.codestreams import frame_size
from registry.imaging.parsing import DAMAGE, without_warnings

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from registry.imaging.parsing import Head, PixelPlace

# Air: what a place outside the scanner's field of view is set to. Common practice, no source.
PADDING_HU = -1024
_INT16, _INT32 = np.iinfo(np.int16), np.iinfo(np.int32)


class UndecodableError(Exception):
    """The pixels cannot be decoded; the message says why."""


@dataclass(frozen=True)
class PixelForm:
    """How a file's pixels are written (Image Pixel Module, PS3.3 C.7.6.3).

    Attributes
    ----------
    place : where in the file they begin; None where it is deflated as a whole, or has none
    head_digest : of all that stands before them
    padding : lowest and highest stored value that is no part of the image; None without one
    """

    syntax: UID
    rows: int
    columns: int
    frames: int
    bits_allocated: int
    bits_stored: int
    is_signed: bool
    padding: tuple[int, int] | None
    place: PixelPlace | None
    head_digest: bytes = field(repr=False)

    @property
    def stored_type(self) -> np.dtype[Any]:
        """Return the type of an uncompressed stored value."""
        order = ">" if self.syntax == ExplicitVRBigEndian else "<"
        return np.dtype(f"{order}{'i' if self.is_signed else 'u'}{self.bits_allocated // 8}")

    @property
    def frame_bytes(self) -> int:
        """Return the size of one uncompressed frame."""
        return self.rows * self.columns * self.bits_allocated // 8


def pixel_form(head: Head) -> PixelForm:
    """Return how the pixels of a file are written."""
    dataset = head.dataset
    bits, is_signed = int(dataset.BitsAllocated), int(dataset.PixelRepresentation) == 1

    def stored_number(keyword: str) -> int | None:
        """Return a number in stored values, also where it was written with the other sign."""
        value = dataset.get(keyword)
        if value is None or value == "":
            return None
        number, span = int(value), 1 << bits
        if is_signed:
            return number - span if number >= span // 2 else number
        return number + span if number < 0 else number

    first, limit = stored_number("PixelPaddingValue"), stored_number("PixelPaddingRangeLimit")
    last = first if limit is None else limit
    return PixelForm(
        syntax=UID(str(dataset.file_meta.TransferSyntaxUID)),
        rows=int(dataset.Rows),
        columns=int(dataset.Columns),
        frames=int(dataset.get("NumberOfFrames") or 1),
        bits_allocated=bits,
        bits_stored=int(dataset.BitsStored),
        is_signed=is_signed,
        padding=None if first is None or last is None else (min(first, last), max(first, last)),
        place=head.pixels,
        head_digest=head.digest,
    )


def plain_frame(content: bytes | memoryview, form: PixelForm) -> NDArray[Any]:
    """Return uncompressed values, rows x columns, from one frame's bytes, spare bits and all."""
    if len(content) < form.frame_bytes:
        raise UndecodableError(
            f"its pixel data are cut short: {len(content)} bytes "
            f"where {form.frame_bytes} were announced"
        )
    values = np.frombuffer(content, form.stored_type, form.rows * form.columns)
    return values.reshape(form.rows, form.columns)


def packed_frame(frame: bytes, form: PixelForm) -> NDArray[Any]:
    """Return stored values, rows x columns, from one compressed frame."""
    _refuse_odd_frame(frame, form)
    options: dict[str, Any] = {
        "rows": form.rows,
        "columns": form.columns,
        "number_of_frames": 1,
        "samples_per_pixel": 1,
        "photometric_interpretation": "MONOCHROME2",
        "bits_allocated": form.bits_allocated,
        "bits_stored": form.bits_stored,
        "pixel_representation": int(form.is_signed),
        "pixel_keyword": "PixelData",
    }
    try:
        with without_warnings():
            values, _ = get_decoder(form.syntax).as_array(
                encapsulate([frame]), index=0, raw=True, **options
            )
    except MemoryError as error:
        raise UndecodableError("its pixel data ask for more memory than there is") from error
    except DAMAGE as error:
        raise UndecodableError(
            f"its pixel data ({form.syntax.name}) are truncated, damaged or packed in a way "
            "not read here"
        ) from error
    if values.shape != (form.rows, form.columns):
        raise UndecodableError(
            f"its image is {values.shape} where {(form.rows, form.columns)} was announced"
        )
    return values


def hounsfield(
    raw: NDArray[Any], form: PixelForm, slope: float, intercept: float
) -> NDArray[np.int16] | NDArray[np.int32]:
    """Return a frame in Hounsfield units, padding set to -1024.

    HU = stored value x Rescale Slope + Rescale Intercept, of this slice, rounded to whole units
    (PS3.3 C.8.2, Table C.8-3). Padding is told by the value as it stands in the file, before the
    rescale; it may use bits that no other value does. Nothing is clipped: values above 3071 HU, as
    metal has, stay what the scanner wrote. The answer is int16 where every value fits, else int32.
    """
    padded = _padded(raw, form.padding)
    stored = _without_spare_bits(raw, form)
    if padded is not None:
        inside = stored[~padded]
        if inside.size == 0:
            return np.full(stored.shape, PADDING_HU, np.int16)
        low, high = int(inside.min()), int(inside.max())
    else:
        low, high = int(stored.min()), int(stored.max())
    reached = sorted((low * slope + intercept, high * slope + intercept))
    if not np.isfinite(reached).all() or max(map(abs, reached)) > _INT32.max:
        raise UndecodableError("its rescale gives values that no scanner writes")
    fits = round(reached[0]) >= _INT16.min and round(reached[1]) <= _INT16.max
    units = _rescaled(stored, slope, intercept, np.dtype(np.int16 if fits else np.int32))
    if padded is not None:
        units[padded] = PADDING_HU
    return units


def _rescaled(
    stored: NDArray[Any], slope: float, intercept: float, wanted: np.dtype[Any]
) -> NDArray[Any]:
    """Return stored x slope + intercept, rounded; where values are padding, anything at all."""
    if not (slope.is_integer() and intercept.is_integer()):
        values = stored * np.float64(slope) + np.float64(intercept)
        # What is outside the type's range is padding, and is set afterwards.
        limits = np.iinfo(wanted)
        return np.clip(np.rint(values), limits.min, limits.max).astype(wanted)
    # Whole numbers modulo 2^16 or 2^32: exact wherever the result fits, as it was seen to.
    span = 1 << (8 * wanted.itemsize)
    factor, shift = (
        np.array(int(value) % span, f"u{wanted.itemsize}").view(wanted)
        for value in (slope, intercept)
    )
    units = stored.astype(wanted)
    if slope != 1:
        units *= factor
    units += shift
    return units


def _padded(stored: NDArray[Any], padding: tuple[int, int] | None) -> NDArray[np.bool_] | None:
    """Return where the image is padding: Pixel Padding Value to its Range Limit, if anywhere."""
    if padding is None:
        return None
    padded: NDArray[np.bool_] = (stored >= padding[0]) & (stored <= padding[1])
    return padded if padded.any() else None


def _refuse_odd_frame(frame: bytes, form: PixelForm) -> None:
    """Refuse a compressed frame that is not of the size its header announces."""
    if form.syntax == RLELossless:
        return
    size = frame_size(frame)
    if size is None:
        raise UndecodableError(f"its pixel data are not what {form.syntax.name} begins with")
    if size[:3] != (form.rows, form.columns, 1) or size.bits > form.bits_allocated:
        raise UndecodableError(
            f"its compressed image is {size.rows} x {size.columns} of {size.bits} bits, "
            f"where {form.rows} x {form.columns} was announced"
        )


def _without_spare_bits(raw: NDArray[Any], form: PixelForm) -> NDArray[Any]:
    """Return the stored values: bits above Bits Stored are no part of them (PS3.5 8.1.1)."""
    spare = form.bits_allocated - form.bits_stored
    if spare <= 0 or form.syntax.is_encapsulated:
        return raw
    # Shifting up and down again fills the spare bits with the sign, or with zeros if unsigned.
    return (raw << spare) >> spare
