"""The same picture as each device shows it."""

from __future__ import annotations

from typing import TYPE_CHECKING

import matplotlib as mpl
import numpy as np
from matplotlib.figure import Figure

from tonelab.media import open_clip
from tonelab.views.style import LIGHT

from .devices import LUMA_709

if TYPE_CHECKING:
    from collections.abc import Mapping
    from pathlib import Path

    from numpy.typing import NDArray

    from tonelab.media import Frame


def side_by_side(captures: Mapping[str, Path]) -> Figure:
    """Lay the first pictures of recordings side by side, each under its name."""
    with mpl.rc_context(LIGHT.rc()):  # type: ignore[arg-type]
        figure = Figure(figsize=(9.6, 6), layout="constrained")
        places = figure.subplots(-(-len(captures) // 2), 2).flat
        for place, (name, path) in zip(places, captures.items(), strict=False):
            place.imshow(first_picture(path), interpolation="nearest")
            place.set_title(name)
        for place in figure.axes:
            place.set_axis_off()
    return figure


def first_picture(path: Path) -> NDArray[np.float64]:
    """R'G'B' 0..1 of the first frame of a 10-bit 4:2:2 BT.709 recording, shape (H, W, 3)."""
    with open_clip(path) as clip:
        return rgb_of(next(clip.frames(0, 1)))


def rgb_of(frame: Frame) -> NDArray[np.float64]:
    """R'G'B' 0..1 of a frame, each chroma sample standing for two of luma."""
    y, cb, cr = (plane.astype(np.float64) for plane in frame.planes)
    luma = (y - 64) / 876
    blue, red = ((plane.repeat(2, axis=1) - 512) / 896 for plane in (cb, cr))
    r, b = luma + 1.5748 * red, luma + 1.8556 * blue
    g = (luma - LUMA_709[0] * r - LUMA_709[2] * b) / LUMA_709[1]
    rgb: NDArray[np.float64] = np.clip(np.stack([r, g, b], axis=-1), 0, 1)
    return rgb
