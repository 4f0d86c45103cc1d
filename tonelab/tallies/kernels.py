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
