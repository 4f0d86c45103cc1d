"""Luminance and chroma transfer, and the landmarks on them."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from tonelab.results.viewable import Viewable

if TYPE_CHECKING:
    from tonelab.signal.arrays import FloatArray, IntArray, Mask


@dataclass(frozen=True, slots=True)
class LuminanceCurve(Viewable):
    """Luminance transfer: neutral source light in, capture luma code out.

    All arrays have shape (N,), sorted by source code.

    Attributes
    ----------
    source_code
        Source luma code (mean of the decoded samples, so not always whole).
    luminance
        The same as light, cd/m2 (PQ absolute, HLG at its stated peak).
    code
        Mean capture luma code.
    smooth
        Monotone smooth curve through ``code``.
    low, high
        95 % band of ``smooth``.
    count
        Samples behind each point.
    clipped
        Where the capture sits on a clip: a bound, not a value.
    """

    source_code: FloatArray
    luminance: FloatArray
    code: FloatArray
    smooth: FloatArray
    low: FloatArray
    high: FloatArray
    count: IntArray
    clipped: Mask


@dataclass(frozen=True, slots=True)
class ChromaTransfer(Viewable):
    """Chroma transfer in the Cb/Cr plane, by 24 source hues and luminance levels.

    Arrays have shape (24, levels); NaN where nothing was seen.

    Attributes
    ----------
    hue
        Shape (24,), centre of each hue bin, degrees in the source Cb/Cr plane.
    level
        Shape (levels,), centre of each level, PQ luma code 10-bit narrow.
    rotation, ratio
        Hue rotation in degrees (positive counter-clockwise) and ratio of chroma signals.
    rotation_bound, ratio_bound
        Half widths of the 95 % intervals.
    count
        Patches behind each cell.
    """

    hue: FloatArray
    level: FloatArray
    rotation: FloatArray
    ratio: FloatArray
    rotation_bound: FloatArray
    ratio_bound: FloatArray
    count: IntArray


@dataclass(frozen=True, slots=True)
class Landmark:
    """A named point of the luminance curve, such as where 203 cd/m2 lands.

    ``luminance`` is source light in cd/m2, ``code`` the capture luma code, ``output`` its
    light in cd/m2 on the assumed display; None where the capture cannot tell.
    """

    id: str
    label: str
    luminance: float | None
    code: float | None
    output: float | None
    bound: float | None = None
