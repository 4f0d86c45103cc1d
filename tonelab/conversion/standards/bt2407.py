"""BT.2407: gamut conversion from BT.2020 to BT.709, annexes 5 and 2.

Section 2 (matrix and clip) is `tonelab.conversion.gamut.clip`.
"""

from functools import lru_cache
from itertools import pairwise
from typing import Annotated

import numpy as np

from tonelab.conversion.gamut import GAMUT_METHODS, TO_2020
from tonelab.conversion.parameters import Param
from tonelab.signal.arrays import FloatArray
from tonelab.signal.colorimetry import Primaries, matrix_rgb_to_xyz

_TO_XYZ = matrix_rgb_to_xyz("bt709")
_WHITE = _TO_XYZ.sum(axis=1)
_WHITE_V = 9.0 / (_WHITE @ (1.0, 15.0, 3.0))


def soft_clip_position(r: FloatArray, alpha: FloatArray, beta: float) -> FloatArray:
    """Compressed position on a ray (BT.2407-0, 5-1 to 5-4), any shape; 1 is the BT.709 boundary.

    The last equation is taken with its bracket squared: only then does the boundary of the
    source land on 1.
    """
    q = np.clip(r + beta - 1, 0.0, np.maximum(alpha + beta, 0.0))
    root = np.sqrt(np.maximum(beta**2 + (alpha - beta) * q, 0.0))
    s = q / np.maximum(root + beta, 1e-12)
    return np.where(r > 1 + alpha, 1.0, r - alpha * s**2)


def _reach(rgb: FloatArray, luminance: FloatArray, v: FloatArray) -> FloatArray:
    """Largest multiple of the ray from white through a colour that stays within 0..1.

    Along a ray of constant Y in u'v', RGB times v' is linear.
    """
    start = luminance * _WHITE_V
    rise = rgb * v - start
    with np.errstate(divide="ignore", invalid="ignore"):
        floor = np.where(rise < 0, -start / rise, np.inf)
        closing = rise - v + _WHITE_V
        ceiling = np.where(closing > 0, _WHITE_V * (1 - luminance) / closing, np.inf)
    reach: FloatArray = np.minimum(floor, ceiling).min(axis=1, keepdims=True)
    return reach


@GAMUT_METHODS.register(
    "soft-clip",
    label="constant-luminance soft clip",
    source="ITU-R BT.2407-0 annex 5",
)
def soft_clip(
    light: FloatArray,
    *,
    beta: Annotated[float, Param(0.01, 0.6, "", "width of the soft part, 0.2 as published")] = 0.2,
) -> FloatArray:
    """Pull colours towards white at constant Y in u'v'; Y <= 0 is black, Y >= 1 white."""
    xyz = light @ _TO_XYZ.T
    luminance = xyz[:, 1:2]
    inside = (luminance > 0) & (luminance < 1)
    weight = (xyz @ (1.0, 15.0, 3.0))[:, None]
    v = 9 * luminance / np.where(inside, weight, 1.0)
    reach = _reach(light, luminance, v)
    source_reach = _reach(light @ TO_2020.T, luminance, v)
    with np.errstate(invalid="ignore", divide="ignore"):
        alpha = np.nan_to_num(np.maximum(source_reach / reach - 1, 0.0), nan=0.0, posinf=0.0)
        r = 1 / reach
    moved = inside & (r > 1 - beta)
    t = np.where(moved, soft_clip_position(r, alpha, beta) * np.where(moved, reach, 1.0), 1.0)
    start = luminance * _WHITE_V
    pulled = (start + t * (light * v - start)) / np.where(inside, _WHITE_V + t * (v - _WHITE_V), 1)
    result = np.where(moved, pulled, light)
    return np.clip(np.where(inside, result, luminance >= 1), 0.0, 1.0)


def _to_lab(light: FloatArray, to_xyz: FloatArray) -> FloatArray:
    ratio = light @ to_xyz.T / _WHITE
    root = np.where(ratio > (6 / 29) ** 3, np.cbrt(ratio), ratio * (29 / 6) ** 2 / 3 + 4 / 29)
    x, y, z = np.moveaxis(root, -1, 0)
    return np.stack([116 * y - 16, 500 * (x - y), 200 * (y - z)], axis=-1)


def _from_lab(lab: FloatArray) -> FloatArray:
    y = (lab[..., 0] + 16) / 116
    root = np.stack([y + lab[..., 1] / 500, y, y - lab[..., 2] / 200], axis=-1)
    ratio = np.where(root > 6 / 29, root**3, 3 * (6 / 29) ** 2 * (root - 4 / 29))
    light: FloatArray = (ratio * _WHITE) @ np.linalg.inv(_TO_XYZ).T
    return light


@lru_cache
def _cusps(primaries: Primaries) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Hue in degrees (rising), lightness and chroma of the most colourful edge of a gamut."""
    corners = np.array(
        [[1, 0, 0], [1, 1, 0], [0, 1, 0], [0, 1, 1], [0, 0, 1], [1, 0, 1], [1, 0, 0]], np.float64
    )
    # Edges are walked evenly in a cube root, as CIELAB sees them.
    steps = np.linspace(0, 1, 128, endpoint=False)[:, None]
    edge = np.concatenate([(a + steps * (b - a)) ** 3 for a, b in pairwise(corners)])
    lab = _to_lab(edge, matrix_rgb_to_xyz(primaries))
    hue = np.rad2deg(np.arctan2(lab[:, 2], lab[:, 1]))
    order = np.argsort(hue)
    return hue[order], lab[order, 0], np.hypot(lab[order, 1], lab[order, 2])


def _cusp(primaries: Primaries, hue: FloatArray) -> tuple[FloatArray, FloatArray]:
    hues, lightness, chroma = _cusps(primaries)
    return (
        np.interp(hue, hues, lightness, period=360),
        np.interp(hue, hues, chroma, period=360),
    )


# Where the line through the cusps is nearly level, its chroma focus is taken this far out.
_FAR = 5000.0


def _slopes(lightness: FloatArray, chroma: FloatArray, hue: FloatArray) -> FloatArray:
    """Change of lightness per unit of chroma along each colour's mapping line."""
    inner, outer = _cusp("bt709", hue), _cusp("bt2020", hue)
    run = outer[1] - inner[1]
    slope = (outer[0] - inner[0]) / np.where(np.abs(run) < 1e-6, 1e-6, run)
    at_axis = np.clip(inner[0] - slope * inner[1], 0.0, 100.0)
    with np.errstate(divide="ignore"):
        focus = np.clip(-at_axis / np.where(slope == 0, -1e-12, slope), -_FAR, _FAR)
    above = lightness >= at_axis * (1 - chroma / focus)
    towards_axis = (lightness - at_axis) / np.maximum(chroma, 1e-9)
    distance = chroma - focus
    through_focus = lightness / np.where(np.abs(distance) < 1e-6, 1e-6, distance)
    return np.where(above, towards_axis, through_focus)


@GAMUT_METHODS.register(
    "lightness-chroma",
    label="lightness and chroma mapping in CIELAB (as far as published)",
    source="ITU-R BT.2407-0 annex 2, without its hue mapping and limits of the lightness focus",
)
def lightness_chroma(light: FloatArray) -> FloatArray:
    """Move out-of-gamut colours along lines set by the two cusps of their hue to the boundary."""
    outside = np.any((light < -1e-9) | (light > 1 + 1e-9), axis=1)
    result = np.clip(light, 0.0, 1.0)
    if not outside.any():
        return result
    lab = _to_lab(light[outside], _TO_XYZ)
    chroma = np.hypot(lab[:, 1], lab[:, 2])
    hue = np.rad2deg(np.arctan2(lab[:, 2], lab[:, 1]))
    slope = _slopes(lab[:, 0], chroma, hue)
    kept, lost = np.zeros_like(chroma), np.ones_like(chroma)
    for _ in range(20):
        middle = (kept + lost) / 2
        moved = _from_lab(_along(lab, chroma, slope, middle))
        inside = np.all((moved >= -1e-9) & (moved <= 1 + 1e-9), axis=1)
        kept, lost = np.where(inside, middle, kept), np.where(inside, lost, middle)
    result[outside] = np.clip(_from_lab(_along(lab, chroma, slope, kept)), 0.0, 1.0)
    return result


def _along(lab: FloatArray, chroma: FloatArray, slope: FloatArray, share: FloatArray) -> FloatArray:
    """Colours that keep a share of their chroma, on their mapping lines."""
    lightness = np.clip(lab[:, 0] - slope * chroma * (1 - share), 0.0, 100.0)
    return np.stack([lightness, share * lab[:, 1], share * lab[:, 2]], axis=-1)
