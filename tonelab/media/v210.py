"""v210: 10-bit 4:2:2 in little-endian 32-bit words, six pixels in four words.

Word by word, low bits first: Cb0 Y0 Cr0 | Y1 Cb2 Y2 | Cr2 Y3 Cb4 | Y4 Cr4 Y5; bits 30 and 31
are zero. A row fills whole blocks of 48 pixels (128 bytes); some writers pad to smaller blocks.
The kernels live in this one module and take every constant as an argument or literal, because
numba's cache does not see changes elsewhere.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, TypeAlias

import numpy as np
from numba import njit

from tonelab.errors import ClipError

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.signal.arrays import Plane

    Words: TypeAlias = NDArray[np.uint32]

# Pixels a row is padded to: the published rule first, then the variants met in the wild.
BLOCKS = (48, 24, 12, 6)


@dataclass(frozen=True, slots=True)
class RowStride:
    """How rows of v210 are stored.

    Attributes
    ----------
    size
        Bytes from one row to the next.
    block
        Pixels the row is padded to: 48 by the rule; 24, 12 or 6 in short-stride variants; 0 for
        a stated stride that follows none of them.
    extra
        Bytes after the last row of each frame, which are not picture.
    """

    size: int
    block: int
    extra: int

    @property
    def note(self) -> str:
        """One sentence when the storage departs from the rule, else empty."""
        parts = []
        if self.block == 0:
            parts.append(f"rows are read with the stated stride of {self.size} bytes")
        elif self.block != BLOCKS[0]:
            parts.append(f"rows of {self.size} bytes are padded to {self.block} pixels, not to 48")
        if self.extra:
            parts.append(f"{self.extra} bytes after the picture of each frame are ignored")
        return f"v210: {'; '.join(parts)}." if parts else ""


def stride_of(width: int, block: int = 48) -> int:
    """Bytes of a v210 row of `width` pixels padded to whole blocks of `block` pixels."""
    return -(-width // block) * block // 6 * 16


def frame_size(width: int, height: int) -> int:
    """Bytes of a v210 frame stored by the 48-pixel rule."""
    return stride_of(width) * height


def recognise_stride(
    size: int, width: int, height: int, stated: int | None = None, where: str = "The clip"
) -> RowStride:
    """Find from the bytes of one frame how its rows are stored.

    Parameters
    ----------
    size
        Bytes stored for the frame.
    width, height
        Of the picture, pixels.
    stated
        Row stride in bytes when the user knows better.
    where
        Subject of the error sentence.

    Raises
    ------
    ClipError
        When the width is odd, or no known row stride fits the size.
    """
    if width % 2:
        raise ClipError(f"{where} has an odd width of {width} pixels, which v210 cannot hold.")
    if stated is not None:
        if stated % 4 or stated < stride_of(width, 6) or stated * height > size:
            raise ClipError(
                f"{where} cannot have the stated row stride of {stated} bytes with "
                f"{width}x{height} pixels in {size} bytes: state a multiple of 4 that fits."
            )
        known = [block for block in BLOCKS if stride_of(width, block) == stated]
        return RowStride(stated, known[0] if known else 0, size - stated * height)
    for block in BLOCKS:
        stride = stride_of(width, block)
        if stride * height <= size:
            return RowStride(stride, block, size - stride * height)
    raise ClipError(
        f"{where} stores {size} bytes a frame, too few for {width}x{height} in v210 "
        f"(at least {stride_of(width, 6) * height}): it is damaged, or its size is stated wrongly."
    )


def words_of(buffer: NDArray[np.uint8], height: int, stride: int) -> Words:
    """View the bytes of a frame as little-endian words, shape (height, stride / 4)."""
    return buffer[: height * stride].view("<u4").reshape(height, stride // 4)


@njit(cache=True, nogil=True)
def unpack(words: Words, luma: Plane, cb: Plane, cr: Plane) -> None:
    """Unpack v210 words into native planes, in place.

    Parameters
    ----------
    words
        Shape (H, stride / 4).
    luma, cb, cr
        Outputs, shapes (H, W), (H, W / 2), (H, W / 2), uint16; codes 0..1023.
    """
    height, width = luma.shape
    groups = width // 6
    for row in range(height):
        source, y, u, v = words[row], luma[row], cb[row], cr[row]
        for group in range(groups):
            a, b = source[4 * group], source[4 * group + 1]
            c, d = source[4 * group + 2], source[4 * group + 3]
            x, k = 6 * group, 3 * group
            u[k] = a & 1023
            y[x] = (a >> 10) & 1023
            v[k] = (a >> 20) & 1023
            y[x + 1] = b & 1023
            u[k + 1] = (b >> 10) & 1023
            y[x + 2] = (b >> 20) & 1023
            v[k + 1] = c & 1023
            y[x + 3] = (c >> 10) & 1023
            u[k + 2] = (c >> 20) & 1023
            y[x + 4] = d & 1023
            v[k + 2] = (d >> 10) & 1023
            y[x + 5] = (d >> 20) & 1023
        if width > 6 * groups:
            a, b = source[4 * groups], source[4 * groups + 1]
            x, k = 6 * groups, 3 * groups
            u[k] = a & 1023
            y[x] = (a >> 10) & 1023
            v[k] = (a >> 20) & 1023
            y[x + 1] = b & 1023
            if width - x == 4:
                c = source[4 * groups + 2]
                u[k + 1] = (b >> 10) & 1023
                y[x + 2] = (b >> 20) & 1023
                v[k + 1] = c & 1023
                y[x + 3] = (c >> 10) & 1023


@njit(cache=True, nogil=True)
def pack(luma: Plane, cb: Plane, cr: Plane, words: Words) -> None:
    """Pack native planes into v210 words (height, words a row), in place; inverse of `unpack`.

    Every code 0..1023 is kept as it is. Words after the last pixel of a row become zero.
    """
    height, width = luma.shape
    one, ten, twenty = np.uint32(1023), np.uint32(10), np.uint32(20)
    groups = width // 6
    for row in range(height):
        target, y, u, v = words[row], luma[row], cb[row], cr[row]
        for group in range(groups):
            at, x, k = 4 * group, 6 * group, 3 * group
            target[at] = (u[k] & one) | (y[x] & one) << ten | (v[k] & one) << twenty
            target[at + 1] = (y[x + 1] & one) | (u[k + 1] & one) << ten | (y[x + 2] & one) << twenty
            target[at + 2] = (v[k + 1] & one) | (y[x + 3] & one) << ten | (u[k + 2] & one) << twenty
            target[at + 3] = (y[x + 4] & one) | (v[k + 2] & one) << ten | (y[x + 5] & one) << twenty
        target[4 * groups :] = 0
        # Samples in storage order: chroma and luma alternate, chroma itself alternates Cb and Cr.
        for x in range(6 * groups, width):
            sample = 2 * x
            chroma = u[x // 2] if x % 2 == 0 else v[x // 2]
            target[sample // 3] |= (np.uint32(chroma) & one) << np.uint32(10 * (sample % 3))
            sample += 1
            target[sample // 3] |= (np.uint32(y[x]) & one) << np.uint32(10 * (sample % 3))


@njit(cache=True, nogil=True)
def count_violations(words: Words, width: int) -> tuple[int, int]:
    """Count what plain v210 words (rows, words a row) must not hold.

    The codes 0..3 and 1020..1023 are reserved for timing references of the serial interface
    (SMPTE ST 292-1), and the two top bits of each word are zero.

    Returns
    -------
    tuple of int
        Samples with a reserved code, words with a non-zero top bit; padding is not looked at.
    """
    reserved, top = 0, 0
    samples = 2 * width
    for row in range(words.shape[0]):
        source = words[row]
        for index in range((samples + 2) // 3):
            word = source[index]
            top += (word >> 30) != 0
            for part in range(min(3, samples - 3 * index)):
                code = (word >> (10 * part)) & 1023
                reserved += code < 4 or code > 1019
    return reserved, top
