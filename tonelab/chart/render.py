"""Rendering a chart as 4:2:0 planes."""

from __future__ import annotations

from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np

from tonelab.chart import drawings
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
        Y' (height, width), Cb and Cr (height / 2, width / 2): uint16, narrow non-constant-luminance
        codes of the layout's bits and matrix. Chroma is sited top left in an HDR chart, and left,
        between two rows, in an SDR one. The chroma planes are shared between frames of a page and
        read-only.

    Raises
    ------
    ChartError
        When the chart has no such frame.
    """
    page = layout.page_of(frame)
    luma, cb, cr = _page_planes(layout, page)
    marked = luma.copy()
    cells = marker_cells(frame, page, layout.descriptor)
    draw_marks(marked[layout.top :], cells, (layout.cell_width, layout.cell), layout.bits)
    return marked, cb, cr


@lru_cache(maxsize=2)
def _page_planes(layout: Layout, page: int) -> Planes:
    """Planes of a page without its marks, read-only."""
    coding = layout.coding
    body = _body(layout, page)
    top = layout.top + STRIP * layout.cell
    luma = np.full((layout.height, layout.width), BLACK * coding.unit, np.uint16)
    luma[top : top + len(body)] = body[..., 0]
    shape = 2, layout.height // 2, layout.width // 2
    chroma = np.full(shape, coding.neutral_chroma, np.uint16)
    below = body[::2] if layout.is_hdr else (body[::2] + body[1::2] + 1) // 2
    chroma[:, top // 2 : (top + len(body)) // 2] = np.moveaxis(below[:, ::2, 1:], -1, 0)
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
    fill = fill_codes(layout.pages[page].surround, layout.transfer, layout.peak, layout.coding)
    cells = np.full((BODY_ROWS, COLUMNS, 3), fill, np.uint16)
    rows = np.flatnonzero(patches.page == page)
    side = patches.width[rows[0]] // layout.cell_width
    x, y = patches.x[rows] // layout.cell_width, (patches.y[rows] - layout.top) // cell - STRIP
    for dy in range(side):
        for dx in range(side):
            cells[y + dy, x + dx] = patches.code[rows]
    return cells.repeat(cell, axis=0).repeat(layout.cell_width, axis=1)
