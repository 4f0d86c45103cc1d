"""The same reduction of a pair of frames written in other ways."""

from __future__ import annotations

import hashlib
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.media.clip import Planes


def unpack(words: NDArray[np.uint32], width: int) -> Planes:
    """v210 by array operations; the width a multiple of six."""
    samples = np.empty((*words.shape, 3), np.uint16)
    for part in range(3):
        samples[..., part] = words >> np.uint32(10 * part) & np.uint32(1023)
    row = samples.reshape(len(words), -1)[:, : 2 * width]
    return row[:, 1::2], row[:, 0::4], row[:, 2::4]


def with_tables(planes: Planes, windows: tuple[NDArray[np.int32], ...]) -> NDArray[np.int64]:
    """Histograms, hash and sums of windows by plain numpy: exact, as tonelab's."""
    sha = hashlib.sha256()
    sums = np.zeros((2, 3, len(windows[0])), np.int64)
    for channel, plane in enumerate(planes):
        sha.update(np.ascontiguousarray(plane).data)
        np.bincount(plane.ravel(), minlength=1024)
        for row, (x0, y0, x1, y1) in enumerate(windows[channel].tolist()):
            part = plane[y0:y1, x0:x1].astype(np.int64)
            sums[:, channel, row] = part.sum(), (part * part).sum()
    return sums


def with_colour_science(planes: Planes, windows: tuple[NDArray[np.int32], ...]) -> None:
    """Light of every pixel by colour-science; numpy histograms of the codes; means of windows."""
    import colour

    luma, cb, cr = planes
    across = luma.shape[1] // cb.shape[1]
    stacked = np.stack([luma, cb.repeat(across, axis=1), cr.repeat(across, axis=1)], axis=-1)
    rgb = colour.YCbCr_to_RGB(
        stacked,
        K=colour.WEIGHTS_YCBCR["ITU-R BT.2020"],
        in_bits=10,
        in_legal=True,
        in_int=True,
        out_bits=10,
        out_legal=False,
        out_int=False,
    )
    light = colour.models.eotf_ST2084(np.clip(rgb, 0, 1))
    for channel in range(3):
        np.histogram(planes[channel], bins=1024, range=(0, 1024))
    for x0, y0, x1, y1 in windows[0].tolist():
        light[y0:y1, x0:x1].mean(axis=(0, 1))
