"""Hue-preserving gamut mapping of CSS Color 4: chroma reduction in Oklch with local clipping."""

import numpy as np

from tonelab.conversion.gamut import GAMUT_METHODS
from tonelab.signal.arrays import FloatArray, Mask
from tonelab.signal.colorimetry import matrix_rgb_to_xyz

_XYZ_TO_LMS = np.array(
    [
        [0.8190224379967030, 0.3619062600528904, -0.1288737815209879],
        [0.0329836539323885, 0.9292868615863434, 0.0361446663506424],
        [0.0481771893596242, 0.2642395317527308, 0.6335478284694309],
    ]
)
_ROOT_TO_LAB = np.array(
    [
        [0.2104542683093140, 0.7936177747023054, -0.0040720430116193],
        [1.9779985324311684, -2.4285922420485799, 0.4505937096174110],
        [0.0259040424655478, 0.7827717124575296, -0.8086757549230774],
    ]
)
_TO_LMS = _XYZ_TO_LMS @ matrix_rgb_to_xyz("bt709")
_FROM_LMS = np.linalg.inv(_TO_LMS)
_LAB_TO_ROOT = np.linalg.inv(_ROOT_TO_LAB)

JUST_NOTICEABLE = 0.02
EPSILON = 1e-4


def _to_oklab(light: FloatArray) -> FloatArray:
    lab: FloatArray = np.cbrt(light @ _TO_LMS.T) @ _ROOT_TO_LAB.T
    return lab


def _from_oklab(lab: FloatArray) -> FloatArray:
    light: FloatArray = (lab @ _LAB_TO_ROOT.T) ** 3 @ _FROM_LMS.T
    return light


def _clipped(light: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Light clipped to 0..1, and the colour difference that makes (ΔEOK)."""
    inside = np.clip(light, 0.0, 1.0)
    return inside, np.linalg.norm(_to_oklab(inside) - _to_oklab(light), axis=1)


def _in_gamut(light: FloatArray) -> Mask:
    inside: Mask = np.all((light >= -1e-9) & (light <= 1 + 1e-9), axis=1)
    return inside


@GAMUT_METHODS.register(
    "hue-preserving",
    label="hue-preserving search in Oklch",
    source="CSS Color Module Level 4, section 13.2 (binary search with local MINDE)",
)
def hue_preserving(light: FloatArray) -> FloatArray:
    """Reduce chroma at constant hue and lightness until clipping is just noticeable."""
    result, difference = _clipped(light)
    lab = _to_oklab(light)
    result[lab[:, 0] >= 1] = 1.0
    result[lab[:, 0] <= 0] = 0.0
    rows = np.flatnonzero((difference >= JUST_NOTICEABLE) & (lab[:, 0] < 1) & (lab[:, 0] > 0))
    if rows.size:
        result[rows] = _search(lab[rows])
    return result


def _search(lab: FloatArray) -> FloatArray:
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    low, high = np.zeros_like(chroma), chroma.copy()
    low_inside = np.ones(len(lab), bool)
    found = np.zeros_like(lab)
    done = np.zeros(len(lab), bool)
    while not done.all():
        middle = (low + high) / 2
        current = _from_oklab(
            lab * np.stack([np.ones_like(chroma), *[middle / chroma] * 2], axis=1)
        )
        inside, difference = _clipped(current)
        found[~done] = inside[~done]
        raise_inside = low_inside & _in_gamut(current)
        near = ~raise_inside & (difference < JUST_NOTICEABLE)
        stop = near & (difference > JUST_NOTICEABLE - EPSILON)
        raised = raise_inside | near
        low = np.where(raised & ~done, middle, low)
        high = np.where(raised | done, high, middle)
        low_inside = np.where(done, low_inside, low_inside & ~near)
        done |= stop | (high - low <= EPSILON)
    return found
