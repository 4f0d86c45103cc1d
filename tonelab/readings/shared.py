"""Colours under keys that other measurements of the same source share."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from tonelab.readings.colours import CELL_SIDE, gather_cells

if TYPE_CHECKING:
    from tonelab.results import Tallies
    from tonelab.signal.arrays import FloatArray, IntArray


def codes_by_colour(*charts: Tallies) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return the distinct source colours of one or several charts and what became of them.

    Returns
    -------
    key
        Shape (N,): one number for each source colour, ascending.
    source, capture
        Shape (N, 3): whole source codes, and mean capture codes; repeats weigh no more than others.
    """
    source, capture = (np.concatenate(means) for means in zip(*map(_means, charts), strict=True))
    whole = np.round(source).astype(np.int64)
    key = (whole[:, 0] << 32) | (whole[:, 1] << 16) | whole[:, 2]
    keys, first, label, many = _distinct(key.tobytes())
    mean = np.stack([np.bincount(label, part) / many for part in capture.T], axis=1)
    return keys, whole[first].astype(np.float64), mean.reshape(-1, 3)


def _means(tallies: Tallies) -> tuple[FloatArray, FloatArray]:
    """Mean codes (P, 3) of source and capture of the patches that both sides show."""
    tables = tallies.tables
    counts = np.minimum(tables["patch_count_source"], tables["patch_count_capture"])
    rows = np.flatnonzero(counts.min(axis=1, initial=1) > 0)
    source, capture = (
        tables[f"patch_sum_{side}"][rows] / tables[f"patch_count_{side}"][rows]
        for side in ("source", "capture")
    )
    return source, capture


def codes_by_cell(tallies: Tallies) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return the cells of source colour that content showed and what became of them.

    Returns
    -------
    key
        Shape (N,): one number for each cell, ascending.
    source, capture
        Shape (N, 3): mean native codes of the cell's flat places.
    """
    seen = gather_cells(tallies)
    cell = seen.patch % CELL_SIDE**3
    keys, label = np.unique(cell, return_inverse=True)
    weight = seen.count[:, 0].astype(np.float64)
    total = np.bincount(label, weight)

    def pooled(codes: FloatArray) -> FloatArray:
        sums = [np.bincount(label, part * weight) / total for part in codes.T]
        return np.stack(sums, axis=1).reshape(-1, 3)

    return keys, pooled(seen.source), pooled(seen.capture)


@lru_cache(maxsize=4)  # captures of one chart have the same colours
def _distinct(key: bytes) -> tuple[IntArray, ...]:
    """Distinct 64-bit keys, where each comes first, which of them each is, and how often."""
    keys, *places = np.unique(np.frombuffer(key, np.int64), return_index=True, return_inverse=True)
    return keys, *places, np.bincount(places[1])
