"""Whole colours that are co-registered, kept one by one or by cells of colour.

What a path does to a colour as a whole, such as rounding it as R'G'B', shows in its chroma too,
which no filter of luma moves.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.pixels.co_registration import chroma_relation
from tonelab.pixels.picking import LUMA_REACH, merge_rows, on_luma, pick, span
from tonelab.pixels.rescaled import colour_sums
from tonelab.pixels.tables import CONTENT, PIXEL_TABLES, ROWS, Table

if TYPE_CHECKING:
    from tonelab.pixels.bursts import Burst
    from tonelab.pixels.tables import Added
    from tonelab.signal.arrays import IntArray, Mask, Planes


@PIXEL_TABLES.register(
    "samples",
    label="captured luma where chroma of the source is flat",
    tables=(
        Table(
            "samples", (ROWS, 6),
            "where source chroma is flat, so that no filter of chroma matters: the number of "
            "the burst, the source's Y', Cb and Cr, the captured Y', and how often they were met "
            "together",
            keys=(0, 1, 2, 3, 4),
        ),
    ),
    when="Content, where each pixel stands for one of the source or of the source as the scaler "
    "makes it.",
    cost=89,
    pages=frozenset({CONTENT}),
)  # fmt: skip
def samples(burst: Burst) -> Added:
    """Keep luma over flat chroma in the last frame."""
    view = burst.shown
    if view is None or not view.source[1].size:
        return {}
    y, cb, cr = view.source
    across, down = view.factors
    reach = 1 if view.factors != (1, 1) else LUMA_REACH
    flat = (span(cb, reach) == 0) & (span(cr, reach) == 0)
    rows, columns = pick(on_luma(flat, view.factors, view.mask.shape) & view.legal)
    place = rows // down, columns // across
    codes = y[rows, columns], cb[place], cr[place], view.capture[0][rows, columns]
    head, once = np.full(len(rows), burst.number), np.ones(len(rows), np.int64)
    met = np.column_stack([head, *codes, once]).astype(np.int64)
    return {"samples": merge_rows(met, (0, 1, 2, 3, 4))}


@PIXEL_TABLES.register(
    "sites",
    label="whole colours where the source is flat",
    tables=(
        Table(
            "sites", (ROWS, 7),
            "of chroma samples around which the source's are flat: the source's Y', Cb and Cr, "
            "the captured ones, and how often they were met together",
            keys=(0, 3, 1, 2, 4, 5),
        ),
    ),
    when="Content; where it was scaled, or moved by parts of a pixel, places at which all planes "
    "of the source are flat.",
    cost=174,
    pages=frozenset({CONTENT}),
)  # fmt: skip
def sites(burst: Burst) -> Added:
    """Keep whole colours over flat chroma in the last frame."""
    view, how = burst.shown, burst.co_registration
    if view is None or not view.source[1].size:
        return {}
    if how.in_place:
        if how.repeat is None:
            return {}
        return {"sites": sites_of(view.source, view.capture, view.mask, how.factors)}
    if how.rgb:
        return {}
    # A scaler leaves such places alone.
    flat = np.logical_and.reduce([span(plane, LUMA_REACH) == 0 for plane in view.source])
    factors = view.factors, how.factors[1]
    return {"sites": sites_of(view.source, view.capture, view.mask & flat, factors)}


@PIXEL_TABLES.register(
    "predicted",
    label="captured colours by the colour that scaling predicts",
    tables=(
        Table(
            "predicted", (ROWS, 11),
            "captured colours by cell of the colour that scaling predicts: the cell's number, "
            "samples, sums of the predicted Y', Cb and Cr in sixteenths of codes, of the captured "
            "codes, and of their squares",
            keys=(0,),
        ),
    ),
    when="Content that is not R'G'B' on either side and was not moved by whole pixels; where all "
    "planes of the source are smooth, as few places of films are flat.",
    cost=227,
    pages=frozenset({CONTENT}),
)  # fmt: skip
def predicted_cells(burst: Burst) -> Added:
    """Sum captured colours of the last frame by the colours that are expected."""
    view, how = burst.shown, burst.co_registration
    if view is None or how.rgb:
        return {}
    source, relation = burst.pairs[-1][0], chroma_relation(burst.pair)
    if not how.in_place:
        name = burst.scaling.name
        sums = colour_sums(source, view.capture, view.source[0], view.mask, relation, name)
        return {"predicted": sums}
    if how.repeat is None or any(how.shift or ()) or not view.source[1].size:
        return {}
    across, down = how.factors[1]
    rows, columns = (-(-n // f) for n, f in zip(view.mask.shape, (down, across), strict=True))
    y, cb, cr = view.capture
    shared = y, cb[:rows, :columns], cr[:rows, :columns]
    return {
        "predicted": colour_sums(source, shared, view.source[0], view.mask, relation, "bilinear")
    }


def sites_of(
    source: Planes, capture: Planes, mask: Mask, factors: tuple[tuple[int, int], tuple[int, int]]
) -> IntArray:
    """Colours of both sides where chroma was sampled and the source's is even, shape (N, 7).

    Columns are those of the table ``sites``. ``factors`` of subsampling are those of the source and
    of the capture. The picture is cut on both sides to what they share, and its chroma samples are
    co-registered or repeated.
    """
    (across, down), (over, under) = factors
    flat = (span(source[1], 1) == 0) & (span(source[2], 1) == 0)
    rows, columns = pick((on_luma(flat, factors[0], mask.shape) & mask)[::under, ::over])
    inside = (rows < capture[1].shape[0]) & (columns < capture[1].shape[1])
    rows, columns = rows[inside], columns[inside]
    y, x = rows * under, columns * over
    met = [
        source[0][y, x],
        *(plane[y // down, x // across] for plane in source[1:]),
        capture[0][y, x],
        *(plane[rows, columns] for plane in capture[1:]),
        np.ones(len(rows), np.int64),
    ]
    return merge_rows(np.column_stack(met).astype(np.int64), (0, 3, 1, 2, 4, 5))
