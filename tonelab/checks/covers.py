"""What stands still over the chart: places that do not follow it from page to page."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from tonelab.chart.patches import COLUMNS

if TYPE_CHECKING:
    from tonelab.chart import Layout
    from tonelab.checks.explain import Explanation
    from tonelab.checks.samples import Samples
    from tonelab.signal.arrays import FloatArray, IntArray, Mask

LEAST_COVERED = 6  # places
_OFF = 8.0  # codes by which a patch must be off
_PAGES = 0.6  # share of pages on which a place must be off to be covered
_VARIES = 20.0  # codes of luma by which a place must vary to be judged
_FOLLOWS = 0.9  # share of what is predicted with which a place follows it
_SEEN = 3  # pages on which a place must be seen
_STAYS = 2.0  # codes between which a covered place stays
_NEIGHBOURS = 2  # of four neighbours that must be covered too
_CROSS = np.array([[0, 1, 0], [1, 0, 1], [0, 1, 0]])
_BLOCK = np.ones((3, 3), bool)


@dataclass(frozen=True, slots=True)
class Cover:
    """What stands still over the chart.

    Attributes
    ----------
    places
        Cells of a page that it covers.
    patches
        (P,): the chart's patches under it, and those next to it, which it may cover in part.
    """

    places: int
    patches: Mask


def find_cover(layout: Layout, samples: Samples, found: Explanation) -> Cover | None:
    """Find what stands still over the chart, if anything does.

    Parameters
    ----------
    layout
        Of the chart.
    samples
        Its patches as captured.
    found
        What explains their colours.
    """
    patches, side = layout.patches, (layout.cell_width, layout.cell)
    x, y = patches.x // side[0], (patches.y - layout.top) // side[1]
    shape = (int(y.max()) + 1, COLUMNS)
    place = (y * COLUMNS + x)[samples.patch]
    luma, *chroma = samples.source.T
    if found.affine:
        inside = (luma > 0) & (luma < 876) & (np.abs(chroma).max(axis=0) < 440)
        still = _unmoved(
            samples[inside], found.predict(samples.source[inside]), place[inside], shape
        )
    else:
        still = _frozen(samples, place, shape)
    # Patches that a path changes alike meet in one place by chance, but not in a block.
    still &= ndimage.convolve(still.astype(int), _CROSS, mode="constant") >= _NEIGHBOURS
    if still.sum() < LEAST_COVERED:
        return None
    neighbours = ndimage.binary_dilation(still, _BLOCK)
    right, below = (
        (length - 1) // n for length, n in zip((patches.width, patches.height), side, strict=True)
    )
    ends = np.minimum(y + below, shape[0] - 1), np.minimum(x + right, shape[1] - 1)
    covered = np.logical_or.reduce(
        [neighbours[row, column] for row in (y, ends[0]) for column in (x, ends[1])]
    )
    return Cover(int(still.sum()), covered)


def _unmoved(
    samples: Samples, predicted: FloatArray, place: IntArray, shape: tuple[int, int]
) -> Mask:
    """Places that are off on most pages and do not follow what is predicted."""
    off = np.abs(samples.capture - predicted).max(axis=1) > _OFF
    if off.mean() > _PAGES / 2:
        return np.zeros(shape, bool)

    def summed(values: FloatArray | Mask) -> FloatArray:
        sums: FloatArray = np.bincount(place, values, shape[0] * shape[1]).astype(np.float64)
        return sums

    # Under a cover luma no longer follows, by one page to the next, as it should.
    x, y, total = predicted[:, 0], samples.capture[:, 0], summed(np.ones_like(off))
    least = np.maximum(total, 1)
    varies = summed(x * x) - summed(x) ** 2 / least
    follows = summed(x * y) - summed(x) * summed(y) / least
    still = (varies > least * _VARIES**2) & (follows < _FOLLOWS * varies)
    still &= (total >= _SEEN) & (summed(off) > _PAGES * total)
    return still.reshape(shape)


def _frozen(samples: Samples, place: IntArray, shape: tuple[int, int]) -> Mask:
    """Places that show one colour on all pages, where nothing predicts theirs."""
    count = np.bincount(place, minlength=shape[0] * shape[1])
    total = np.maximum(count, 1)

    def variance(codes: FloatArray) -> FloatArray:
        mean, square = (np.bincount(place, codes**n, len(total)) / total for n in (1, 2))
        found: FloatArray = square - mean**2
        return found

    changed = variance(samples.source[:, 0]) > _VARIES**2
    stays = np.sum([variance(plane) for plane in samples.capture.T], axis=0) < _STAYS**2
    still: Mask = (changed & stays & (count >= _SEEN)).reshape(shape)
    return still
