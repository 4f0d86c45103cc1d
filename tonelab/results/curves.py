"""Luminance and chroma transfer, and the landmarks on them."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.described import described, result
from tonelab.results.viewable import Viewable

if TYPE_CHECKING:
    from tonelab.signal.arrays import FloatArray, IntArray, Mask

_POINT = ("point",)
_CELL = ("hue", "level")


@result
class LuminanceCurve(Viewable):
    """Luminance transfer: neutral source light in, capture luma code out.

    All arrays have shape (N,), sorted by source code. Codes are in the clip's own bit depth.
    """

    source_code: FloatArray = described(
        "Source luma code, mean of decoded samples",
        "code",
        dims=_POINT,
        note="Therefore not always whole.",
    )
    luminance: FloatArray = described(
        "Source light",
        "cd/m2",
        dims=_POINT,
        note="Absolute for PQ; for HLG on a display of its stated peak.",
        low=0,
    )
    code: FloatArray = described("Mean capture luma code", "code", dims=_POINT)
    smooth: FloatArray = described(
        "Smooth curve through the mean codes",
        "code",
        dims=_POINT,
        note="Falls nowhere unless the greys clearly do.",
    )
    low: FloatArray = described(
        "Lower edge of the 95 % band of the smooth curve", "code", dims=_POINT
    )
    high: FloatArray = described(
        "Upper edge of the 95 % band of the smooth curve", "code", dims=_POINT
    )
    count: IntArray = described("Samples behind each point", "1", dims=_POINT, low=0)
    clipped: Mask = described("Whether the capture sits on a clip: a bound", dims=_POINT)

    @property
    def fall(self) -> tuple[float, float, float] | None:
        """Largest fall in codes, and the light in cd/m2 of its top and its bottom, or None."""
        top = np.maximum.accumulate(self.smooth)
        at = int(np.argmax(top - self.smooth))
        codes = float(top[at] - self.smooth[at])
        if codes <= 0:
            return None
        above = int(np.argmax(self.smooth[: at + 1]))
        return codes, float(self.luminance[above]), float(self.luminance[at])


@result
class ChromaTransfer(Viewable):
    """Chroma transfer in the Cb/Cr plane, by 24 source hues and luminance levels.

    Arrays by hue and level have shape (24, levels); NaN where nothing was seen.
    """

    hue: FloatArray = described(
        "Centre of each hue bin in the source Cb/Cr plane",
        "deg",
        dims=("hue",),
        note="0 to 360, rising.",
        low=0,
        high=360,
    )
    level: FloatArray = described(
        "Centre of each level, 10-bit narrow luma",
        "code",
        dims=("level",),
        note="Of the source's PQ code.",
    )
    rotation: FloatArray = described("Hue rotation, positive counter-clockwise", "deg", dims=_CELL)
    ratio: FloatArray = described(
        "Chroma of the capture over chroma of the source", "1", dims=_CELL, low=0
    )
    rotation_bound: FloatArray = described(
        "Half width of the 95 % interval", "deg", dims=_CELL, note="Of ``rotation``."
    )
    ratio_bound: FloatArray = described(
        "Half width of the 95 % interval", "1", dims=_CELL, note="Of ``ratio``."
    )
    count: IntArray = described("Patches behind each cell", "1", dims=_CELL, low=0)


@result
class Landmark:
    """A named point of the luminance curve, such as where 203 cd/m2 lands."""

    id: str = described("Stable short name")
    label: str = described("Name for people")
    luminance: float | None = described("Source light", "cd/m2", absent="when not reached", low=0)
    code: float | None = described(
        "Capture luma code",
        "code",
        absent="when not reached",
        note="Absent too when ``output`` is a slope.",
    )
    output: float | None = described(
        "Light of that code on the assumed display",
        "cd/m2",
        note="The display that the signal of the capture states. A number without unit, a slope, "
        "when ``code`` is absent; itself absent where the capture cannot tell.",
    )
    bound: float | None = described(
        "Half width of the 95 % interval of the code", "code", default=None
    )
