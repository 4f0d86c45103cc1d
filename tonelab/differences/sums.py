"""Exact sums of one burst of two captures; the bursts are kept apart, so that one judges another.

All codes are 10-bit codes. The captures are called A and B; the pair has A as its source.
"""

from __future__ import annotations

from functools import partial
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from tonelab.pixels.bursts import Burst
from tonelab.pixels.picking import MIDDLE
from tonelab.pixels.run import sendable
from tonelab.tallies.workers import carry_out

if TYPE_CHECKING:
    from collections.abc import Callable, Sequence

    from tonelab.pairing import Pair
    from tonelab.signal.arrays import FloatArray, IntArray, Mask, Plane
    from tonelab.tallies.workers import Workers

    Sums = dict[str, IntArray]

GRID = 3  # cells of the picture along each side
RANGES = 8  # of luma, of 128 codes each
REACH = 3  # pixels on either side that a filter of luma may rest on
TAPS = (2 * REACH + 1) ** 2
PHASES = 6  # pixels along each side after which a scaler's filter repeats; holds periods 1, 2, 3
SEGMENT = 32  # pixels of a row or column whose waves are summed
RELATIONS = ("nearest", "linear", "cubic", "linear, centred between rows")
_MOST_PIXELS = 30_000  # of a frame that a filter is fitted to
_FLAT = 1  # codes that chroma spans around a flat sample


def sums_of(
    pair: Pair,
    runs: Sequence[IntArray],
    *,
    workers: Workers,
    progress: Callable[[int, int], None] | None = None,
) -> list[Sums]:
    """Sum each burst by itself, in the order of the bursts; those without a shared pixel are empty.

    Raises
    ------
    ClipError, WorkerError
        When a clip cannot be decoded, or workers keep dying.
    """
    jobs = list(enumerate(runs))
    found: dict[int, Sums] = {}
    for (number, _), part in carry_out(partial(sum_burst, pair=sendable(pair)), jobs, workers):
        found[number] = part
        if progress is not None:
            progress(len(found), len(jobs))
    return [found[number] for number in sorted(found) if found[number]]


def sum_burst(job: tuple[int, IntArray], pair: Pair) -> Sums:
    """Sum the last frame of a burst; the only function that a worker needs.

    Returns
    -------
    dict of ndarray, int64
        ``planes`` (3, 4): samples, identical ones, sum of squared differences, largest difference.
        ``grid`` (3, 3, 3, 2): samples and squares by plane and cell.
        ``ranges`` (8, 4): by luma of A samples, squares, sums of A and of the difference.
        ``affine`` (7, 7): products of 1, Y', Cb, Cr of A and of B.
        ``edges`` (2, 2): samples and squares of chroma where A is flat, and elsewhere.
        ``filter`` (2, 36, 51, 51): products of 1, the surroundings in A (in B) and luma of B (of A)
        by phase; ``chroma_filter``: the same of Cb and Cr.
        ``waves`` (2, 17, 2): power by direction, frequency and capture; ``wave_count`` (2,).
        ``rows`` (2, 2, 2, 4, 2): squares, in hundredths, and samples of `RELATIONS` by capture,
        direction (down, across) and parity.
    """
    burst = Burst(pair, *job)
    view = burst.shown
    if view is None or not view.mask.any():
        return {}
    ours = [plane.astype(np.int64) for plane in view.source]
    theirs = [plane.astype(np.int64) for plane in view.capture]
    masks = [view.mask]
    for plane in (1, 2):
        a, b, m = ours[plane], theirs[plane], view.mask
        like = a.shape == b.shape and burst.co_registration.in_place
        down, across = view.factors[1], view.factors[0]
        m = m[::down, ::across]
        rows, columns = (min(n) for n in zip(a.shape, b.shape, m.shape, strict=True))
        ours[plane], theirs[plane] = a[:rows, :columns], b[:rows, :columns]
        masks.append(m[:rows, :columns] if like else np.zeros((rows, columns), bool))
    found = _differences(ours, theirs, masks)
    found |= _colours(ours, theirs, masks[1], view.factors)
    found["filter"] = _filters(ours[:1], theirs[:1], masks[:1])
    found["chroma_filter"] = _filters(ours[1:], theirs[1:], masks[1:])
    found |= _waves(ours[0], theirs[0], view.mask)
    found["rows"] = np.stack([_relations(planes[1:]) for planes in burst.pairs[-1]])
    return found


def _differences(ours: list[IntArray], theirs: list[IntArray], masks: list[Mask]) -> Sums:
    planes = np.zeros((3, 4), np.int64)
    grid = np.zeros((3, GRID, GRID, 2), np.int64)
    ranges, edges = np.zeros((RANGES, 4), np.int64), np.zeros((2, 2), np.int64)
    for plane, (a, b, mask) in enumerate(zip(ours, theirs, masks, strict=True)):
        if not mask.any():
            continue
        apart = b - a
        square = np.where(mask, apart**2, 0)
        count = mask.sum()
        largest = np.abs(apart[mask]).max()
        planes[plane] = count, np.count_nonzero(mask & (apart == 0)), square.sum(), largest
        rows, columns = (np.arange(n) * GRID // n for n in mask.shape)
        cell = rows[:, None] * GRID + columns
        grid[plane, ..., 0] = _by(cell, mask, GRID * GRID).reshape(GRID, GRID)
        grid[plane, ..., 1] = _by(cell, square, GRID * GRID).reshape(GRID, GRID)
        if plane == 0:
            part = a * RANGES // 1024
            values = mask, square, np.where(mask, a, 0), np.where(mask, apart, 0)
            ranges[:] = np.stack([_by(part, value, RANGES) for value in values], 1)
        else:
            span = ndimage.maximum_filter(a, 5) - ndimage.minimum_filter(a, 5)
            for row, kept in enumerate((mask & (span <= _FLAT), mask & (span > _FLAT))):
                edges[row] += np.count_nonzero(kept), square[kept].sum()
    return {"planes": planes, "grid": grid, "ranges": ranges, "edges": edges}


def _by(cell: IntArray, value: Mask | IntArray, cells: int) -> IntArray:
    return np.rint(np.bincount(cell.ravel(), value.ravel(), minlength=cells)).astype(np.int64)


def _colours(
    ours: list[IntArray], theirs: list[IntArray], mask: Mask, factors: tuple[int, int]
) -> Sums:
    across, down = factors
    rows, columns = mask.shape
    columns_of = [np.ones(np.count_nonzero(mask), np.int64)]
    for planes in (ours, theirs):
        luma = planes[0][::down, ::across][:rows, :columns]
        columns_of += [plane[mask] - MIDDLE for plane in (luma, *planes[1:])]
    whole = np.stack(columns_of, 1).astype(np.float64)  # products of codes stay exact
    return {"affine": np.rint(whole.T @ whole).astype(np.int64)}


def _filters(ours: list[IntArray], theirs: list[IntArray], masks: list[Mask]) -> IntArray:
    """Sum over planes, from A to B and from B to A."""
    sides = list(zip(ours, theirs, masks, strict=True))
    sums: IntArray = np.stack(
        [
            np.sum([_filter(a, b, mask) for a, b, mask in sides], axis=0),
            np.sum([_filter(b, a, mask) for a, b, mask in sides], axis=0),
        ]
    )
    return sums


def _filter(one: IntArray, other: IntArray, mask: Mask) -> IntArray:
    """Sum the products of a filter's input and output, by phase of row and column."""
    sums = np.zeros((PHASES * PHASES, TAPS + 2, TAPS + 2), np.int64)
    if not mask.any():
        return sums
    height, width = one.shape
    step = max(1, -(-one.size // _MOST_PIXELS))
    step = next(n for n in range(step, step + PHASES) if n % 2 and n % 3)  # meets every phase
    rows = np.arange(REACH, height - REACH, step)
    for row in range(PHASES):
        ys = rows[rows % PHASES == row]
        around = one[ys[:, None] + np.arange(-REACH, REACH + 1)] - float(MIDDLE)
        for column in range(PHASES):
            first = REACH + (column - REACH) % PHASES
            kept = mask[ys, first : width - REACH : PHASES]
            whole = np.ones((TAPS + 2, np.count_nonzero(kept)))
            for tap, (y, x) in enumerate(np.ndindex(2 * REACH + 1, 2 * REACH + 1), start=1):
                end = width - 2 * REACH + x
                whole[tap] = around[:, y, first - REACH + x : end : PHASES][kept]
            whole[-1] = other[ys, first : width - REACH : PHASES][kept] - MIDDLE
            sums[row * PHASES + column] = np.rint(whole @ whole.T)
    return sums


def _waves(a: IntArray, b: IntArray, mask: Mask) -> Sums:
    """Sum the power of waves across and down, without the rows and columns of left-out pixels."""
    powers = np.zeros((2, SEGMENT // 2 + 1, 2), np.int64)
    counts = np.zeros(2, np.int64)
    window = np.hanning(SEGMENT + 1)[:-1]
    for axis, (first, second, wanted) in enumerate(((a, b, mask), (a.T, b.T, mask.T))):
        rows, columns = wanted.shape
        whole = columns // SEGMENT * SEGMENT
        kept = wanted[:, :whole].reshape(rows, -1, SEGMENT).all(axis=2)
        counts[axis] = np.count_nonzero(kept)
        for side, plane in enumerate((first, second)):
            parts = plane[:, :whole].reshape(rows, -1, SEGMENT)[kept].astype(np.float64)
            parts -= parts.mean(axis=1, keepdims=True)
            power = np.abs(np.fft.rfft(parts * window, axis=1)) ** 2
            powers[axis, :, side] = np.rint(power.sum(axis=0))
    return {"waves": powers, "wave_count": counts}


def _relations(chroma: tuple[Plane, ...]) -> IntArray:
    """Sum what ways of doubling rows or columns leave of the samples that they would have made."""
    sums = np.zeros((2, 2, len(RELATIONS), 2), np.int64)
    for plane in chroma:
        for axis, turned in enumerate((plane, plane.T)):
            lines: FloatArray = turned.astype(np.float64)
            for parity in range(2):
                made = np.arange(4 + parity, len(lines) - 4, 2)
                here, before, after = lines[made], lines[made - 1], lines[made + 1]
                far, further = lines[made - 3], lines[made + 3]
                left = (
                    here - before,
                    here - (before + after) / 2,
                    here - (9 * (before + after) - far - further) / 16,
                    here - before + (lines[made - 2] - after) / 3,
                )
                for number, rest in enumerate(left):
                    # In hundredths, so that sums are whole numbers.
                    sums[axis, parity, number] += round(100 * np.square(rest).sum()), rest.size
    return sums
