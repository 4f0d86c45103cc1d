"""How pictures were scaled: products of what each known kernel makes with what was captured.

Of chroma also how rows of 4:2:0 became those of 4:2:2 before they were scaled.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Literal

import numpy as np
from scipy import ndimage

from tonelab.pixels.co_registration import plain_relation
from tonelab.pixels.picking import MIDDLE, pick, products
from tonelab.pixels.resampling import KERNELS, resample
from tonelab.pixels.rescaled import CHROMA_COLUMNS, FINER
from tonelab.pixels.rescaled import COLUMNS as LUMA_COLUMNS
from tonelab.pixels.tables import CONTENT, PIXEL_TABLES, Table

if TYPE_CHECKING:
    from tonelab.pixels.bursts import Burst
    from tonelab.pixels.co_registration import Placement
    from tonelab.pixels.tables import Added
    from tonelab.signal.arrays import FloatArray, IntArray, Mask, Plane, Planes

    Way = Literal["topleft", "left", "repeated"]

WAYS: tuple[Way, ...] = ("topleft", "left", "repeated")
TERMS = {"chroma": 1, "across": 3, "down": 5, "curved": 7}  # first of two columns
COLUMNS = 11
_VARIED = 8  # codes; chroma that changes less shows no filter


@PIXEL_TABLES.register(
    "resampling",
    label="luma and chroma as each scaler makes them",
    tables=(
        Table(
            "resampled", (len(KERNELS), LUMA_COLUMNS, LUMA_COLUMNS),
            "for each known kernel, sums of products of luma, see "
            "`tonelab.pixels.rescaled.scaling_sums`",
        ),
        Table(
            "resampled_chroma", (len(KERNELS), CHROMA_COLUMNS, CHROMA_COLUMNS),
            "the same of chroma, see `tonelab.pixels.rescaled.chroma_sums`; zero if R'G'B'",
        ),
    ),
    when="Pictures that were scaled, or moved by parts of a pixel.",
    cost=1430,
    pages=frozenset({CONTENT, "detail"}),
)  # fmt: skip
def resampling(burst: Burst) -> Added:
    """Take the sums that identify the burst's own scaler."""
    if burst.co_registration.in_place:
        return {}
    luma, chroma = burst.scaling_sums
    return {"resampled": luma, "resampled_chroma": chroma}


@PIXEL_TABLES.register(
    "chroma-ways",
    label="rows of chroma as each way makes them",
    tables=(
        Table(
            "chroma_ways", (len(WAYS), COLUMNS, COLUMNS),
            "for each of `tonelab.pixels.scaling.WAYS`, sums of products of chroma, see "
            "`tonelab.pixels.scaling.chroma_way_sums`",
        ),
    ),
    when="4:2:0 pictures that were scaled to 4:2:2.",
    cost=211,
    pages=frozenset({CONTENT, "detail"}),
)  # fmt: skip
def chroma_ways(burst: Burst) -> Added:
    """Compare chroma of the last frame with each way in which its rows may have been made."""
    view, how = burst.scaled, burst.co_registration
    if view is None or how.shift is not None or how.factors != ((2, 2), (2, 1)):
        return {}
    (scale_x, scale_y), (x, y) = plain_relation(burst.pair)
    to_rows = (scale_x, scale_y), (x / 2, y)
    source, usable = burst.pairs[-1][0], view.mask[:, ::2]
    return {
        "chroma_ways": chroma_way_sums(source, view.capture, usable, to_rows, burst.scaling.name)
    }


def rows_made(plane: Plane, way: Way) -> FloatArray:
    """Make rows of 4:2:2 (2 H, W) out of 4:2:0 (H, W), real-valued codes.

    By linear interpolation from a siting of the rows, or by showing each twice.
    """
    codes = plane.astype(np.float64)
    if way == "repeated":
        return codes.repeat(2, axis=0)
    above, below = np.vstack([codes[:1], codes[:-1]]), np.vstack([codes[1:], codes[-1:]])
    rows = np.empty((2 * len(codes), codes.shape[1]))
    if way == "topleft":
        rows[::2], rows[1::2] = codes, (codes + below) / 2
    else:
        rows[::2], rows[1::2] = (above + 3 * codes) / 4, (3 * codes + below) / 4
    return rows


def chroma_way_sums(
    source: Planes, capture: Planes, mask: Mask, relation: Placement, name: str
) -> IntArray:
    """Sum products of chroma as each of `WAYS` predicts it with that captured, shape (3, 11, 11).

    Columns are a constant, Cb and Cr, their slopes across and down, and their curvature across
    (see `TERMS`), then the captured Cb and Cr, in sixteenths of codes.

    Parameters
    ----------
    source, capture
        Planes of 4:2:0 and of 4:2:2, 10-bit codes.
    mask
        Chroma samples of the capture that may be used.
    relation
        Of planes of 4:2:2, see `tonelab.pixels.resampling.resample`.
    name
        Key of `tonelab.pixels.resampling.KERNELS`.
    """
    shape, kernel = capture[1].shape, KERNELS[name]
    sums = np.zeros((len(WAYS), COLUMNS, COLUMNS), np.int64)
    rows = columns = np.zeros(0, np.intp)
    for number, way in enumerate(WAYS):
        made = [resample(rows_made(p, way) - MIDDLE, shape, *relation, kernel) for p in source[1:]]
        planes = [plane for plane, _ in made]
        if number == 0:  # all ways at the same places
            spread = [ndimage.maximum_filter(p, 3) - ndimage.minimum_filter(p, 3) for p in planes]
            rows, columns = pick((np.maximum(*spread) > _VARIED) & mask & made[0][1])
        down, across = ([np.gradient(p, axis=axis) for p in planes] for axis in (0, 1))
        curved = [ndimage.correlate1d(p, [1.0, -2.0, 1.0], axis=1) for p in planes]
        seen = [plane.astype(np.float64) - MIDDLE for plane in capture[1:]]
        parts = [p[rows, columns] for p in (*planes, *across, *down, *curved, *seen)]
        whole = np.rint(FINER * np.stack(parts, axis=1))
        sums[number] = products(np.column_stack([np.ones(len(whole)), whole]))
    return sums
