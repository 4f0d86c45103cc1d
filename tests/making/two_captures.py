"""Pairs of captures that differ in one known thing."""

from __future__ import annotations

from functools import lru_cache

import natural
import numpy as np
from charted import MemoryClip, rounded
from scipy import ndimage

from tonelab.signal.description import Signal

FRAMES = 24
SDR = Signal(origins=dict.fromkeys(("matrix", "range", "transfer", "primaries"), "declared"))


@lru_cache(maxsize=64)
def base(frame):
    """4:2:2 planes of 10 bits whose chroma is that of a 4:2:0 clip, not yet rounded."""
    return tuple(plane.astype(np.float64) for plane in natural.planes(3, frame))


def rows_doubled(plane, kernel):
    """4:2:0 chroma on every other row; the rows between by their definition."""
    padded = np.pad(plane, ((1, 2), (0, 0)), "edge")
    a, b, c, d = (padded[n : n + len(plane)] for n in range(4))
    between = {"nearest": b, "linear": (b + c) / 2, "cubic": (9 * (b + c) - a - d) / 16}[kernel]
    rows = np.empty((2 * len(plane), plane.shape[1]))
    rows[::2], rows[1::2] = plane, between
    return rows


def usual(frame):
    y, cb, cr = base(frame)
    return y, rows_doubled(cb, "linear"), rows_doubled(cr, "linear")


def clip(name, change=lambda planes: planes, *, bits=10, signal=SDR, shown=usual, start=0):
    def picture(frame):
        top = (1 << bits) - 1
        return tuple(
            rounded(np.asarray(plane) / (1 << (10 - bits)), top)
            for plane in change(shown(frame + start))
        )

    return MemoryClip(name, picture, FRAMES, signal, "422", bits)


def sharpened(planes):
    y, *chroma = planes
    return y + 0.5 * (y - ndimage.gaussian_filter(y, 0.8)), *chroma


def blurred(planes):
    y, *chroma = planes
    return ndimage.gaussian_filter(y, 0.6), *chroma
