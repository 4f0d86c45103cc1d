"""The colour difference CIEDE2000, for readers who know SDR figures by it.

All arrays have colour in their last axis, shape (..., 3).
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.signal.colorimetry import matrix_rgb_to_xyz

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from tonelab.signal.arrays import FloatArray


_LINEAR_BELOW = (6 / 29) ** 3
_GREY_POWER = 25.0**7


def cielab(light: ArrayLike, white: float) -> FloatArray:
    """CIELAB (CIE 015) of linear BT.2020 light.

    Parameters
    ----------
    light
        Shape (..., 3), cd/m2.
    white
        Luminance of the reference white, which is D65, cd/m2.
    """
    to_xyz = matrix_rgb_to_xyz("bt2020")
    ratio = np.asarray(light, np.float64) @ to_xyz.T / (white * to_xyz.sum(axis=1))
    root = np.where(ratio > _LINEAR_BELOW, np.cbrt(ratio), ratio / (3 * (6 / 29) ** 2) + 4 / 29)
    x, y, z = np.moveaxis(root, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def ciede2000(lab_a: ArrayLike, lab_b: ArrayLike) -> FloatArray:
    """Colour difference of two CIELAB colours (ISO/CIE 11664-6; all weights 1).

    The rules for hues follow Sharma, Wu and Dalal (2005).

    Returns
    -------
    ndarray
        Shape (...), without unit.
    """
    (l_a, a_a, b_a), (l_b, a_b, b_b) = (
        np.moveaxis(np.asarray(lab, np.float64), -1, 0) for lab in (lab_a, lab_b)
    )
    mean_chroma = (np.hypot(a_a, b_a) + np.hypot(a_b, b_b)) / 2
    stretch = 1.5 - 0.5 * np.sqrt(mean_chroma**7 / (mean_chroma**7 + _GREY_POWER))
    c_a, c_b = np.hypot(stretch * a_a, b_a), np.hypot(stretch * a_b, b_b)
    h_a = np.degrees(np.arctan2(b_a, stretch * a_a)) % 360
    h_b = np.degrees(np.arctan2(b_b, stretch * a_b)) % 360
    grey = c_a * c_b == 0

    turn = h_b - h_a
    far = np.abs(turn) > 180
    turn = np.where(grey, 0.0, turn - 360 * np.sign(turn) * far)
    lightness, chroma = l_b - l_a, c_b - c_a
    hue = 2 * np.sqrt(c_a * c_b) * np.sin(np.radians(turn / 2))

    # From here on of the middle between the two colours.
    c, h = (c_a + c_b) / 2, h_a + h_b
    h = np.where(grey, h, (h + np.where(far, np.where(h < 360, 360, -360), 0)) / 2)
    t = (
        1
        - 0.17 * np.cos(np.radians(h - 30))
        + 0.24 * np.cos(np.radians(2 * h))
        + 0.32 * np.cos(np.radians(3 * h + 6))
        - 0.20 * np.cos(np.radians(4 * h - 63))
    )
    from_grey = ((l_a + l_b) / 2 - 50) ** 2
    s_l = 1 + 0.015 * from_grey / np.sqrt(20 + from_grey)
    s_c, s_h = 1 + 0.045 * c, 1 + 0.015 * c * t
    around_blue = np.radians(60 * np.exp(-(((h - 275) / 25) ** 2)))
    rotation = -2 * np.sqrt(c**7 / (c**7 + _GREY_POWER)) * np.sin(around_blue)
    parts = lightness / s_l, chroma / s_c, hue / s_h
    total = sum(part**2 for part in parts) + rotation * parts[1] * parts[2]
    distance: FloatArray = np.sqrt(np.maximum(total, 0.0))
    return distance
