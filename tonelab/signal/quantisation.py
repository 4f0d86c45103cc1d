"""Code values and the signals they stand for (BT.709-6, BT.2020-2 and BT.2100-2, table 9).

Arrays have colour in their last axis, shape (..., 3). A luma or R'G'B' signal runs from 0 (black)
to 1 (nominal peak); a chroma signal from -0.5 to 0.5. Codes below black and above nominal peak are
legal in narrow range and are never clipped here.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from tonelab.errors import SignalError

if TYPE_CHECKING:
    from numpy.typing import ArrayLike, NDArray

    from tonelab.signal.arrays import FloatArray

Range: TypeAlias = Literal["narrow", "full"]

RANGES: tuple[Range, ...] = ("narrow", "full")

# Y', Cb and Cr in 10-bit codes of narrow range: black without chroma, and one unit of signal.
ORIGIN = np.array([64.0, 512.0, 512.0])
SPAN = np.array([876.0, 896.0, 896.0])


def luma_scale(bits: int, range_: Range) -> tuple[float, float]:
    """Return (black code, codes between black and nominal peak) of luma and R'G'B'.

    Parameters
    ----------
    bits
        Bit depth of the codes, 8 to 16.
    range_
        ``"narrow"`` or ``"full"``.

    Raises
    ------
    SignalError
        When the bit depth or the range is unknown.
    """
    _check(bits, range_)
    if range_ == "narrow":
        return 16.0 * 2 ** (bits - 8), 219.0 * 2 ** (bits - 8)
    return 0.0, 2.0**bits - 1


def chroma_scale(bits: int, range_: Range) -> tuple[float, float]:
    """Return (neutral code, codes for one unit of chroma signal); see `luma_scale`."""
    _check(bits, range_)
    if range_ == "narrow":
        return 128.0 * 2 ** (bits - 8), 224.0 * 2 ** (bits - 8)
    return 2.0 ** (bits - 1), 2.0**bits - 1


def codes_to_ycbcr(codes: ArrayLike, bits: int, range_: Range) -> FloatArray:
    """Turn Y'CbCr codes into signals.

    Parameters
    ----------
    codes
        Shape (..., 3), code values in the order Y', Cb, Cr; integers or means of integers.
    bits, range_
        How to read them, see `luma_scale`.

    Returns
    -------
    ndarray
        Shape (..., 3), Y' about 0..1, Cb and Cr about -0.5..0.5.

    Raises
    ------
    SignalError
        As `luma_scale`.
    """
    given = np.asarray(codes, np.float64)
    signals = np.empty_like(given)
    for plane, origin, span in _planes(given, bits, range_):
        signals[..., plane] = (given[..., plane] - origin) / span
    return signals


def ycbcr_to_codes(ycbcr: ArrayLike, bits: int, range_: Range) -> FloatArray:
    """Turn Y'CbCr signals (..., 3) into real-valued codes (..., 3), neither rounded nor clipped.

    Raises
    ------
    SignalError
        As `luma_scale`.
    """
    given = np.asarray(ycbcr, np.float64)
    codes = np.empty_like(given)
    for plane, origin, span in _planes(given, bits, range_):
        codes[..., plane] = given[..., plane] * span + origin
    return codes


def codes_to_rgb(codes: ArrayLike, bits: int, range_: Range) -> FloatArray:
    """Turn R'G'B' codes (..., 3) into signals: all three components are scaled as luma is.

    Raises
    ------
    SignalError
        As `luma_scale`.
    """
    y0, ys = luma_scale(bits, range_)
    return (np.asarray(codes, np.float64) - y0) / ys


def rgb_to_codes(rgb: ArrayLike, bits: int, range_: Range) -> FloatArray:
    """Turn R'G'B' signals, any shape, into real-valued codes, neither rounded nor clipped.

    Raises
    ------
    SignalError
        As `luma_scale`.
    """
    y0, ys = luma_scale(bits, range_)
    return np.asarray(rgb, np.float64) * ys + y0


def quantise(codes: ArrayLike, bits: int) -> NDArray[np.uint16]:
    """Round real-valued codes, any shape, to integers, halves up, within 0..2^bits - 1."""
    rounded = np.floor(np.asarray(codes, np.float64) + 0.5)
    return np.clip(rounded, 0, 2**bits - 1).astype(np.uint16)


def _planes(values: FloatArray, bits: int, range_: Range) -> list[tuple[int, float, float]]:
    """Return (number, code of no signal, codes of one unit) of the planes of values (..., 3).

    Plane by plane is twenty times as quick as three numbers at a time.
    """
    if values.shape[-1:] != (3,):
        raise ValueError(f"Y', Cb and Cr are three, not an array of the shape {values.shape}.")
    luma, chroma = luma_scale(bits, range_), chroma_scale(bits, range_)
    return [(plane, *scale) for plane, scale in enumerate((luma, chroma, chroma))]


def _check(bits: int, range_: str) -> None:
    if not 8 <= bits <= 16:
        raise SignalError(f"A bit depth of {bits} is not supported: state 8 to 16 bits.")
    if range_ not in RANGES:
        raise SignalError(f"The range {range_!r} is unknown: state narrow or full.")
