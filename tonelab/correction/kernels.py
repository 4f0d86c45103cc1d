"""The kernels that read lattices, invert them and render pictures; all they need is an argument."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numba import njit

if TYPE_CHECKING:
    from typing import Any, TypeAlias

    from numpy.typing import NDArray

    from tonelab.signal.arrays import FloatArray

    Samples: TypeAlias = NDArray[Any]  # of less than 8 bytes each


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
def spread_row(
    plane: Samples, row: int, down: int, above: float, across: int, aside: float, line: Samples
) -> None:  # pragma: no cover - compiled
    """Interpolate one plane linearly at every luma sample of a row, into ``line`` (width,).

    Of ``plane`` (rows, columns), sample (i, j) stands at row ``down * i + above`` and column
    ``across * j + aside`` of luma; beyond its edges the last sample goes on.
    """
    rows, columns = plane.shape
    u = min(max((row - above) / down, 0.0), rows - 1.0)
    i = min(int(u), max(rows - 2, 0))
    below, under = min(i + 1, rows - 1), np.float32(u - i)
    over = np.float32(1) - under
    if across == 1:
        for x in range(columns):
            line[x] = over * plane[i, x] + under * plane[below, x]
        return
    # Two samples of luma lie between two of chroma; those before and after by these shares.
    first, second = np.float32(aside / 2), np.float32((1 - aside) / 2)
    before = over * plane[i, 0] + under * plane[below, 0]
    here = before
    for j in range(columns):
        k = min(j + 1, columns - 1)
        after = over * plane[i, k] + under * plane[below, k]
        line[2 * j] = here + first * (before - here)
        if 2 * j + 1 < len(line):
            line[2 * j + 1] = here + second * (after - here)
        before, here = here, after


@njit(cache=True, nogil=True)
def shrink_row(
    line: Samples, across: int, share: float, first: bool, result: Samples
) -> None:  # pragma: no cover - compiled
    """Add ``share`` of a row of chroma, filtered by 1-2-1 at every other sample, to ``result``.

    ``line`` (width,), ``result`` (width / across,), set anew by the ``first`` row of several.
    """
    width, part = len(line), np.float32(share)
    for j in range(len(result)):
        if across == 1:
            value = line[j]
        else:
            x = 2 * j
            left, right = line[max(x - 1, 0)], line[min(x + 1, width - 1)]
            value = np.float32(0.25) * (left + right) + np.float32(0.5) * line[x]
        result[j] = part * value + (np.float32(0) if first else result[j])


@njit(cache=True, nogil=True)
def round_row(
    line: Samples, noise: Samples, shift: int, low: int, high: int, result: Samples
) -> None:  # pragma: no cover - compiled
    """Round ``line`` (N,) with a power-of-two row of noise added, halves up, into low..high."""
    mask, half = len(noise) - 1, np.float32(0.5)
    for x in range(len(line)):
        value = line[x] + noise[(x + shift) & mask] + half
        result[x] = int(min(max(value, np.float32(low)), np.float32(high)))


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "nnan", "nsz"})
def place_row(
    place: Samples, size: int, edge: float, codes: Samples, nodes: Samples,
    shares: Samples,
) -> int:  # pragma: no cover - compiled  # fmt: skip
    """Find the tetrahedra of a row of colours; return how many lie beyond ``edge``.

    ``place`` (3, 4) turns ``codes`` (3 or more, N) into places among ``size`` nodes; ``nodes``
    (3, N) takes the numbers of the first three corners, blue fastest, and ``shares`` (4, N) the
    weights of all four. Without a branch, so that several colours are placed at once.
    """
    r0, r1, r2, r3 = place[0]
    g0, g1, g2, g3 = place[1]
    b0, b1, b2, b3 = place[2]
    zero, one, top = np.float32(0), np.float32(1), np.float32(size - 1)
    red, green, blue, last = np.int32(size * size), np.int32(size), np.int32(1), np.int32(size - 2)
    beyond, outside = np.float32(edge), 0
    for n in range(codes.shape[1]):
        p, q, r = codes[0, n], codes[1, n], codes[2, n]
        x = r0 * p + r1 * q + r2 * r + r3
        y = g0 * p + g1 * q + g2 * r + g3
        z = b0 * p + b1 * q + b2 * r + b3
        outside += max(x, y, z) > beyond
        x, y, z = min(max(x, zero), top), min(max(y, zero), top), min(max(z, zero), top)
        i, j, k = min(np.int32(x), last), min(np.int32(y), last), min(np.int32(z), last)
        x -= np.float32(i)
        y -= np.float32(j)
        z -= np.float32(k)
        most, least = max(x, y, z), min(x, y, z)
        middle = x + y + z - most - least
        along = red if (x >= y and x >= z) else (green if y >= z else blue)
        aside = blue if (z <= x and z <= y) else (green if y <= x else red)
        at = i * red + j * green + k * blue
        nodes[0, n], nodes[1, n] = at, at + along
        nodes[2, n] = at + red + green + blue - aside
        shares[0, n], shares[1, n] = one - most, most - middle
        shares[2, n], shares[3, n] = middle - least, least
    return outside


@njit(cache=True, nogil=True, error_model="numpy", fastmath={"contract", "nnan", "nsz"})
def read_row(
    values: Samples, size: int, nodes: Samples, shares: Samples, result: Samples
) -> None:  # pragma: no cover - compiled
    """Read ``values`` (size^3, 4) where `place_row` says, into ``result`` (N, 4)."""
    far = np.int32(size * size + size + 1)
    for n in range(len(result)):
        # Numbers without a sign need no look at whether they count from the end.
        a, b = np.uintp(nodes[0, n]), np.uintp(nodes[1, n])
        c, d = np.uintp(nodes[2, n]), np.uintp(nodes[0, n] + far)
        w, x, y, z = shares[0, n], shares[1, n], shares[2, n], shares[3, n]
        result[n, 0] = w * values[a, 0] + x * values[b, 0] + y * values[c, 0] + z * values[d, 0]
        result[n, 1] = w * values[a, 1] + x * values[b, 1] + y * values[c, 1] + z * values[d, 1]
        result[n, 2] = w * values[a, 2] + x * values[b, 2] + y * values[c, 2] + z * values[d, 2]
        result[n, 3] = w * values[a, 3] + x * values[b, 3] + y * values[c, 3] + z * values[d, 3]


@njit(cache=True, nogil=True)
def render_planes(
    planes: tuple[Samples, Samples, Samples], given: tuple[int, float, int, float],
    values: Samples, place: Samples, edge: float,
    noise: Samples, shift: tuple[int, int], limits: tuple[int, int],
    results: tuple[Samples, Samples, Samples], wanted: tuple[int, int],
) -> int:  # pragma: no cover - compiled  # fmt: skip
    """Render the planes of a picture through a lattice into ``results``, uint16.

    Parameters
    ----------
    planes, given
        Codes, and where chroma stands: down, above, across and aside of `spread_row`.
    values, place, edge
        (size^3, 4), (3, 4) and a number, float32: see `place_row` and `read_row`.
    noise, shift, limits
        (n, n), n a power of two, moved by rows and columns and added before rounding into limits.
    results, wanted
        Codes, and how many rows and columns of luma share a sample of chroma.

    Returns
    -------
    int
        Samples beyond ``edge``.
    """
    height, width = planes[0].shape
    down, above, across, aside = given
    low, high = limits
    size = round(len(values) ** (1 / 3))
    codes, shown = np.empty((3, width), np.float32), np.empty((width, 4), np.float32)
    nodes, shares = np.empty((3, width), np.int32), np.empty((4, width), np.float32)
    small = np.empty((2, results[1].shape[1]), np.float32)
    mask, outside = len(noise) - 1, 0
    for row in range(height):
        spread_row(planes[0], row, 1, 0.0, 1, 0.0, codes[0])
        spread_row(planes[1], row, down, above, across, aside, codes[1])
        spread_row(planes[2], row, down, above, across, aside, codes[2])
        outside += place_row(place, size, edge, codes, nodes, shares)
        read_row(values, size, nodes, shares, shown)
        grain = noise[(row + shift[0]) & mask]
        round_row(shown[:, 0], grain, shift[1], low, high, results[0][row])
        part, target = row % wanted[0], row // wanted[0]
        for plane in range(2):
            share = 1.0 / wanted[0]
            shrink_row(shown[:, 1 + plane], wanted[1], share, part == 0, small[plane])
        if part == wanted[0] - 1:
            round_row(small[0], grain, shift[1] + 37, low, high, results[1][target])
            round_row(small[1], grain, shift[1] + 74, low, high, results[2][target])
    return outside


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
