"""The machine-readable marks: what they say, how they are drawn and how they are read.

Four rows of 24 bits stand in the strips above and below the body. Each bit takes two cells: the
bit and its complement. So every frame has the same number of bright cells, reading needs no
threshold under an unknown monotone tone curve, and a blend of two frames shows as a pair of cells
with less than the usual contrast. The frame number is in Gray code: neighbours differ in one bit.
"""

from __future__ import annotations

import binascii
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart.layout import DESCRIPTOR_BITS
from tonelab.chart.patches import COLUMNS, ROWS

if TYPE_CHECKING:
    from tonelab.chart.geometry import Geometry
    from tonelab.signal.arrays import FloatArray, IntArray, Mask, Plane

FRAME_BITS, PAGE_BITS, CHECK_BITS = 24, 8, 16
PAYLOAD_BITS = FRAME_BITS + PAGE_BITS + DESCRIPTOR_BITS
MARKER_ROWS = (1, 2, ROWS - 3, ROWS - 2)
MARKER_COLUMNS = (COLUMNS - 48) // 2, (COLUMNS + 48) // 2
# Two cells from the sides and one from top and bottom, so that 2 % of overscan leaves them whole.
FIDUCIALS = ((2, 1), (COLUMNS - 3, 1), (2, ROWS - 2), (COLUMNS - 3, ROWS - 2))

BLACK = 64  # 10-bit code
BRIGHT = 509  # 100 cd/m2 in PQ: well apart from black, and rarely clipped, in any SDR output

_LEAST_CONTRAST = 0.006  # of the code range, six codes in 10 bits; below it there are no marks
# Contrast of a pair, in units of the usual one of its row, below which two frames are mixed; a
# device that maps locally may change contrast from row to row and a little along a row.
_BLEND = 0.8


@dataclass(frozen=True, slots=True)
class Marker:
    """What the marks of one picture say.

    Attributes
    ----------
    frame, page, descriptor
        As drawn; without meaning unless ``ok``.
    ok
        Whether the check sum agrees.
    blended
        Whether some bits stand between their two levels: two frames in one picture.
    """

    frame: int
    page: int
    descriptor: int
    ok: bool
    blended: bool


def marker_cells(frame: int, page: int, descriptor: int) -> Mask:
    """Which of the marker cells are bright, shape (4, 48) as they stand in `MARKER_ROWS`."""
    gray = frame ^ (frame >> 1)
    payload = (gray << PAGE_BITS | page) << DESCRIPTOR_BITS | descriptor
    word = payload << CHECK_BITS | _check(payload)
    count = PAYLOAD_BITS + CHECK_BITS
    bits = np.array([word >> (count - 1 - n) & 1 for n in range(count)], bool)
    return np.stack([bits, ~bits], axis=-1).reshape(len(MARKER_ROWS), -1)


def draw_marks(luma: Plane, cells: Mask, cell: tuple[int, int], bits: int = 10) -> None:
    """Draw fiducials and marker cells into a grid of luma (height, width) whose strips are black.

    ``cell`` is the width and height of a cell, pixels; ``bits`` the depth of the codes.
    """
    width, height = cell
    black, high = (level << (bits - 8) >> 2 for level in (BLACK, BRIGHT))
    for column, row in FIDUCIALS:
        area = slice(row * height, (row + 1) * height), slice(column * width, (column + 1) * width)
        luma[area] = high
    first, last = (column * width for column in MARKER_COLUMNS)
    for row, bright in zip(MARKER_ROWS, cells, strict=True):
        line = np.repeat(np.where(bright, high, black), width)
        luma[row * height : (row + 1) * height, first:last] = line


def read_marker(luma: Plane, geometry: Geometry, bits: int) -> Marker | None:
    """Read the marks of a picture.

    Parameters
    ----------
    luma
        Shape (height, width), luma (or green) codes.
    geometry
        Where the chart stands in the picture, from `locate`.
    bits
        Bit depth of the codes.

    Returns
    -------
    Marker or None
        None when the picture shows no marks there, as a menu or a black picture does.
    """
    rows = marker_rows(geometry)
    if rows[0] < 0 or rows[-1] >= luma.shape[0]:
        return None
    return read_marker_rows(luma[rows], geometry, bits)


def marker_rows(geometry: Geometry) -> IntArray:
    """Rows of the picture that `read_marker` looks at, ascending, shape (4 * n,)."""
    _, y = geometry.to_picture(0, np.array(MARKER_ROWS) + 0.5)
    rows = _samples(y, geometry.scale[1])
    # Overscan may cut a row of marks; what is left of it is read while its middle shows.
    height = geometry.size[1]
    over = np.minimum(rows[:, :1], 0) + np.maximum(rows[:, -1:] - height + 1, 0)
    shows = (y >= 0) & (y < height)
    return np.asarray(rows - over * shows[:, None], np.int64).ravel()


def read_marker_rows(rows: Plane, geometry: Geometry, bits: int) -> Marker | None:
    """Do as `read_marker`, from the `marker_rows` of the picture alone, shape (4 * n, width)."""
    level = _sample_cells(rows, geometry)
    if level is None:
        return None
    difference = level[:, 0::2] - level[:, 1::2]
    contrast = float(np.median(np.abs(difference)))
    if contrast < _LEAST_CONTRAST * 2**bits:
        return None
    word = int("".join("1" if d > 0 else "0" for d in difference.ravel()), 2)
    payload, check = word >> CHECK_BITS, word & ((1 << CHECK_BITS) - 1)
    descriptor = payload & ((1 << DESCRIPTOR_BITS) - 1)
    page = payload >> DESCRIPTOR_BITS & ((1 << PAGE_BITS) - 1)
    gray = payload >> (DESCRIPTOR_BITS + PAGE_BITS)
    usual = np.median(np.abs(difference), axis=1, keepdims=True)
    blended = bool((np.abs(difference) < _BLEND * usual).any())
    return Marker(_from_gray(gray), page, descriptor, check == _check(payload), blended)


def marker_words(frames: int, hold: int, descriptor: int) -> Mask:
    """Bits of the marks of the frames of a chart, shape (frames, 4, 24)."""
    cells = [marker_cells(frame, frame // hold, descriptor) for frame in range(frames)]
    return np.stack(cells)[:, :, 0::2]


def read_uncovered(rows: Plane, geometry: Geometry, bits: int, words: Mask) -> int | None:
    """Read the number of a frame of a known chart from those marks that nothing stands over.

    Either strip alone names the frame: the upper one by its number and its page, the lower one by
    the check sum over both.

    Parameters
    ----------
    rows, geometry, bits
        As for `read_marker_rows`.
    words
        The chart's `marker_words`.

    Returns
    -------
    int or None
        None unless the clear marks agree with one frame alone, and one strip or the other with
        all of its bits; a mixture of two frames agrees with both, or with neither.
    """
    level = _sample_cells(rows, geometry)
    if level is None:
        return None
    difference = level[:, 0::2] - level[:, 1::2]
    size = np.abs(difference)
    for strip in (slice(2, 4), slice(0, 2)):
        usual = np.median(size[strip], axis=1, keepdims=True)
        if usual.min() < _LEAST_CONTRAST * 2**bits or (size[strip] < _BLEND * usual).any():
            continue
        agree = (words[:, strip] == (difference[strip] > 0)).all(axis=(1, 2))
        if np.count_nonzero(agree) == 1:
            return int(agree.argmax())
    return None


def _sample_cells(rows: Plane, geometry: Geometry) -> FloatArray | None:
    """Mean of the middle of each marker cell, shape (4, 48), or None outside of the picture."""
    x, _ = geometry.to_picture(np.arange(*MARKER_COLUMNS) + 0.5, 0)
    left = _samples(x, geometry.scale[0])
    if left.min() < 0 or left.max() >= rows.shape[1]:
        return None
    lines = rows.reshape(len(MARKER_ROWS), -1, rows.shape[1])
    mean: FloatArray = lines[:, :, left].mean(axis=(1, 3))
    return mean


def _samples(centre: FloatArray, scale: float) -> IntArray:
    """Pixels in the middle of cells on one axis, shape (cells, n)."""
    reach = max(2, round(0.4 * scale))
    return np.rint(centre - reach / 2).astype(np.int64)[:, None] + np.arange(reach)


def _check(payload: int) -> int:
    return binascii.crc_hqx(payload.to_bytes(PAYLOAD_BITS // 8, "big"), 0xFFFF)


def _from_gray(gray: int) -> int:
    number = 0
    while gray:
        number ^= gray
        gray >>= 1
    return number
