"""The pixel loops, compiled; each has a plain numpy definition in the tests that it must equal.

Everything a kernel needs comes in as an argument, because compiled caches do not notice
changes elsewhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ParamSpec, TypeVar, cast

import numba

if TYPE_CHECKING:
    from collections.abc import Callable

    import numpy as np
    from numpy.typing import NDArray

    from tonelab.tallies.tallies import IntArray

P = ParamSpec("P")
T = TypeVar("T")


def _kernel(function: Callable[P, T]) -> Callable[P, T]:
    return cast("Callable[P, T]", numba.njit(cache=True, nogil=True)(function))


@_kernel
def add_histogram(plane: NDArray[np.uint16], counts: IntArray) -> None:
    """Add the samples of a plane to ``counts``, one entry per code."""
    height, width = plane.shape
    for y in range(height):
        for x in range(width):
            counts[plane[y, x]] += 1


@_kernel
def add_windows(
    plane: NDArray[np.uint16],
    windows: NDArray[np.int32],
    sums: IntArray,
    squares: IntArray,
    frame_squares: IntArray,
) -> None:
    """Add each window of a plane to its row of the patch tables.

    Parameters
    ----------
    plane
        Shape (H, W), codes.
    windows
        Shape (N, 4): x0, y0, x1, y1, ends excluded, inside the plane.
    sums, squares, frame_squares
        Shape (N,): sum of codes, of squared codes, and of the squared window sum.
    """
    for n in range(windows.shape[0]):
        total = 0
        total_squares = 0
        for y in range(windows[n, 1], windows[n, 3]):
            for x in range(windows[n, 0], windows[n, 2]):
                code = int(plane[y, x])
                total += code
                total_squares += code * code
        sums[n] += total
        squares[n] += total_squares
        frame_squares[n] += total * total


@_kernel
def reduce_cells(
    plane: NDArray[np.uint16],
    factor_x: int,
    factor_y: int,
    low: NDArray[np.uint16],
    high: NDArray[np.uint16],
) -> None:
    """Write the smallest and the largest code of each cell of factor_y x factor_x samples."""
    for y in range(low.shape[0]):
        for x in range(low.shape[1]):
            least = plane[y * factor_y, x * factor_x]
            most = least
            for dy in range(factor_y):
                for dx in range(factor_x):
                    code = plane[y * factor_y + dy, x * factor_x + dx]
                    least = min(least, code)
                    most = max(most, code)
            low[y, x] = least
            high[y, x] = most


@_kernel
def keep_flat(
    low: NDArray[np.uint16],
    high: NDArray[np.uint16],
    reach: int,
    limit: int,
    flat: NDArray[np.bool_],
) -> None:
    """Clear ``flat`` where codes within ``reach`` cells differ by more than ``limit``.

    Cells nearer than ``reach`` to an edge of the picture are cleared too.
    """
    height, width = flat.shape
    row_low = low.copy()
    row_high = high.copy()
    for y in range(height):
        for x in range(reach, width - reach):
            least = low[y, x]
            most = high[y, x]
            for k in range(x - reach, x + reach + 1):
                least = min(least, low[y, k])
                most = max(most, high[y, k])
            row_low[y, x] = least
            row_high[y, x] = most
    for y in range(height):
        for x in range(width):
            if y < reach or y >= height - reach or x < reach or x >= width - reach:
                flat[y, x] = False
                continue
            if not flat[y, x]:
                continue
            least = row_low[y, x]
            most = row_high[y, x]
            for k in range(y - reach, y + reach + 1):
                least = min(least, row_low[k, x])
                most = max(most, row_high[k, x])
            flat[y, x] = most - least <= limit


@_kernel
def add_samples(
    source: NDArray[np.uint16],
    capture: NDArray[np.uint16],
    rows: IntArray,
    count: IntArray,
    sum_source: IntArray,
    sum_capture: IntArray,
    square_capture: IntArray,
) -> None:
    """Add samples to the rows of a table; negative rows are passed over.

    Parameters
    ----------
    source, capture
        Shape (N, 3), codes.
    rows
        Shape (N,): row of each sample.
    count, sum_source, sum_capture, square_capture
        Shapes (R,) and (R, 3).
    """
    for n in range(rows.shape[0]):
        row = rows[n]
        if row < 0:
            continue
        count[row] += 1
        for k in range(3):
            code = int(capture[n, k])
            sum_source[row, k] += int(source[n, k])
            sum_capture[row, k] += code
            square_capture[row, k] += code * code
