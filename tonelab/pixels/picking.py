"""Places of a picture that its neighbours allow, and exact sums of products over them."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tonelab.signal.arrays import FloatArray, IntArray, Mask, Plane


CODES = 1024  # of 10 bits
MIDDLE = 512  # codes taken off before squaring, so that sums stay small
MOST_SAMPLES = 30_000  # of one frame in a filter's equations
_LEGAL = (4, 1019)  # codes that BT.2100 leaves to video
LUMA_REACH, CHROMA_REACH = 3, 2  # samples to each side that a filter may gather


def span(plane: Plane, reach: int) -> NDArray[np.int32]:
    """Highest minus lowest code of a plane within ``reach`` samples to each side, same shape.

    At the edges that is within the picture.
    """
    if not plane.size:
        return np.zeros(plane.shape, np.int32)
    ends = np.pad(plane, reach, mode="edge")
    high = _extreme(np.maximum, ends, reach).astype(np.int32)
    return high - _extreme(np.minimum, ends, reach)


def _extreme(of_two: np.ufunc, ends: Plane, reach: int) -> Plane:
    """Extreme of each square, by extremes of ever longer runs: exact, and fast as whole planes."""
    for axis in (0, 1):
        runs, length = ends.swapaxes(0, axis), 1
        while length < 2 * reach + 1:
            step = min(length, 2 * reach + 1 - length)
            runs = of_two(runs[:-step], runs[step:])
            length += step
        ends = runs.swapaxes(0, axis)
    return ends


def is_video(codes: Plane) -> Mask:
    """Mask, same shape, of 10-bit codes not reserved for synchronisation (BT.2100-2 table 9).

    Reserved ones show no noise.
    """
    legal: Mask = (codes >= _LEGAL[0]) & (codes <= _LEGAL[1])
    return legal


def on_luma(chroma: Mask, factors: tuple[int, int], shape: tuple[int, ...]) -> Mask:
    """Mask of ``shape`` (rows, columns) of the luma pixels whose chroma samples are in a mask.

    ``factors`` are luma pixels (x, y) of a chroma sample.
    """
    across, down = factors
    whole = chroma.repeat(down, axis=0).repeat(across, axis=1)[: shape[0], : shape[1]]
    luma = np.zeros(shape, bool)
    luma[: whole.shape[0], : whole.shape[1]] = whole
    return luma


def within(shape: tuple[int, ...], reach: int) -> Mask:
    """Mask of ``shape`` (rows, columns) of places that have ``reach`` samples on every side.

    ``reach`` is at least 1.
    """
    inner = np.zeros(shape, bool)
    inner[reach:-reach, reach:-reach] = True
    return inner


def pick(wanted: Mask, most: int = MOST_SAMPLES) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Rows and columns, both (N,), where ``wanted`` holds; every n-th if more than ``most`` do."""
    places = np.flatnonzero(wanted)
    # An odd step meets every column parity of a regular pattern.
    step = max(1, -(-len(places) // most)) | 1
    rows, columns = np.unravel_index(places[::step], wanted.shape)
    return rows, columns


def neighbours(
    plane: NDArray[Any], rows: NDArray[np.intp], columns: NDArray[np.intp], reach: int
) -> FloatArray:
    """Gather samples around places, (N, (2 reach + 1)^2), rows of the picture first."""
    around = np.arange(-reach, reach + 1)
    width = plane.shape[1]
    taps = (around[:, None] * width + around).ravel()
    found: FloatArray = plane.take((rows * width + columns)[:, None] + taps).astype(np.float64)
    found -= MIDDLE
    return found


def gram(taps: FloatArray, targets: FloatArray) -> IntArray:
    """Sum products of taps (N, T), a constant and targets (N, K), shape (T + 1 + K, T + 1 + K)."""
    return products(np.concatenate([taps, np.ones((len(taps), 1)), targets], axis=1))


def products(row: FloatArray) -> IntArray:
    """Sum products of columns (N, C), shape (C, C); exact if all sums are integers below 2^53."""
    return integers(row.T @ row)


def integers(values: NDArray[Any]) -> IntArray:
    """Round to int64, same shape; the values are whole numbers but for their type."""
    rounded: IntArray = np.rint(values).astype(np.int64)
    return rounded


def merge_rows(rows: IntArray, keys: Sequence[int]) -> IntArray:
    """Add the rows (N, C) that are the same in some columns, which are not added.

    The result depends on no order of the rows: it stands in that of the key columns, the first one
    first. Keys are not negative.
    """
    if not len(rows):
        return rows
    named = rows[:, list(keys)]
    sizes = [int(size) + 1 for size in named.max(axis=0)]
    if math.prod(sizes) < 2**63:
        packed = np.zeros(len(rows), np.int64)
        for size, column in zip(sizes, named.T, strict=True):
            packed = packed * size + column
        order = np.argsort(packed, kind="stable")
    else:
        order = np.lexsort(named.T[::-1])
    rows, named = rows[order], named[order]
    other = (np.diff(named, axis=0) != 0).any(axis=1)
    first = np.append(0, np.flatnonzero(other) + 1)
    merged: IntArray = np.add.reduceat(rows, first, axis=0)
    merged[:, list(keys)] = named[first]
    return merged
