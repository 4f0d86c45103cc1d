"""The part of a picture that is content: clear of bars, static overlays and combed fields."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.pairing.registration import Relation, resample
from tonelab.pairing.result import BLOCK
from tonelab.pairing.thumbnails import Area, RoughTone, frames_at, luma

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tonelab.media import Clip
    from tonelab.pairing.covers import Box
    from tonelab.signal.arrays import FloatArray, Mask, Picture

PROBES = 16  # frames of a clip in which bars are looked for
_BAR_SPREAD = 12.0  # 10-bit codes within a row or column of a bar
_BAR_LIGHT = 180.0  # 10-bit codes; a bar is black, though a device may lift it
_LARGEST_BAR = 0.4  # of the picture on each side
_RIM = 2  # pixels inside the edge of the picture that scaling and lossy coding may have touched
_COMBED = 1.5  # differences of neighbouring rows over those of every other row
_LEAST_DIFFERENCE = 16.0  # squared codes, mean over a block, that a comb must reach


def active_area(clip: Clip) -> Area:
    """Find the picture between letterbox and pillarbox bars.

    Each edge is the lower quartile over frames spread over the clip: dark scenes seem to have
    thicker bars, and menus drawn over bars thinner ones.
    """
    spread = np.linspace(0, max(clip.frame_count - 1, 0), PROBES).round().astype(int)
    entries = clip.entries()
    if entries is not None and len(entries):  # any frames will do: those that are read first
        spread = entries[np.maximum(np.searchsorted(entries, spread, side="right") - 1, 0)]
    found = [
        edges
        for frame in frames_at(clip, spread.tolist())
        if (edges := _bars(luma(frame, clip))) is not None
    ]
    if not found:
        return Area(0, 0, clip.width, clip.height)
    left, top, right, bottom = np.percentile(found, 25, axis=0, method="nearest")
    return Area(left, top, clip.width - right, clip.height - bottom)


def _bars(picture: Picture) -> tuple[int, int, int, int] | None:
    """Thickness of the bars at left, top, right, bottom; None for a picture all black."""
    dark = _dark_lines(picture)
    if all(line.all() for line in dark):
        return None
    ends = []
    for line in dark:
        inside = np.flatnonzero(~line)
        limit = int(_LARGEST_BAR * len(line))
        first, last = int(inside[0]), len(line) - 1 - int(inside[-1])
        ends.append((first if first <= limit else 0, last if last <= limit else 0))
    (left, right), (top, bottom) = ends
    return left, top, right, bottom


def _dark_lines(picture: Picture) -> list[Mask]:
    """Whether each column, and each row, is as dark and even as a bar."""
    return [
        (np.ptp(picture, axis=axis) <= _BAR_SPREAD) & (picture.max(axis=axis) <= _BAR_LIGHT)
        for axis in (0, 1)
    ]


def clear_pixels(area: Area, size: tuple[int, int]) -> Mask:
    """Mask (height, width) of a picture of ``size`` (width, height): pixels well inside an area."""
    x, y = np.arange(size[0]) + 0.5, (np.arange(size[1]) + 0.5)[:, None]
    across = (x > area.x0 + _RIM) & (x < area.x1 - _RIM)
    clear: Mask = across & (y > area.y0 + _RIM) & (y < area.y1 - _RIM)
    return clear


def common_area(source: Area, capture: Area, relation: Relation) -> tuple[Area, Area]:
    """Return the part that both sides show, as an area of the source and one of the capture."""
    (sx, sy), (ox, oy) = relation.scale, relation.offset
    shared = Area(
        max(source.x0, (capture.x0 - ox) / sx),
        max(source.y0, (capture.y0 - oy) / sy),
        min(source.x1, (capture.x1 - ox) / sx),
        min(source.y1, (capture.y1 - oy) / sy),
    )
    there = Area(shared.x0 * sx + ox, shared.y0 * sy + oy, shared.x1 * sx + ox, shared.y1 * sy + oy)
    return shared, there


def covered_blocks(covers: Sequence[Box], size: tuple[int, int]) -> Mask:
    """Blocks of 16 pixels, (rows, columns), of a picture of ``size`` that rectangles touch."""
    covered = np.zeros([-(-length // BLOCK) for length in size[::-1]], bool)
    for box in covers:
        left, top, right, bottom = box.edges
        covered[top // BLOCK : -(-bottom // BLOCK), left // BLOCK : -(-right // BLOCK)] = True
    return covered


def device_bars(
    pairs: Sequence[tuple[Picture, Picture]], relation: Relation, area: Area, clear: Mask
) -> tuple[Area, tuple[int, int, int, int]]:
    """Tell bars that came on the way from those that the source has itself.

    Parameters
    ----------
    pairs
        Source and capture pictures of the same moments, luma (height, width) in 10-bit codes; the
        captures have the shape of ``clear``.
    relation
        Where the source's pixels lie in the capture.
    area
        The captured picture between all bars.
    clear
        Where the captures show the picture and no bars.

    Returns
    -------
    area
        The captured picture between the bars that came on the way.
    bars
        Rows and columns of these at left, top, right, bottom.
    """
    height, width = clear.shape
    dark = [np.ones(length, bool) for length in (width, height)]
    for source, capture in pairs:
        shown = resample(source, relation, (width, height))
        few = (slice(None, None, 4), slice(None, None, 4))
        tone = RoughTone.fit(shown[few][clear[few]], capture[few][clear[few]], 64)
        dark = [a & b for a, b in zip(dark, _dark_lines(tone(shown)), strict=True)]
    edges, bars = [], []
    for axis, (low, high) in enumerate(((area.x0, area.x1), (area.y0, area.y1))):
        length, size = len(dark[axis]), pairs[0][0].shape[1 - axis]
        place = np.arange(length) + 0.5
        start, stop = relation.offset[axis], relation.offset[axis] + relation.scale[axis] * size
        added = ~dark[axis] | (place < start) | (place > stop)
        before = np.flatnonzero(added[: round(low)])
        after = np.flatnonzero(added[round(high) :])
        edges.append((before[-1] + 1 if len(before) else 0,
                      round(high) + after[0] if len(after) else length))  # fmt: skip
        bars.append((len(before), len(after)))
    ((x0, x1), (y0, y1)), ((left, right), (top, bottom)) = edges, bars
    return Area(float(x0), float(y0), float(x1), float(y1)), (left, top, right, bottom)


def usable_blocks(shared: Area, relation: Relation, covered: Mask, shape: tuple[int, int]) -> Mask:
    """Blocks of a source of ``shape`` (height, width) inside an area and clear of overlays.

    ``covered`` are blocks of the capture.
    """
    rows, columns = (-(-length // BLOCK) for length in shape)
    x, y = np.arange(columns) * BLOCK, np.arange(rows)[:, None] * BLOCK
    inside = (x >= shared.x0 + _RIM) & (x + BLOCK <= shared.x1 - _RIM)
    usable: Mask = inside & (y >= shared.y0 + _RIM) & (y + BLOCK <= shared.y1 - _RIM)
    if not covered.any():
        return usable
    # Wherever a block lands, its surroundings must be clear as well.
    grown = covered.copy()
    for axis in (0, 1):
        grown |= np.roll(grown, 1, axis) | np.roll(grown, -1, axis)
    (sx, sy), (ox, oy) = relation.scale, relation.offset
    across = np.clip(((x + BLOCK / 2) * sx + ox) / BLOCK, 0, covered.shape[1] - 1).astype(int)
    down = np.clip(((y[:, 0] + BLOCK / 2) * sy + oy) / BLOCK, 0, covered.shape[0] - 1).astype(int)
    usable &= ~grown[np.ix_(down, across)]
    return usable


def combed_share(picture: Picture, clear: Mask) -> float:
    """Share 0..1 of the blocks with detail in which every other row is of another moment.

    ``picture`` is luma (height, width) in 10-bit codes; ``clear``, of the same shape, says which
    pixels count.
    """
    near = (picture[1:-1] - picture[2:]) ** 2
    far = (picture[:-2] - picture[2:]) ** 2
    inner = clear[1:-1]
    neighbours, alternate = _block_sum(near * inner), _block_sum(far * inner)
    detailed = neighbours + alternate > 2 * _LEAST_DIFFERENCE * BLOCK**2
    combed = detailed & (neighbours > _COMBED * alternate)
    return float(combed.sum() / max(1, detailed.sum()))


def _block_sum(picture: NDArray[np.generic]) -> FloatArray:
    rows, columns = (length // BLOCK for length in picture.shape)
    cut = picture[: rows * BLOCK, : columns * BLOCK].reshape(rows, BLOCK, columns, BLOCK)
    total: FloatArray = cut.sum(axis=(1, 3), dtype=np.float64)
    return total
