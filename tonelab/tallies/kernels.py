"""The pixel loops, compiled; each has a plain numpy definition in the tests that it must equal.

Everything a kernel needs comes in as an argument, because compiled caches do not notice
changes elsewhere.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, ParamSpec, TypeVar, cast

import numba
import numpy as np

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from tonelab.signal.arrays import IntArray, Mask


P = ParamSpec("P")
T = TypeVar("T")


def _kernel(function: Callable[P, T]) -> Callable[P, T]:
    return cast("Callable[P, T]", numba.njit(cache=True, nogil=True)(function))


@_kernel
def _product(word: np.uint64, key: np.uint64) -> np.uint64:
    """Add the halves of a key to those of a word, each modulo 2^32, and multiply the sums."""
    half, lower = np.uint64(32), np.uint64(0xFFFFFFFF)
    return (word + key & lower) * ((word >> half) + (key >> half) & lower)


@_kernel
def _nh(words: NDArray[np.uint64], keys: NDArray[np.uint64]) -> np.uint64:
    # Vector instructions come of a loop like this only in a function of its own.
    total = np.uint64(0)
    for n in range(len(words)):
        total += _product(words[n], keys[n])
    return total


@_kernel
def add_rows(
    plane: NDArray[np.uint16], keys: NDArray[np.uint64], counts: IntArray, rows: NDArray[np.uint64]
) -> None:
    """Add the samples of a plane to ``counts``, and write a fingerprint of each row.

    Parameters
    ----------
    plane
        Shape (H, W), codes, in one piece of memory.
    keys
        One for every four samples of a row, the last of which may be short of some; or longer.
    counts
        One entry per code.
    rows
        Shape (H,): becomes the fingerprint of each row, see `tonelab.tallies.frames.Census`.
    """
    height, width = plane.shape
    whole = width // 4 * 4
    mask, one = np.uint64(0xFFFF), np.uint32(1)
    # Neighbours are often equal, and adding to one counter twice in a row has to wait for memory:
    # four tables take turns, fed by one load of four samples. The 16 entries between them keep one
    # code off the same place of four memory pages, which processors mistake for one address.
    parts = np.zeros((4, len(counts) + 16), np.uint32)
    first, second, third, fourth = parts[0], parts[1], parts[2], parts[3]
    for y in range(height):
        row = plane[y]
        words = row[:whole].view(np.uint64)
        for n in range(len(words)):
            word = words[n]
            first[word & mask] += one
            second[(word >> np.uint64(16)) & mask] += one
            third[(word >> np.uint64(32)) & mask] += one
            fourth[word >> np.uint64(48)] += one
        rest = np.uint64(0)
        for x in range(whole, width):
            first[row[x]] += one
            rest |= np.uint64(row[x]) << np.uint64(16 * (x - whole))
        rows[y] = _nh(words, keys)
        if whole < width:
            rows[y] += _product(rest, keys[whole // 4])
    for code in range(len(counts)):
        for part in range(4):
            counts[code] += np.int64(parts[part, code])


@_kernel
def _sums(codes: NDArray[np.uint16]) -> tuple[np.uint64, np.uint64]:
    """Return the sums of codes and of squared codes."""
    total, total_squares = np.uint64(0), np.uint64(0)
    for x in range(len(codes)):
        code = np.uint64(codes[x])
        total += code
        total_squares += code * code
    return total, total_squares


@_kernel
def add_windows(
    plane: NDArray[np.uint16],
    top: int,
    windows: NDArray[np.int32],
    sums: IntArray,
    squares: IntArray,
) -> None:
    """Add what a strip of a plane holds of each window to its row of the patch tables.

    Parameters
    ----------
    plane
        Shape (H, W), codes.
    top
        Row of the picture that is the first one of ``plane``.
    windows
        Shape (N, 4): x0, y0, x1, y1 in the picture, ends excluded, inside of it.
    sums, squares
        Shape (N,): sum of codes and of squared codes.
    """
    end = top + plane.shape[0]
    for n in range(windows.shape[0]):
        x0, x1 = np.intp(windows[n, 0]), np.intp(windows[n, 2])
        for y in range(max(windows[n, 1], top), min(windows[n, 3], end)):
            total, total_squares = _sums(plane[y - top, x0:x1])
            sums[n] += np.int64(total)
            squares[n] += np.int64(total_squares)


@_kernel
def reduce_cells(
    plane: NDArray[np.uint16],
    factor_x: int,
    factor_y: int,
    low: NDArray[np.uint16],
    high: NDArray[np.uint16],
) -> None:
    """Write the smallest and the largest code of each cell of factor_y x factor_x samples.

    ``plane`` is (height, width), ``low`` and ``high`` (rows, columns) of whole cells.
    """
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
    flat: Mask,
) -> None:
    """Clear ``flat`` where codes within ``reach`` cells differ by more than ``limit``.

    All are (rows, columns). Cells nearer than ``reach`` to an edge of the picture are cleared too.
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
