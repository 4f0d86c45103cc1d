"""The loop over all pixels of a picture, compiled; its definition is a product with a matrix."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numba
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.signal.arrays import IntArray, Picture


def _sum_rows(
    plane: NDArray[Any], shares: Picture, first: IntArray, stop: IntArray, sums: Picture
) -> None:
    sums[:] = 0
    for y in range(len(first)):
        for cell in range(first[y], stop[y]):
            share = shares[cell, y]
            for x in range(plane.shape[1]):
                sums[cell, x] += share * np.float32(plane[y, x])


_compiled = numba.njit(cache=True, nogil=True)(_sum_rows)


def sum_rows(
    plane: NDArray[Any], shares: Picture, first: IntArray, stop: IntArray, sums: Picture
) -> None:
    """Write the product of ``shares`` and a plane to ``sums``, but for what is zero in it.

    Parameters
    ----------
    plane
        Shape (H, W), any real numbers.
    shares
        Shape (C, H).
    first, stop
        Shape (H,): of each row, the first of the cells (C) that it has a share in, and the one
        after the last.
    sums
        Shape (C, W), overwritten.
    """
    _compiled(plane, shares, first, stop, sums)
