"""Where a chart stands in a picture."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from tonelab.signal.arrays import FloatArray


@dataclass(frozen=True, slots=True)
class Geometry:
    """Where a chart stands in a picture: picture = scale * chart + offset, for x and y.

    Chart coordinates are in cells (see `tonelab.chart.layout`), picture coordinates in pixels,
    continuous, with the centre of the pixel with index i at i + 0.5.

    Attributes
    ----------
    scale
        Picture pixels per cell, (x, y).
    offset
        Picture position of the upper left corner of the chart, pixels, (x, y).
    size
        Width and height of the picture, pixels.
    residual
        RMS distance of the fiducials from this geometry, pixels.
    confidence
        0 to 1: contrast of the fiducials and agreement of their places.
    covers
        Rectangles of the picture, pixels (left, top, right, bottom), ends excluded, that something
        else than the chart stands over.
    """

    scale: tuple[float, float]
    offset: tuple[float, float]
    size: tuple[int, int]
    residual: float = 0.0
    confidence: float = 1.0
    covers: tuple[tuple[int, int, int, int], ...] = ()

    def to_picture(self, x: ArrayLike, y: ArrayLike) -> tuple[FloatArray, FloatArray]:
        """Picture positions in pixels of chart positions in cells, any shape."""
        across, down = np.asarray(x, np.float64), np.asarray(y, np.float64)
        return self.scale[0] * across + self.offset[0], self.scale[1] * down + self.offset[1]
