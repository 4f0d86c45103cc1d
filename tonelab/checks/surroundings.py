"""Taking off what a path adds to luma by the surroundings of a place, as local contrast does.

On the chart the surroundings of every patch are known. Where a mixture of blurs of a few widths
predicts what no fixed map of colours does, it is taken off, so that the colours show what else the
path did to them.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from tonelab.chart import render_planes
from tonelab.checks.explain import convert_gamut
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import ORIGIN

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.chart import Layout
    from tonelab.checks.explain import Explanation
    from tonelab.checks.samples import Samples
    from tonelab.signal.arrays import FloatArray, Mask
    from tonelab.signal.colorimetry import Matrix, Primaries
    from tonelab.signal.description import Transfer

_WIDTHS = (0.5, 1.0, 2.0, 4.0, 8.0)  # standard deviations of blurs, cells
_PER_CELL = 2  # blocks along a cell at which surroundings are held
_BENT = (0.4, 25.0)  # codes RMS about an affine map: below all is well, above it is a conversion
_LEFT = 0.75  # share of them that may be left
_WHITE = 876.0
_LEAST = 200  # patches
_ROUNDS = 4


@dataclass(frozen=True, slots=True)
class Drift:
    """What surroundings add to the luma of each patch of the chart.

    Attributes
    ----------
    codes
        (P,): what was added, in 10-bit codes.
    within
        (P,): whether the patch arrives between the ends of the codes, so that it was added indeed.
    gain
        By which a patch is driven away from the luma around it, as a share of their difference.
    bound
        95 % half width of that; neighbouring patches err together, so the usual one twice.
    """

    codes: FloatArray
    within: Mask
    gain: float
    bound: float


def find_drift(layout: Layout, samples: Samples, fixed: Explanation) -> Drift | None:
    """Find what surroundings add to luma, if they add anything.

    Parameters
    ----------
    layout
        Of the chart.
    samples
        Its patches as captured.
    fixed
        What explains their colours without that.
    """
    inside = (samples.source[:, 0] > 0) & (samples.source[:, 0] < _WHITE)
    if np.count_nonzero(inside) < _LEAST:
        return None
    signal = fixed.signal
    bent = float(fixed.residual[0])
    if not _BENT[0] < bent < _BENT[1]:
        return None
    around = _surroundings(layout, fixed.gamut, signal.matrix, signal.transfer, signal.peak)
    sent, luma = samples.source, samples.capture[:, 0]
    if fixed.gamut is not None:
        sent = convert_gamut(sent, fixed.gamut, signal, fixed.first)
    factors = np.column_stack([sent, np.ones(len(sent)), around[samples.patch]])
    rest = np.abs(samples.capture - fixed.predict(samples.source)).max(axis=1)
    unclipped = inside & (rest <= max(2.0, 4.5 * float(np.median(rest[inside]))))
    near = inside
    for _ in range(_ROUNDS):
        slopes = np.linalg.lstsq(factors[near], luma[near])[0]
        left = np.abs(luma - factors @ slopes)
        near = inside & (left <= max(2.0, 4.5 * float(np.median(left[inside]))))
    near &= unclipped
    square = float(np.mean(left[near] ** 2))
    if np.sqrt(square) > _LEFT * bent:
        return None
    used, of_luma = factors[near], np.zeros(factors.shape[1])
    of_luma[4 : 4 + len(_WIDTHS)] = 1.0
    predicted = np.full(len(around), np.inf)
    predicted[samples.patch] = factors @ slopes
    return Drift(
        codes=around @ slopes[4:],
        within=(predicted > luma.min() + 1) & (predicted < luma.max() - 1),
        gain=-float(slopes @ of_luma),
        bound=4 * float(np.sqrt(square * (of_luma @ np.linalg.pinv(used.T @ used) @ of_luma))),
    )


@lru_cache(maxsize=1)
def _surroundings(
    layout: Layout,
    gamut: tuple[Primaries, Primaries] | None,
    matrix: Matrix,
    transfer: Transfer,
    peak: float,
) -> FloatArray:
    """Blurred planes in the middle of each patch less its own code, (P, 3 K)."""
    # Even sides of blocks, so that chroma has the same ones.
    patches, scale = layout.patches, np.float64(1 / layout.coding.unit)
    down, across = (n // _PER_CELL // 2 * 2 for n in (layout.cell, layout.cell_width))
    signal = Signal(matrix, transfer=transfer, peak=peak)
    found = np.zeros((len(patches.page), 3, len(_WIDTHS)))
    row = (patches.y + patches.height / 2) / down - 0.5
    column = (patches.x + patches.width / 2) / across - 0.5

    def as_sent(codes: FloatArray) -> FloatArray:
        centred = codes - ORIGIN
        return centred if gamut is None else convert_gamut(centred, gamut, signal)

    for page in np.unique(patches.page):
        on = np.flatnonzero(patches.page == page)
        planes = render_planes(layout, int(page) * layout.hold)
        sides = [(down // n, across // n) for n in (1, 2, 2)]
        shown = [_blocks(plane, *side) for plane, side in zip(planes, sides, strict=True)]
        sent = as_sent(np.stack(shown, axis=-1) * scale)
        for plane, width in np.ndindex(found.shape[1:]):
            blurred = ndimage.gaussian_filter(sent[..., plane], _WIDTHS[width] * _PER_CELL)
            place = np.stack([row[on], column[on]])
            found[on, plane, width] = ndimage.map_coordinates(blurred, place, order=1)
    found -= as_sent(patches.code.astype(np.float64) * scale)[:, :, None]
    around: FloatArray = found.reshape(len(found), -1)
    return around


def _blocks(plane: NDArray[np.uint16], down: int, across: int) -> FloatArray:
    """Means over blocks of so many rows and columns."""
    rows, columns = plane.shape[0] // down, plane.shape[1] // across
    cut = plane[: rows * down, : columns * across].astype(np.float64)
    means: FloatArray = cut.reshape(rows, down, columns, across).mean(axis=(1, 3))
    return means
