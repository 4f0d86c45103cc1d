"""Whole colours that face each other: captured chroma with luma in the same place, of both sides.

What a path does to a colour as a whole, such as rounding it as R'G'B', shows in its chroma too,
which no filter of luma moves.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.pixels.picking import on_luma, pick, span

if TYPE_CHECKING:
    from tonelab.signal.arrays import IntArray, Mask, Planes

_BITS = 10  # of a code
_PARTS = 6  # codes of a site: three planes of both sides


def keys_of_sites(
    source: Planes, capture: Planes, mask: Mask, factors: tuple[tuple[int, int], tuple[int, int]]
) -> IntArray:
    """Colours of both sides where chroma was sampled and the source's is even, in one number each.

    ``factors`` of subsampling are those of the source and of the capture. The picture is cut on
    both sides to what they share, and its chroma samples face each other or are repeated.
    """
    (across, down), (over, under) = factors
    flat = (span(source[1], 1) == 0) & (span(source[2], 1) == 0)
    rows, columns = pick((on_luma(flat, factors[0], mask.shape) & mask)[::under, ::over])
    inside = (rows < capture[1].shape[0]) & (columns < capture[1].shape[1])
    rows, columns = rows[inside], columns[inside]
    y, x = rows * under, columns * over
    key = np.zeros(len(rows), np.int64)
    for plane in (source[0], capture[0]):
        key = key << _BITS | plane[y, x]
    for plane in source[1:]:
        key = key << _BITS | plane[y // down, x // across]
    for plane in capture[1:]:
        key = key << _BITS | plane[rows, columns]
    return key


def table_of_sites(keys: list[IntArray]) -> IntArray:
    """Table (N, 7): the source's Y', Cb, Cr, the capture's, and how often they were met."""
    found, count = np.unique(np.concatenate(keys), return_counts=True)
    parts = [found >> _BITS * n & (1 << _BITS) - 1 for n in reversed(range(_PARTS))]
    luma, seen, cb, cr, *chroma = parts
    return np.stack([luma, cb, cr, seen, *chroma, count.astype(np.int64)], axis=1)
