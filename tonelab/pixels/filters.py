"""Equations of filters and of local contrast that luma and chroma went through."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from tonelab.pairing.result import BLOCK
from tonelab.pixels.picking import (
    CHROMA_REACH,
    CODES,
    LUMA_REACH,
    MIDDLE,
    gram,
    integers,
    neighbours,
    on_luma,
    pick,
    products,
    span,
    within,
)
from tonelab.pixels.rescaled import FINER
from tonelab.pixels.tables import CONTENT, PIXEL_TABLES, Table

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.pixels.bursts import Burst, View
    from tonelab.pixels.tables import Added
    from tonelab.signal.arrays import IntArray

FAINT = 24  # codes; a neighbourhood with less contrast counts as faint
_LUMA = (2 * LUMA_REACH + 1) ** 2
_CHROMA = (2 * CHROMA_REACH + 1) ** 2
_DARK = 128  # luma code below which lifts and losses of codes near black bend faint detail
_SEEN = 2  # codes of contrast that faint detail has at least
_VARIED = 8  # codes of contrast that chroma has at least
_DETAIL_EVERY = 3  # bursts; this costs more than it gains by the others
_EVEN = 4  # codes between which chroma around faint detail stays
_CHROMA_BURSTS = (1, 2)  # of a chart, besides those of its pages of detail
BLOCK_SCALE = 16  # parts of a code in which means of blocks are counted
SURROUND_BANDS = 16  # of luma, in each of which a curve counts as straight
_AROUND = 5  # blocks a side


@PIXEL_TABLES.register(
    "luma-filter",
    label="luma around each sample, for filters",
    tables=(
        Table(
            "luma_gram", (2, _LUMA + 2, _LUMA + 2),
            "sums of products of the 49 source samples around each luma sample, a constant, and "
            "the capture sample, codes about the middle; faint and strong neighbourhoods apart, "
            "none near black; of scaled pictures both sides in sixteenths of codes",
        ),
    ),
    when="Where pixels are co-registered, or else against the source as the scaler makes it.",
    cost=173,
    pages=frozenset({CONTENT, "detail"}),
)  # fmt: skip
def luma_filter(burst: Burst) -> Added:
    """Sum products around luma of the last frame."""
    view = burst.nearest
    if view is None:
        return {}
    source, capture = view.source[0], view.capture[0]
    spread = np.where(source < _DARK, 0, view.spans[-1])
    finer = 1 if view.exact is None else FINER
    # Parts of codes about the middle: no rounding of what is predicted may weaken detail.
    shown = source if view.exact is None else integers(FINER * (view.exact - MIDDLE)) + MIDDLE
    places = view.mask & within(source.shape, LUMA_REACH)
    sums = []
    for wanted in ((spread > _SEEN) & (spread <= FAINT), spread > FAINT):
        rows, columns = pick(wanted & places)
        taps = neighbours(shown, rows, columns, LUMA_REACH)
        targets = finer * (capture[rows, columns][:, None].astype(np.float64) - MIDDLE)
        sums.append(gram(taps, targets))
    return {"luma_gram": np.stack(sums)}


@PIXEL_TABLES.register(
    "detail-filter",
    label="faint detail under even chroma",
    tables=(
        Table(
            "detail_gram", (_LUMA + 2, _LUMA + 2),
            "the same of faint neighbourhoods under even chroma, 49 times less the mean of the 49 "
            "samples around each, on both sides: a conversion that bends light by its level and "
            "its colour is straight there",
        ),
    ),
    when=f"Every {_DETAIL_EVERY}rd burst of content whose pixels are co-registered.",
    cost=165,
    pages=frozenset({CONTENT}),
)  # fmt: skip
def detail_filter(burst: Burst) -> Added:
    """Sum products of faint detail of the last frame, less its surroundings."""
    view = burst.co_registered
    if view is None or burst.number % _DETAIL_EVERY or not view.source[1].size:
        return {}
    y, *chroma = view.source
    reach, side = 2 * LUMA_REACH, 2 * LUMA_REACH + 1
    uneven = [span(plane, -(-reach // min(view.factors))) for plane in chroma]
    even = on_luma(np.maximum(*uneven) <= _EVEN, view.factors, view.mask.shape)
    # The mean around a captured sample must not take in what covers the picture.
    whole = ndimage.minimum_filter(view.mask, side) & within(view.mask.shape, reach)
    spread = view.spans[-1]
    rows, columns = pick((spread > _SEEN) & (spread <= FAINT) & (y >= _DARK) & even & whole)
    detail, shown = (
        integers(_LUMA * (plane - ndimage.uniform_filter(plane, side)))
        for plane in (y.astype(np.float64), view.capture[0].astype(np.float64))
    )
    taps = neighbours(detail + MIDDLE, rows, columns, LUMA_REACH)
    return {"detail_gram": gram(taps, shown[rows, columns][:, None].astype(np.float64))}


@PIXEL_TABLES.register(
    "chroma-filter",
    label="chroma around each sample, for filters",
    tables=(
        Table(
            "chroma_gram", (2, 2, 2 * _CHROMA + 3, 2 * _CHROMA + 3),
            "sums of products of the 25 Cb and 25 Cr source samples around each chroma sample, a "
            "constant, and the captured Cb and Cr, codes about the middle, by parity of row and "
            "column of the capture",
        ),
    ),
    when="Where chroma samples are co-registered, or are repeated: content, pages of detail and "
    "the second and third of the chart.",
    cost=34,
)  # fmt: skip
def chroma_filter(burst: Burst) -> Added:
    """Sum products around chroma of the last frame."""
    view, repeat = burst.co_registered, burst.co_registration.repeat
    wanted = burst.kind in {CONTENT, "detail"} or burst.number in _CHROMA_BURSTS
    if not wanted or view is None or repeat is None or not view.source[1].size:
        return {}
    rows, columns = _varied_chroma(view)
    taps = np.concatenate(
        [neighbours(plane, rows, columns, CHROMA_REACH) for plane in view.source[1:]], axis=1
    )
    captured = view.capture[1:]
    sums = np.zeros((2, 2, 2 * _CHROMA + 3, 2 * _CHROMA + 3), np.int64)
    for dy, dx in np.ndindex(*repeat):
        y, x = rows * repeat[0] + dy, columns * repeat[1] + dx
        inside = (y < captured[0].shape[0]) & (x < captured[0].shape[1])
        targets = np.stack([plane[y[inside], x[inside]] for plane in captured], axis=1)
        sums[dy, dx] = gram(taps[inside], targets.astype(np.float64) - MIDDLE)
    return {"chroma_gram": sums}


def _varied_chroma(view: View) -> tuple[NDArray[np.intp], NDArray[np.intp]]:
    """Places of source chroma that its neighbours differ from."""
    cb, cr = view.source[1:]
    across, down = view.factors
    wanted = np.maximum(span(cb, CHROMA_REACH), span(cr, CHROMA_REACH)) > _VARIED
    usable = view.mask[::down, ::across]
    rows, columns = (min(n) for n in zip(cb.shape, usable.shape, strict=True))
    wanted[:rows, :columns] &= usable[:rows, :columns]
    wanted[rows:], wanted[:, columns:] = False, False
    return pick(wanted & within(cb.shape, CHROMA_REACH))


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
