"""Rendering a chart as 4:2:0 planes."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import drawings
from tonelab.chart.colours import NEUTRAL_CHROMA
from tonelab.chart.marker import BLACK, draw_marks, marker_cells
from tonelab.chart.patches import BODY_ROWS, COLUMNS, STRIP, fill_codes

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.chart.layout import Layout
    from tonelab.signal.arrays import Planes


def render_planes(layout: Layout, frame: int) -> Planes:
    """Render one frame.

    Returns
    -------
    tuple of three ndarray
        Y' (height, width), Cb and Cr (height / 2, width / 2): uint16, 10-bit narrow BT.2020
        non-constant-luminance codes, chroma sited top left. The chroma planes are shared between
        frames of a page and read-only.

    Raises
    ------
    ChartError
        When the chart has no such frame.
    """
    page = layout.page_of(frame)
    luma, cb, cr = _page_planes(layout, page)
    marked = luma.copy()
    draw_marks(marked, layout.cell, marker_cells(frame, page, layout.descriptor))
    return marked, cb, cr


@lru_cache(maxsize=2)
def _page_planes(layout: Layout, page: int) -> Planes:
    """Planes of a page without its marks, read-only."""
    top = STRIP * layout.cell
    body = _body(layout, page)
    luma = np.full((layout.height, layout.width), BLACK, np.uint16)
    luma[top:-top] = body[..., 0]
    chroma = np.full((2, layout.height // 2, layout.width // 2), NEUTRAL_CHROMA, np.uint16)
    chroma[:, top // 2 : -top // 2] = np.moveaxis(body[::2, ::2, 1:], -1, 0)
    for plane in (luma, chroma):
        plane.flags.writeable = False
    return luma, chroma[0], chroma[1]


def _body(layout: Layout, page: int) -> NDArray[np.uint16]:
    match layout.pages[page].kind:
        case "gradients":
            return drawings.gradients(layout)
        case "detail":
            return drawings.detail(layout)
        case _:
            return _tiles(layout, page)


def _tiles(layout: Layout, page: int) -> NDArray[np.uint16]:
    """Body of a page of flat patches, painted cell by cell and then enlarged."""
    cell, patches = layout.cell, layout.patches
    fill = fill_codes(layout.pages[page].surround, layout.transfer, layout.peak)
    cells = np.full((BODY_ROWS, COLUMNS, 3), fill, np.uint16)
    rows = np.flatnonzero(patches.page == page)
    side = patches.width[rows[0]] // cell
    x, y = patches.x[rows] // cell, patches.y[rows] // cell - STRIP
    for dy in range(side):
        for dx in range(side):
            cells[y + dy, x + dx] = patches.code[rows]
    return cells.repeat(cell, axis=0).repeat(cell, axis=1)
