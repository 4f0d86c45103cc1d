"""Finding the chart in a picture of any size, by its four fiducials."""

from __future__ import annotations

from itertools import product
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart.geometry import Geometry
from tonelab.chart.marker import FIDUCIALS, read_marker
from tonelab.errors import PairingError

if TYPE_CHECKING:
    from collections.abc import Iterator

    from numpy.typing import NDArray

    from tonelab.signal.arrays import FloatArray, IntArray, Mask, Plane

_CENTRES = np.array(FIDUCIALS) + 0.5
# Shares of the way from dark to bright at which marks are looked for, the likeliest first.
# Of a dark device the marks, of 100 cd/m2, stand far below the brightest colours of the page.
_THRESHOLDS = (0.35, 0.2, 0.55, 0.1, 0.75, 0.05, 0.025, 0.012, 0.006)
_LEAST_STEP = 3 / 1024  # of the code range, that a threshold must lie above dark
_SURE = 0.02  # contrast of the fiducials, of the code range, from which nothing is doubted
_SEARCH_ROWS = 540  # rows to which larger pictures are reduced for the search
_NEAREST = 6  # candidates kept at each corner
_LEAST_SIDE = 4  # pixels of a fiducial below which it is noise
_FIELD = 1.25  # half side, in cells, of the black field in which a fiducial is weighed
_LARGEST_RESIDUAL = 0.1  # cells


def locate(luma: Plane, bits: int, name: str = "the picture") -> Geometry:
    """Find the chart in a picture.

    The picture may be scaled by 0.4 to 2.2, letterboxed, shifted by parts of a pixel, overscanned
    by up to 2 %, tone mapped by any rising curve, blurred and noisy.

    Parameters
    ----------
    luma
        Shape (height, width), luma (or green) codes.
    bits
        Bit depth of the codes.
    name
        What the error sentence calls the picture.

    Raises
    ------
    PairingError
        When no chart is found.
    """
    for seeds in _seed_sets(luma, _LEAST_STEP * 2**bits):
        geometry = _refine(luma, bits, seeds)
        if geometry is not None and read_marker(luma, geometry, bits) is not None:
            return geometry
    raise PairingError(
        f"There are no chart marks in {name}: capture the chart full screen, with nothing drawn "
        "over its corners, and give that capture."
    )


def _seed_sets(luma: Plane, least: float) -> Iterator[FloatArray]:
    """Yield sets of four square spots that stand as the fiducials do, the likeliest first.

    They are brighter than their surroundings by at least so many codes.
    """
    step = max(1, luma.shape[0] // _SEARCH_ROWS)
    rows, columns = (length // step for length in luma.shape)
    blocks = luma[: rows * step, : columns * step].reshape(rows, step, columns, step)
    small = blocks.mean(axis=(1, 3)) if step > 1 else luma
    dark, bright = np.percentile(small, (5, 99.9))
    for share in _THRESHOLDS:
        if share * (bright - dark) < least:
            continue
        spots = _square_spots(small > dark + share * (bright - dark))
        if len(spots) >= len(FIDUCIALS):
            for centres in _rectangles(spots):
                yield centres * step


def _square_spots(mask: Mask) -> FloatArray:
    """Centre x, centre y, width, height of bright squares alone in the dark, shape (N, 4)."""
    from scipy import ndimage

    labels, _ = ndimage.label(mask)
    boxes = np.array(
        [(c.start, r.start, c.stop, r.stop) for r, c in ndimage.find_objects(labels)], int
    ).reshape(-1, 4)
    size = boxes[:, 2:] - boxes[:, :2]
    square = (size.min(axis=1) >= _LEAST_SIDE) & (size.max(axis=1) <= 1.5 * size.min(axis=1))
    boxes = boxes[square & (size.max(axis=1) * 12 <= max(mask.shape))]
    size = boxes[:, 2:] - boxes[:, :2]
    total = np.pad(mask.cumsum(0, dtype=np.int64).cumsum(1), ((1, 0), (1, 0)))
    inside = _box_sum(total, boxes)
    margin = np.maximum(1, size.min(axis=1) // 2)[:, None]
    around = _box_sum(total, np.concatenate([boxes[:, :2] - margin, boxes[:, 2:] + margin], 1))
    alone = (inside > 0.7 * size.prod(axis=1)) & (around == inside)
    centre = (boxes[:, :2] + boxes[:, 2:]) / 2
    spots: FloatArray = np.concatenate([centre, size], axis=1)[alone]
    return spots


def _box_sum(total: IntArray, boxes: NDArray[np.int_]) -> IntArray:
    x0, y0, x1, y1 = np.clip(boxes, 0, np.tile(total.shape[::-1], 2)[None] - 1).T
    inside: IntArray = total[y1, x1] - total[y0, x1] - total[y1, x0] + total[y0, x0]
    return inside


def _rectangles(spots: FloatArray) -> Iterator[FloatArray]:
    """Yield quadruples of spots with the proportions of the fiducials, (4, 2), best first."""
    corners = [
        spots[np.argsort(spots[:, 0] * sx + spots[:, 1] * sy)[:_NEAREST]]
        for sx, sy in ((1, 1), (-1, 1), (1, -1), (-1, -1))
    ]
    found: list[tuple[float, int, FloatArray]] = []
    for quad in product(*corners):
        points = np.array(quad)
        (scale_x, scale_y), _, residual = _fit(points[:, :2])
        if min(scale_x, scale_y) <= 0 or residual > 0.25 * min(scale_x, scale_y):
            continue
        sides = points[:, 2:] / (scale_x, scale_y)
        if sides.min() > 0.6 and sides.max() < 1.5 and 0.7 < scale_x / scale_y < 1.43:
            found.append((residual / scale_x, len(found), points[:, :2]))
    for _, _, centres in sorted(found, key=lambda item: item[:2]):
        yield centres


def _fit(points: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Least squares scale and offset on each axis, and the RMS distance that stays."""
    chart = _CENTRES - _CENTRES.mean(axis=0)
    scale = (chart * points).sum(axis=0) / (chart**2).sum(axis=0)
    offset = points.mean(axis=0) - scale * _CENTRES.mean(axis=0)
    distance = points - (scale * _CENTRES + offset)
    return scale, offset, float(np.sqrt((distance**2).sum(axis=1).mean()))


def _refine(luma: Plane, bits: int, seeds: FloatArray) -> Geometry | None:
    """Weigh each fiducial in its black field and fit again; None when that contradicts."""
    points = seeds
    for _ in range(2):
        scale = _fit(points)[0]
        weighed = [_weigh(luma, point, _FIELD * scale) for point in points]
        points = np.array([centre for centre, _ in weighed])
    scale, offset, residual = _fit(points)
    contrast = min(height for _, height in weighed) / 2**bits
    relative = residual / float(scale.min())
    if not np.isfinite(residual) or relative > _LARGEST_RESIDUAL or contrast <= 0:
        return None
    confidence = min(1.0, contrast / _SURE) * (1 - relative / _LARGEST_RESIDUAL)
    (sx, sy), (ox, oy) = scale.tolist(), offset.tolist()
    size = luma.shape[1], luma.shape[0]
    return Geometry((sx, sy), (ox, oy), size, residual, confidence)


def _weigh(luma: Plane, centre: FloatArray, reach: FloatArray) -> tuple[FloatArray, float]:
    """Centroid of what is brighter than the border of the field, and its height over it."""
    height, width = luma.shape
    x0, y0 = np.maximum(np.rint(centre - reach).astype(int), 0)
    x1, y1 = np.minimum(np.rint(centre + reach).astype(int), (width, height))
    field = luma[y0:y1, x0:x1].astype(np.float64)
    if min(field.shape) < _LEAST_SIDE:
        return np.full(2, np.nan), 0.0
    border = np.concatenate([field[0], field[-1], field[:, 0], field[:, -1]])
    background = float(np.median(border))
    contrast = float(np.percentile(field, 95)) - background
    # A tenth is cut away so that noise far from the spot has no leverage.
    weight = np.maximum(field - background - 0.1 * contrast, 0.0)
    total = weight.sum()
    if total <= 0:
        return np.full(2, np.nan), 0.0
    x = _middle(weight.sum(axis=0), int(x0), width, float(reach[0]) / _FIELD)
    y = _middle(weight.sum(axis=1), int(y0), height, float(reach[1]) / _FIELD)
    return np.array([x, y]), contrast


def _middle(profile: FloatArray, start: int, length: int, side: float) -> float:
    """Middle of a spot along one axis; from its inner edge where the picture's end cuts it."""
    visible = float(profile.sum() / np.median(profile[profile > profile.max() / 2]))
    end = start + len(profile)
    if start == 0 and profile[0] > profile.max() / 2:
        return visible - side / 2
    if end == length and profile[-1] > profile.max() / 2:
        return length - visible + side / 2
    return float(profile @ (np.arange(start, end) + 0.5) / profile.sum())
