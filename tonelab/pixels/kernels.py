"""The pixel loop of filters, compiled; a test holds it against SciPy's, to the last bit.

Everything a kernel needs comes in as an argument, because compiled caches do not notice
changes elsewhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numba
import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.signal.arrays import FloatArray

_NO_WEIGHT = float(np.finfo(np.float64).eps)  # SciPy leaves out weights up to this


def correlated(picture: FloatArray, kernel: FloatArray) -> FloatArray:
    """Correlate a picture (H, W) with a kernel (K, K), K odd; nothing lies around the picture.

    The products are added in the order of the kernel's elements, as `scipy.ndimage.correlate`
    does with ``mode="constant"``, in a fraction of its time.
    """
    reach = len(kernel) // 2
    rows, columns = np.nonzero(np.abs(kernel) > _NO_WEIGHT)
    there = np.zeros(picture.shape)
    _correlate(np.pad(picture, reach), kernel[rows, columns], rows, columns, there)
    return there


def convolved(picture: FloatArray, kernel: FloatArray) -> FloatArray:
    """Convolve, which is the transpose of `correlated` with the same kernel; shapes as there."""
    return correlated(picture, kernel[::-1, ::-1])


@numba.njit(cache=True, nogil=True)
def _correlate(
    ends: FloatArray,
    weights: FloatArray,
    rows: NDArray[np.intp],
    columns: NDArray[np.intp],
    there: FloatArray,
) -> None:
    """Add products to ``there`` (H, W), row by row, which is what vector instructions want."""
    height, width = there.shape
    for y in range(height):
        line = there[y]
        for n in range(len(weights)):
            weight = weights[n]
            seen = ends[y + rows[n], columns[n] : columns[n] + width]
            for x in range(width):
                line[x] += weight * seen[x]
