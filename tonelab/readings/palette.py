"""Which colours content showed, by hue and level, and how many are missing to tell a conversion.

Conversions part where colours are far from grey: what drives the tone curve shows by hue, what
becomes of chroma by level. A conversion is told when each hue was seen at each level.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.signal.quantisation import chroma_scale

if TYPE_CHECKING:
    from tonelab.readings.colours import Colours
    from tonelab.signal.arrays import IntArray
    from tonelab.signal.description import Signal

# Of the Cb/Cr plane, counter-clockwise from Cb, each 60 degrees wide; BT.2020 primaries and their
# complements lie in the sectors that bear their names.
HUES = ("blue", "magenta", "red", "yellow", "green", "cyan")
_FIRST = -35.0  # degrees at which the first sector begins
LEVELS = ((0.0, 10.0), (10.0, 100.0), (100.0, np.inf))  # cd/m2, of the largest of R, G and B
COLOURED = 0.05  # chroma signal from which a colour says something about the drive
NEEDED = 8  # colours of each hue at each level


@dataclass(frozen=True, slots=True, eq=False)
class Palette:
    """Colours away from grey, counted by hue and level, shape (6, 3)."""

    count: IntArray

    @property
    def coloured(self) -> int:
        """All of them."""
        return int(self.count.sum())

    @property
    def missing(self) -> IntArray:
        """How many more of each hue at each level a conversion asks for, shape (6, 3)."""
        return np.maximum(NEEDED - self.count, 0)

    def words(self) -> str:
        """Say which are missing, level by level; empty where none is."""
        parts = []
        for n, (low, high) in enumerate(LEVELS):
            lacking = self.missing[:, n]
            if not lacking.any():
                continue
            hues = [f"{many} {hue}" for many, hue in zip(lacking, HUES, strict=True) if many]
            named = (
                f"{int(lacking.sum())} of any hue" if len(hues) == len(HUES) else ", ".join(hues)
            )
            span = f"above {low:g}" if high == np.inf else f"from {low:g} to {high:g}"
            parts.append(f"{named} {span} cd/m2")
        return "; ".join(parts)


def palette_of(colours: Colours, source: Signal) -> Palette:
    """Count colours, one row a cell, whose source is in Y'CbCr codes of ``source``."""
    neutral, scale = chroma_scale(source.bits, source.range)
    cb, cr = (colours.source[:, 1:] - neutral).T / scale
    rows = np.flatnonzero(np.hypot(cb, cr) > COLOURED)
    hue = np.floor((np.degrees(np.arctan2(cr, cb)) - _FIRST) % 360 / 60).astype(np.int64)[rows]
    light = np.maximum(source.decode_light_2020(colours.source[rows]), 0.0).max(axis=1)
    level = np.searchsorted([low for low, _ in LEVELS[1:]], light, side="right")
    count = np.bincount(hue * len(LEVELS) + level, minlength=len(HUES) * len(LEVELS))
    return Palette(count.reshape(len(HUES), len(LEVELS)).astype(np.int64))
