"""The kernel that reads lattices; everything it needs is an argument."""

from __future__ import annotations

from typing import TYPE_CHECKING

from numba import njit

if TYPE_CHECKING:
    from tonelab.signal.quantisation import FloatArray


@njit(cache=True, nogil=True)
def read_trilinear(
    values: FloatArray, place: FloatArray, result: FloatArray
) -> None:  # pragma: no cover - compiled
    """Read ``values`` (n, n, n, k) at positions (N, 3) among the nodes into ``result`` (N, k)."""
    size, width = values.shape[0], values.shape[3]
    for row in range(len(place)):
        i = min(int(place[row, 0]), size - 2)
        j = min(int(place[row, 1]), size - 2)
        k = min(int(place[row, 2]), size - 2)
        x, y, z = place[row, 0] - i, place[row, 1] - j, place[row, 2] - k
        for column in range(width):
            low = (values[i, j, k, column] * (1 - z) + values[i, j, k + 1, column] * z) * (
                1 - y
            ) + (values[i, j + 1, k, column] * (1 - z) + values[i, j + 1, k + 1, column] * z) * y
            i1 = i + 1
            high = (values[i1, j, k, column] * (1 - z) + values[i1, j, k + 1, column] * z) * (
                1 - y
            ) + (values[i1, j + 1, k, column] * (1 - z) + values[i1, j + 1, k + 1, column] * z) * y
            result[row, column] = low * (1 - x) + high * x
