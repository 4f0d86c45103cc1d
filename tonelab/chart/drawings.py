"""The two pages that are drawn and not tiled: shallow gradients, and detail.

Both are luma and chroma codes at the full size of the body, shape (rows, columns, 3).
"""

from __future__ import annotations

from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart.colours import codes_of_rgb, neutral_codes, signal_of_light
from tonelab.chart.patches import BODY_ROWS, COLUMNS, hashed

if TYPE_CHECKING:
    from tonelab.chart.layout import Layout
    from tonelab.signal.arrays import Plane


COLOURED_RAMPS = ((1, 0, 0), (0, 1, 0), (0, 0, 1), (0, 1, 1), (1, 0, 1), (1, 0.6, 0.4))
_RAMP_ROWS = 3

_BRIGHTEST = 0.8  # of the peak: edges keep room above them for what overshoots
_EDGE_SLANT = np.tan(np.radians(5))


def gradients(layout: Layout) -> Plane:
    """Codes (height, width, 3) of thirteen horizontal ramps, one above the other, three cells each.

    Neutral: all legal codes, three thirds of the way from black to the peak, and three ever slower
    ones; then coloured ones from black.
    """
    share, coding = np.linspace(0.0, 1.0, layout.width), layout.coding
    top = float(signal_of_light([min(layout.peak, 1000)], layout.transfer, layout.peak)[0])
    black, end = coding.luma((0.0, top)).tolist()
    ends = np.linspace(black, end, 4)
    slow = np.array([(64, 124), (400, 460), (320, 350)]) * coding.unit
    neutral = [coding.legal, *pairwise(ends), *slow]
    lines = [neutral_codes(np.rint(low + share * (high - low)), coding) for low, high in neutral]
    lines += [
        codes_of_rgb(share[:, None] * top * colour, coding) for colour in np.array(COLOURED_RAMPS)
    ]
    return np.repeat(np.stack(lines), _RAMP_ROWS * layout.cell, axis=0).astype(np.uint16)


def detail(layout: Layout) -> Plane:
    """Codes (height, width, 3): slanted edges, a zone plate, gratings, 26 to 100 (SDR: 80) cd/m2.

    The zone plate of a chart whose cells are not square is round in pixels of the picture.
    """
    cell, across, coding = layout.cell, layout.cell_width, layout.coding
    width, height = COLUMNS * across, BODY_ROWS * cell
    brightest = 100.0 if layout.is_hdr else _BRIGHTEST * layout.peak
    dark, bright = (
        int(codes_of_rgb(np.full(3, signal), coding)[0])
        for signal in signal_of_light((26.0, brightest), layout.transfer, layout.peak)
    )
    middle, swing = (dark + bright) / 2, (bright - dark) / 2
    y, x = np.mgrid[0:height, 0:width].astype(np.float32)
    luma = np.full((height, width), middle, np.float32)
    chroma = np.full((height, width, 2), coding.neutral_chroma, np.uint16)

    def box(column: int, row: int, columns: int, rows: int) -> tuple[slice, slice]:
        return (
            slice(row * cell, (row + rows) * cell),
            slice(column * across, (column + columns) * across),
        )

    for row, contrast in ((1, 1.0), (13, 0.1)):
        area = box(1, row, 24, 11)
        centre_x, centre_y = 13 * across, (row + 5.5) * cell
        side = np.sign(x[area] - centre_x - _EDGE_SLANT * (y[area] - centre_y) + 0.25)
        luma[area] = middle + contrast * swing * side
    area = box(1, 25, 24, 13)
    red = x[area] - 13 * across < _EDGE_SLANT * (y[area] - 31.5 * cell)
    signal = signal_of_light(60.0, layout.transfer, layout.peak)
    warm, cool = codes_of_rgb(signal * np.array([(1, 0.4, 0.4), (0.4, 0.8, 0.8)]), coding)
    coloured = np.where(red[..., None], warm, cool)
    luma[area], chroma[area] = coloured[..., 0], coloured[..., 1:]

    area = box(26, 6, 27, 27)
    radius = 13.5 * max(cell, across)
    squared = (x[area] + 0.5 - 39.5 * across) ** 2 + (y[area] + 0.5 - 19.5 * cell) ** 2
    # Half a cycle per pixel, the finest there is, at the middle of each side.
    luma[area] = middle + swing * np.cos(np.pi * 0.5 * squared / radius)

    for n, lines in enumerate((1, 2, 3, 4, 6, 8)):
        area = box(54, 1 + 3 * n, 12, 2)
        luma[area] = np.where(x[area] // lines % 2, bright, dark)
        area = box(67, 1 + 3 * n, 12, 2)
        luma[area] = np.where(y[area] // lines % 2, bright, dark)
    area = box(54, 20, 25, 18)
    noise = hashed(height * width, 7).reshape(height, width)[area] >> np.uint64(60)
    luma[area] = middle + (noise.astype(np.float32) - 7.5) * coding.unit
    return np.concatenate([np.rint(luma).astype(np.uint16)[..., None], chroma], axis=-1)
