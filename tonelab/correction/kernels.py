"""The kernels that read lattices and invert them; everything they need is an argument."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from tonelab.signal.arrays import FloatArray


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


@njit(cache=True, nogil=True)
def read_tetrahedral(
    values: FloatArray, place: FloatArray, result: FloatArray
) -> None:  # pragma: no cover - compiled
    """Read like `read_trilinear`, but only the four nodes of the tetrahedron around a position.

    ``values`` (n, n, n, k), ``place`` (N, 3) and ``result`` (N, k) are as there.

    From the lowest corner of the cell along the axis with the largest part first, then along the
    second, to the highest corner.
    """
    size, width = values.shape[0], values.shape[3]
    for row in range(len(place)):
        i = min(int(place[row, 0]), size - 2)
        j = min(int(place[row, 1]), size - 2)
        k = min(int(place[row, 2]), size - 2)
        x, y, z = place[row, 0] - i, place[row, 1] - j, place[row, 2] - k
        first, last = max(x, y, z), min(x, y, z)
        second = x + y + z - first - last
        on_x = x == first
        on_y = y == first and not on_x
        off_z = z == last
        off_y = y == last and not off_z
        i1, j1, k1 = i + on_x, j + on_y, k + (not on_x and not on_y)
        i2, j2, k2 = i + (off_z or off_y), j + (not off_y), k + (not off_z)
        for column in range(width):
            result[row, column] = (
                (1 - first) * values[i, j, k, column]
                + (first - second) * values[i1, j1, k1, column]
                + (second - last) * values[i2, j2, k2, column]
                + last * values[i + 1, j + 1, k + 1, column]
            )


@njit(cache=True, nogil=True)
def descend(
    both: FloatArray,
    wanted: FloatArray,
    place: FloatArray,
    missed: FloatArray,
    damping: float,
    steps: int,
    close: float,
) -> None:  # pragma: no cover - compiled
    """Move ``place`` (N, 3) among the nodes to where a lattice gives ``wanted`` (N, 3).

    ``both`` (n, n, n, 12) holds values and their slopes along each axis, by node; ``missed`` (N,)
    takes the largest difference left. Levenberg-Marquardt: ``damping`` falls with each step that
    helps and rises with each that does not.
    """
    last = both.shape[0] - 1
    seen, trial = np.empty((1, 12)), np.empty((1, 3))
    left, slope, square, turned = np.zeros(3), np.zeros((3, 3)), np.zeros((3, 3)), np.zeros(3)
    for row in range(len(wanted)):
        missed[row], force = np.inf, damping
        trial[0] = place[row]
        for _ in range(steps):
            read_trilinear(both, trial, seen)
            distance = 0.0
            for n in range(3):
                distance = max(distance, abs(wanted[row, n] - seen[0, n]))
            if distance < missed[row]:
                missed[row] = distance
                place[row] = trial[0]
                for n in range(3):
                    left[n] = wanted[row, n] - seen[0, n]
                    slope[n] = seen[0, 3 + 3 * n : 6 + 3 * n]
                force *= 0.3
            else:
                force *= 10.0
            if missed[row] <= close:
                break
            for n in range(3):
                turned[n] = 0.0
                for m in range(3):
                    turned[n] += slope[m, n] * left[m]
                    square[n, m] = force if n == m else 0.0
                    for k in range(3):
                        square[n, m] += slope[k, n] * slope[k, m]
            _solve(square, turned)
            for n in range(3):
                trial[0, n] = min(max(place[row, n] + turned[n], 0.0), last)


@njit(cache=True, nogil=True)
def _solve(matrix: FloatArray, vector: FloatArray) -> None:  # pragma: no cover - compiled
    """Put into ``vector`` what a symmetric positive matrix (3, 3) turns into it (Cramer's rule)."""
    a, b, c = matrix[0, 0], matrix[0, 1], matrix[0, 2]
    d, e, f = matrix[1, 1], matrix[1, 2], matrix[2, 2]
    first, second, third = d * f - e * e, c * e - b * f, b * e - c * d
    whole = max(a * first + b * second + c * third, 1e-300)
    x, y, z = vector[0], vector[1], vector[2]
    vector[0] = (first * x + second * y + third * z) / whole
    vector[1] = (second * x + (a * f - c * c) * y + (b * c - a * e) * z) / whole
    vector[2] = (third * x + (b * c - a * e) * y + (a * d - b * b) * z) / whole
