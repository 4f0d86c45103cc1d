"""How much changing from one picture to another could flash.

WCAG 2.2, success criterion 2.3.1 and the definition "general flash and red flash thresholds": a
flash is a pair of opposing changes in relative luminance of 10 % or more of the maximum where the
darker picture is below 0.80, or one that involves a saturated red; at most three in one second are
permitted where they cover a quarter or more of any 10 degree field of view, which is estimated as
341 x 256 pixels of a screen of 1024 x 768.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Sequence

    from numpy.typing import NDArray

    from tonelab.signal.arrays import FloatArray, Mask

AREA_LIMIT = 341 * 256 / 4  # pixels

_CHANGE, _BRIGHT = 0.10, 0.80
_RED_SHARE, _RED_CHANGE = 0.8, 20.0
_WEIGHTS = (0.2126, 0.7152, 0.0722)


@dataclass(frozen=True, slots=True)
class FlashMeasure:
    """What changing between any two of some pictures does at most.

    Attributes
    ----------
    area
        Pixels, at 1:1, that change as a flash does.
    share
        The same as a share of the picture.
    change
        Largest change of relative luminance, averaged over those pixels, 0..1.
    red
        Whether saturated red is among them.
    """

    area: int
    share: float
    change: float
    red: bool

    @property
    def matters(self) -> bool:
        """Whether the area is one for which the rate of flashes is limited."""
        return self.area >= AREA_LIMIT


def measure_flash(pictures: Sequence[NDArray[np.uint8]]) -> FlashMeasure:
    """Measure the worst change between any two pictures (height, width, 3) of R'G'B' 0..255."""
    linear = [_linear(one) for one in pictures]
    luminance = [one @ _WEIGHTS for one in linear]
    redness = [_redness(one) for one in linear]
    worst = FlashMeasure(0, 0.0, 0.0, red=False)
    for one, other in combinations(range(len(pictures)), 2):
        darker = np.minimum(luminance[one], luminance[other])
        change = np.abs(luminance[one] - luminance[other])
        red = np.abs(redness[one] - redness[other]) > _RED_CHANGE
        red &= _saturated(linear[one]) | _saturated(linear[other])
        flashing = ((change >= _CHANGE) & (darker < _BRIGHT)) | red
        area = int(np.count_nonzero(flashing))
        if area > worst.area:
            mean = float(change[flashing].mean())
            worst = FlashMeasure(area, area / flashing.size, mean, red=bool(red.any()))
    return worst


def _linear(picture: NDArray[np.uint8]) -> FloatArray:
    """Relative light of sRGB values, as WCAG defines relative luminance."""
    value = picture / 255.0
    light = np.where(value <= 0.04045, value / 12.92, ((value + 0.055) / 1.055) ** 2.4)
    return np.asarray(light, np.float64)


def _saturated(linear: FloatArray) -> Mask:
    total = linear.sum(axis=-1)
    return np.asarray(linear[..., 0] >= _RED_SHARE * np.maximum(total, 1e-9))


def _redness(linear: FloatArray) -> FloatArray:
    red, green, blue = np.moveaxis(linear, -1, 0)
    return np.asarray(np.maximum(320 * (red - green - blue), 0.0))
