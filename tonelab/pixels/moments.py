"""How samples of static places change from frame to frame."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import Group, sample_windows
from tonelab.pixels.bursts import BURST
from tonelab.pixels.picking import CODES, LUMA_REACH, integers, is_video, within
from tonelab.pixels.tables import CONTENT, PATCHES, PIXEL_TABLES, Table

if TYPE_CHECKING:
    from tonelab.chart import Geometry, Layout
    from tonelab.pixels.bursts import Burst, View
    from tonelab.pixels.tables import Added
    from tonelab.signal.arrays import CodeArray, IntArray

_SIDE = 8  # pixels of a patch that are followed over time
_STILL = 1  # code between which a flat place stays


@PIXEL_TABLES.register(
    "steadiness",
    label="patches from frame to frame",
    tables=(
        Table("steady_frames", (PATCHES,), "frames of the burst of each neutral patch"),
        Table("steady_count", (PATCHES,), "luma samples of one frame that were looked at in it"),
        Table("steady_sum", (PATCHES,), "sums of their codes over all frames"),
        Table("steady_square", (PATCHES,), "sums of their squared codes"),
        Table(
            "steady_square_of_sum", (PATCHES,),
            "sums over its pixels of the squared sum of codes over frames",
        ),
        Table("lag_square", (BURST,), "sums of squared changes of luma samples, by frames between"),
        Table("lag_count", (BURST,), "samples of these sums"),
    ),
    when="Neutral patches of the chart, on one burst a page; of content whose frames are three or "
    "more, flat places that have the same source luma code in two of them.",
    cost=193,
)  # fmt: skip
def steadiness(burst: Burst) -> Added:
    """Follow flat places over the frames of a burst."""
    return _of_patches(burst) if burst.pair.layout is not None else _of_places(burst)


@PIXEL_TABLES.register(
    "still",
    label="flat places that stand still",
    tables=(
        Table(
            "still", (CODES, 4),
            "flat places that have the same source luma code in two frames, by that code: places, "
            "and over them the sums of both capture codes, of both squared, and of their product",
        ),
    ),
    when="Content, where each pixel stands for one of the source or of the source as the scaler "
    "makes it.",
    cost=78,
    pages=frozenset({CONTENT}),
)  # fmt: skip
def still(burst: Burst) -> Added:
    """Sum flat places of two frames; what moves there is not the source's."""
    view = burst.shown
    if view is None or len(view.pairs) < 2:
        return {}
    (one, seen), (other, again) = ((source[0], capture[0]) for source, capture in view.pairs[:2])
    flat = view.legal & within(view.mask.shape, LUMA_REACH) & (one == other)
    for spread in view.spans[:2]:
        flat &= spread <= _STILL
    a, b = seen[flat].astype(np.float64), again[flat].astype(np.float64)
    columns = [
        integers(np.bincount(one[flat], weights=weights, minlength=CODES))
        for weights in (np.ones(a.size), a + b, a * a + b * b, a * b)
    ]
    return {"still": np.stack(columns, axis=1)}


def _of_patches(burst: Burst) -> Added:
    layout, page = burst.pair.layout, burst.page
    assert layout is not None
    windows = _windows(layout, burst.pair.geometry_capture, burst.pair.capture.subsampling)
    neutral = (layout.patches.group == Group.NEUTRAL) & (layout.patches.page == page)
    rows = np.flatnonzero(neutral & (windows[:, 2] > 0))
    if not len(rows):
        return {}
    x0, y0, x1, y1 = windows[rows].T
    side = min(int((x1 - x0).min()), int((y1 - y0).min()), _SIDE)
    y, x = np.divmod(np.arange(side * side), side)
    codes = np.stack([plane[y0[:, None] + y, x0[:, None] + x] for plane in burst.lumas])
    kept = is_video(codes).all(axis=(0, 2))
    rows, codes = rows[kept], codes[:, kept].astype(np.int64)
    total = codes.sum(axis=0)
    found = {
        "steady_frames": np.full(len(rows), len(codes)),
        "steady_count": np.full(len(rows), side * side),
        "steady_sum": total.sum(axis=1),
        "steady_square": (codes**2).sum(axis=(0, 2)),
        "steady_square_of_sum": (total**2).sum(axis=1),
    }
    tables = {name: np.zeros(len(windows), np.int64) for name in found}
    for name, values in found.items():
        tables[name][rows] = values
    changes = [(lag, codes[lag:] - codes[:-lag]) for lag in range(1, len(codes))]
    return {**tables, **_lags(changes)}


def _of_places(burst: Burst) -> Added:
    view = burst.shown
    if view is None or len(view.pairs) < 3:
        return {}
    return _lags(_changes(view))


def _changes(view: View) -> list[tuple[int, IntArray]]:
    frames = [(source[0], capture[0]) for source, capture in view.pairs]
    flat = [view.legal & (spread <= _STILL) for spread in view.spans]
    changes = []
    for lag in range(1, len(frames)):
        for n in range(lag, len(frames)):
            (one, seen), (other, again) = frames[n - lag], frames[n]
            same = flat[n - lag] & flat[n] & (one == other)
            changes.append((lag, again[same].astype(np.int64) - seen[same]))
    return changes


def _lags(changes: list[tuple[int, IntArray]]) -> Added:
    square, count = np.zeros((2, BURST), np.int64)
    for lag, change in changes:
        square[lag] += (change**2).sum()
        count[lag] += change.size
    return {"lag_square": square, "lag_count": count}


@lru_cache(maxsize=2)  # a worker takes many bursts of one pair
def _windows(layout: Layout, geometry: Geometry, subsampling: str) -> CodeArray:
    return sample_windows(layout, geometry, subsampling)[0]
