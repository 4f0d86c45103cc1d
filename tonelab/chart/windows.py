"""Where in a picture the middle of each patch is to be sampled."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.media.clip import CHROMA_FACTORS

if TYPE_CHECKING:
    from tonelab.chart.geometry import Geometry
    from tonelab.chart.layout import Layout
    from tonelab.signal.arrays import CodeArray, FloatArray

# A third of the smallest patch, a cell in high definition, on each side: 8 luma and 4 chroma
# samples at 1080p. No scaler, chroma filter or chroma siting in use reaches so far.
_INSET = 1 / 3
_SLACK = 0.25  # pixels; keeps an edge that is measured as 8.01 at 8


def sample_windows(
    layout: Layout, geometry: Geometry, subsampling: str
) -> tuple[CodeArray, CodeArray]:
    """Return the windows in which a picture shows the patches, undisturbed by their neighbours.

    Parameters
    ----------
    layout, geometry
        The chart and where it stands in the picture.
    subsampling
        ``"420"``, ``"422"`` or ``"444"`` of the picture.

    Returns
    -------
    luma, chroma
        Shape (P, 4) each: x0, y0, x1, y1 as indices into the luma and the chroma planes, x1 and y1
        exclusive. Windows that do not lie wholly within the picture, or of patches that something
        covers in part, are empty, all zero, in both.
    """
    patches = layout.patches
    x0, y0 = geometry.to_picture(*layout.in_cells(patches.x, patches.y))
    x1, y1 = geometry.to_picture(
        *layout.in_cells(patches.x + patches.width, patches.y + patches.height)
    )
    inset_x, inset_y = (_INSET * layout.side * scale for scale in geometry.scale)
    inner = np.stack([x0 + inset_x, y0 + inset_y, x1 - inset_x, y1 - inset_y], axis=1)
    luma, chroma = (_whole(inner, factors) for factors in ((1, 1), CHROMA_FACTORS[subsampling]))
    missing = (luma[:, :2] < 0).any(axis=1) | (luma[:, 2:] > geometry.size).any(axis=1)
    for left, top, right, bottom in geometry.covers:
        missing |= (x0 < right) & (x1 > left) & (y0 < bottom) & (y1 > top)
    for windows in (luma, chroma):
        empty = (windows[:, 2:] <= windows[:, :2]).any(axis=1)
        windows[empty | missing] = 0
    return luma, chroma


def _whole(inner: FloatArray, factors: tuple[int, int]) -> CodeArray:
    """Return the samples whose whole block of luma pixels lies within, however they are sited."""
    low = np.ceil((inner[:, :2] - _SLACK) / factors)
    high = np.floor((inner[:, 2:] + _SLACK) / factors)
    return np.concatenate([low, high], axis=1).astype(np.int32)
