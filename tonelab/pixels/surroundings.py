"""Local contrast: how luma depends on the luma around it, by means of blocks."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from tonelab.pairing.result import BLOCK
from tonelab.pixels.picking import CODES, MIDDLE, integers, products, within
from tonelab.pixels.tables import CONTENT, PIXEL_TABLES, Table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.pixels.bursts import Burst
    from tonelab.pixels.tables import Added
    from tonelab.signal.arrays import IntArray

BLOCK_SCALE = 16  # parts of a code in which means of blocks are counted
SURROUND_BANDS = 16  # of luma, in each of which a curve counts as straight
_AROUND = 5  # blocks a side


@PIXEL_TABLES.register(
    "surroundings",
    label="luma of blocks with that around them",
    tables=(
        Table(
            "surround_gram", (SURROUND_BANDS, 6, 6),
            "by luma of the source's block, sums of products over blocks of 16 x 16 pixels of a "
            "constant, the source's Y', Cb and Cr, its luma around the block, and the capture's "
            "luma, in sixteenths of codes about the middle",
        ),
    ),
    when="Where pixels are co-registered; else, of content, against the source as the scaler makes "
    "it.",
    cost=14,
    pages=frozenset({CONTENT, "mixed", "surround"}),
)  # fmt: skip
def surroundings(burst: Burst) -> Added:
    """Sum products of means of blocks of the last frame."""
    view = burst.nearest
    if view is None:
        return {}
    rows, columns = (n // BLOCK for n in view.mask.shape)
    cut = view.mask[: rows * BLOCK, : columns * BLOCK].reshape(rows, BLOCK, columns, BLOCK)
    whole = cut.all(axis=(1, 3)) & within((rows, columns), _AROUND // 2)
    luma, *planes = view.source
    own = _means(luma, rows, columns)
    around = integers(ndimage.uniform_filter(own.astype(np.float64), _AROUND))
    chroma = [
        _means(plane, rows, columns, view.factors) if plane.size else np.zeros_like(own)
        for plane in planes
    ]
    captured = _means(view.capture[0], rows, columns)
    parts = [np.ones_like(own), own, *chroma, around, captured]
    blocks = np.stack([part[whole] for part in parts], axis=1).astype(np.float64)
    band = (own[whole] // BLOCK_SCALE + MIDDLE) * SURROUND_BANDS // CODES
    sums = np.zeros((SURROUND_BANDS, 6, 6), np.int64)
    for n in np.unique(band):
        sums[n] = products(blocks[band == n])
    return {"surround_gram": sums}


def _means(
    plane: NDArray[Any], rows: int, columns: int, factors: tuple[int, int] = (1, 1)
) -> IntArray:
    """Means of blocks about the middle, in parts of a code."""
    width, height = (BLOCK // factor for factor in factors)
    blocks = plane[: rows * height, : columns * width].reshape(rows, height, columns, width)
    return integers(BLOCK_SCALE * (blocks.mean(axis=(1, 3)) - MIDDLE))
