"""Native planes of frames as FFmpeg's decoders hand them out.

What a pixel format's name means is published in FFmpeg's table of pixel formats. PyAV tells of it
the depth, the sizes and the planes of its components, and whether they are R'G'B' or big-endian,
but not where they lie in a plane that several share: that is tabled here.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from fractions import Fraction
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeAlias, cast

import av
import numpy as np
from av.filter import Graph
from numba import njit

from tonelab.media.clip import CHROMA_FACTORS, chroma_size

if TYPE_CHECKING:
    from av.video.format import VideoFormatComponent
    from av.video.plane import VideoPlane
    from numpy.typing import NDArray

    from tonelab.media.clip import Subsampling
    from tonelab.signal.arrays import Plane, Planes

    Rows: TypeAlias = NDArray[np.unsignedinteger[Any]]

# Formats with a plane for each component. Those of floating point have other names.
_PLANAR = re.compile(r"(yuv[ja]?4[24][024]|gbra?)p(\d+(msb)?)?")
# Of formats that do not fill 16 bits, those that leave the low bits and not the high ones empty.
_HIGH = re.compile(r"p[024]1\d|y21\d|xv36|.*msb")
# Samples of a plane that components share, from its first byte on; a dot is not looked at.
_ORDERS = {
    "rgb": "rgb24 rgb48",
    "bgr": "bgr24 bgr48",
    "rgb.": "rgba rgb0 rgba64",
    "bgr.": "bgra bgr0 bgra64",
    ".rgb": "argb 0rgb",
    ".bgr": "abgr 0bgr",
    "vyu": "vyu444",
    "vuy.": "vuya vuyx",
    ".yuv": "ayuv ayuv64",
    "uyv.": "uyva xv36 xv48",
    "uyvy": "uyvy422",
    "yuyv": "yuyv422 y210 y212 y216",
    "yvyu": "yvyu422",
    "uv": "nv12 nv16 nv20 nv24 p010 p012 p016 p210 p212 p216 p410 p412 p416",
    "vu": "nv21 nv42",
}
_ORDER_OF = {name: order for order, names in _ORDERS.items() for name in names.split()}
# Components in a 32-bit word, by their lowest bit.
_WORDS = {
    "x2rgb10": {"r": 20, "g": 10, "b": 0},
    "x2bgr10": {"b": 20, "g": 10, "r": 0},
    "xv30": {"v": 20, "y": 10, "u": 0},
    "v30x": {"v": 22, "y": 12, "u": 2},
}
_WORD = 4  # bytes


@dataclass(frozen=True, slots=True)
class Component:
    """Where the samples of a component lie.

    Attributes
    ----------
    plane
        Of the frame.
    step
        Bytes from one sample of a row to the next.
    shift
        Bits below the sample, in the little-endian number that the bytes of a step make.
    """

    plane: int
    step: int
    shift: int


@dataclass(frozen=True, slots=True)
class PixelFormat:
    """How a decoder's pixel format stores codes.

    Attributes
    ----------
    subsampling, bits
        Of the codes.
    components
        Y', Cb, Cr or R, G, B; alpha is left out.
    rgb
        They are R, G, B.
    full
        The name itself says full range.
    swapped
        Bytes of the numbers that are stored with their high byte first; 1 for none.
    """

    subsampling: Subsampling
    bits: int
    components: tuple[Component, Component, Component]
    rgb: bool = False
    full: bool = False
    swapped: int = 1


@lru_cache
def pixel_format(name: str) -> PixelFormat | None:
    """Look up a pixel format by FFmpeg's name; None for one without native planes."""
    stem = name.removesuffix("le").removesuffix("be")
    if not (stem in _WORDS or stem in _ORDER_OF or _PLANAR.fullmatch(stem)):
        return None
    try:
        described = av.VideoFormat(name, 4, 4)
    except ValueError:  # the installed FFmpeg is older than this format
        return None
    parts = described.components[:3]
    factors = 4 // parts[1].width, 4 // parts[1].height
    subsampling = next((key for key, pair in CHROMA_FACTORS.items() if pair == factors), None)
    bits = parts[0].bits
    if subsampling is None or not 8 <= bits <= 16:
        return None
    unit = _WORD if stem in _WORDS else -(-bits // 8)
    letters = "rgb" if described.is_rgb else "yuv"
    first, second, third = (_component(stem, *pair) for pair in zip(letters, parts, strict=True))
    return PixelFormat(
        cast("Subsampling", subsampling),
        bits,
        (first, second, third),
        rgb=described.is_rgb,
        full=stem.startswith("yuvj"),
        swapped=unit if described.is_big_endian else 1,
    )


def _component(stem: str, letter: str, part: VideoFormatComponent) -> Component:
    if stem in _WORDS:
        return Component(part.plane, _WORD, _WORDS[stem][letter])
    unit = -(-part.bits // 8)
    order = _ORDER_OF.get(stem, letter)
    if letter not in order:  # alone in its plane, beside one that others share
        order = letter
    empty = 8 * unit - part.bits if _HIGH.fullmatch(stem) else 0
    step = len(order) * unit // order.count(letter)
    return Component(part.plane, step, 8 * unit * order.index(letter) + empty)


def native_planes(frame: av.VideoFrame, pixels: PixelFormat) -> Planes:
    """Y', Cb, Cr or R, G, B of a decoded frame; alpha is left out.

    Each is (height, width) uint16, chroma at its own subsampling. Planes that are stored as such
    are views into the decoder's frame and keep it alive.
    """
    upward = frame.planes[0].line_size < 0
    if upward:
        frame = turned(frame)
    small = chroma_size(frame.width, frame.height, pixels.subsampling)
    order = -1 if upward else 1
    stored = {
        index: _stored_rows(frame.planes[index], pixels)
        for index in {component.plane for component in pixels.components}
    }
    first, second, third = (
        _samples(stored[component.plane], component, size, pixels)[::order]
        for component, size in zip(
            pixels.components, ((frame.height, frame.width), small, small), strict=True
        )
    )
    return first, second, third


def row_bytes(pixels: PixelFormat, width: int) -> tuple[int, ...]:
    """Bytes of the rows of each plane without padding, for a picture ``width`` pixels wide."""
    small = chroma_size(width, 2, pixels.subsampling)[1]
    found: dict[int, int] = {}
    for component, samples in zip(pixels.components, (width, small, small), strict=True):
        size = samples * component.step
        found[component.plane] = max(found.get(component.plane, 0), size)
    return tuple(found[plane] for plane in sorted(found))


def turned(frame: av.VideoFrame) -> av.VideoFrame:
    """Give a frame whose rows are stored from the bottom up as one that is upside down.

    No sample is touched. PyAV's planes of such a frame begin at its first row, which is the last
    one stored, and reach beyond it.
    """
    graph = Graph()
    source = graph.add_buffer(
        width=frame.width, height=frame.height, format=frame.format, time_base=Fraction(1)
    )
    graph.link_nodes(source, graph.add("vflip"), graph.add("buffersink")).configure()
    graph.push(frame)
    return cast("av.VideoFrame", graph.pull())


def _stored_rows(plane: VideoPlane, pixels: PixelFormat) -> Rows:
    """Rows of a plane with their padding, as bytes (rows, bytes); numbers low byte first."""
    rows = np.frombuffer(cast("memoryview", plane), np.uint8).reshape(-1, plane.line_size)
    return low_byte_first(rows, pixels)


def low_byte_first(rows: Rows, pixels: PixelFormat) -> Rows:
    """Turn the numbers in rows of bytes (rows, bytes) round where their high byte is first."""
    if pixels.swapped == 1:
        return rows
    used = rows[:, : rows.shape[1] // pixels.swapped * pixels.swapped]
    return np.ascontiguousarray(used).view(f"<u{pixels.swapped}").byteswap().view(np.uint8)


def _samples(rows: Rows, component: Component, size: tuple[int, int], pixels: PixelFormat) -> Plane:
    """Take the samples (height, width) of a component, uint16, from the rows of its plane."""
    height, width = size
    if pixels.bits > 8 and component.step == 2 and not component.shift:
        return cast("Plane", rows[:height].view("<u2")[:, :width])
    samples = np.empty(size, np.uint16)
    fill_samples(rows[:height], component, pixels, samples)
    return samples


def fill_samples(rows: Rows, component: Component, pixels: PixelFormat, out: Plane) -> None:
    """Unpack a component in place.

    Parameters
    ----------
    rows
        Bytes (height, bytes) of the rows of its plane, numbers low byte first.
    component, pixels
        Where it lies.
    out
        Shape (height, width), uint16.
    """
    unit = 1 if pixels.bits == 8 else 2  # bytes of a sample where a step is no whole word
    word = unit if component.step == 3 * unit else component.step
    if rows.shape[1] % word or rows.ctypes.data % word:
        rows = np.ascontiguousarray(rows[:, : out.shape[1] * component.step])
    words = rows.view(f"<u{word}")
    if word == component.step:
        number = words.dtype.type
        _unpack(words, number(component.shift), number(2**pixels.bits - 1), out)
    else:
        _unpack_thirds(words, component.shift // (8 * unit), out)


@njit(cache=True, nogil=True)
def _unpack(words: Rows, shift: Any, mask: Any, out: Plane) -> None:
    """Take one sample from each word, in place; words (rows, words), out (height, width)."""
    height, width = out.shape
    for row in range(height):
        source, target = words[row], out[row]
        for x in range(width):
            target[x] = (source[x] >> shift) & mask


@njit(cache=True, nogil=True)
def _unpack_thirds(stored: Rows, offset: int, out: Plane) -> None:
    """Take every third sample of the rows, in place."""
    height, width = out.shape
    for row in range(height):
        source, target = stored[row, offset:], out[row]
        for x in range(width):
            target[x] = source[3 * x]
