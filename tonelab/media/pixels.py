"""Native planes of frames as FFmpeg's decoders hand them out."""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, cast

import numpy as np

from tonelab.media.clip import chroma_size

if TYPE_CHECKING:
    import av

    from tonelab.media.clip import Subsampling
    from tonelab.signal.arrays import Plane, Planes

_PLANAR = re.compile(r"yuv(?P<full>j?)a?(?P<sub>420|422|444)p(?:(?P<bits>9|1[0246])le)?")
_RGB = re.compile(r"gbra?p(?:(?P<bits>9|1[0246])le)?")
_SEMI_PLANAR = {
    "nv12": ("420", 8, 0),
    "nv16": ("422", 8, 0),
    "p010le": ("420", 10, 6),
    "p210le": ("422", 10, 6),
    "p012le": ("420", 12, 4),
    "p016le": ("420", 16, 0),
}


@dataclass(frozen=True, slots=True)
class PixelFormat:
    """How a decoder's pixel format stores codes.

    Attributes
    ----------
    subsampling, bits
        Of the codes.
    rgb
        Planes are G, B, R.
    full
        The name itself says full range.
    shift
        Bits below the code, which are zero.
    interleaved
        Cb and Cr share a plane.
    """

    subsampling: Subsampling
    bits: int
    rgb: bool = False
    full: bool = False
    shift: int = 0
    interleaved: bool = False


def pixel_format(name: str) -> PixelFormat | None:
    """Look up a pixel format by FFmpeg's name; None for one without native planes."""
    if name in _SEMI_PLANAR:
        subsampling, bits, shift = _SEMI_PLANAR[name]
        return PixelFormat(cast("Subsampling", subsampling), bits, shift=shift, interleaved=True)
    if match := _RGB.fullmatch(name):
        return PixelFormat("444", int(match["bits"] or 8), rgb=True)
    if match := _PLANAR.fullmatch(name):
        subsampling = cast("Subsampling", match["sub"])
        return PixelFormat(subsampling, int(match["bits"] or 8), full=bool(match["full"]))
    return None


def native_planes(frame: av.VideoFrame, pixels: PixelFormat) -> Planes:
    """Y', Cb, Cr or R, G, B of a decoded frame; alpha is left out.

    Each is (height, width) uint16, chroma at its own subsampling. Above 8 bits the planes are views
    into the decoder's frame and keep it alive.
    """
    width, height = frame.width, frame.height
    small = chroma_size(width, height, pixels.subsampling)
    if pixels.interleaved:
        luma = _samples(frame, 0, width, pixels)[:height]
        pairs = _samples(frame, 1, 2 * small[1], pixels)[: small[0]]
        return luma, pairs[:, 0::2], pairs[:, 1::2]
    first = _samples(frame, 0, width, pixels)[:height]
    second, third = (_samples(frame, plane, small[1], pixels)[: small[0]] for plane in (1, 2))
    return (third, first, second) if pixels.rgb else (first, second, third)


def _samples(frame: av.VideoFrame, plane: int, width: int, pixels: PixelFormat) -> Plane:
    """Rows of one plane without their padding, uint16."""
    source = frame.planes[plane]
    kind = np.dtype(np.uint8 if pixels.bits == 8 else "<u2")
    rows = np.frombuffer(cast("memoryview", source), kind).reshape(
        -1, source.line_size // kind.itemsize
    )[:, :width]
    samples: Plane = rows.astype(np.uint16, copy=False)
    return samples >> np.uint16(pixels.shift) if pixels.shift else samples
