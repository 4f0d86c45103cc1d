"""The colours a chart shows, as 10-bit narrow BT.2020 non-constant-luminance Y'CbCr codes.

Every function returns an int32 array of shape (N, 3) in a fixed order.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from tonelab.signal.colorimetry import rgb_to_ycbcr, ycbcr_to_rgb
from tonelab.signal.quantisation import quantise, ycbcr_to_codes
from tonelab.signal.transfer import eotf_inverse_hlg, eotf_inverse_pq

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from tonelab.signal.arrays import CodeArray, FloatArray


BITS = 10
NEUTRAL_CHROMA = 512
LEGAL = (4, 1019)  # BT.2100-2 table 9: 0..3 and 1020..1023 are for synchronisation.
HUES = 24


def signal_of_light(light: ArrayLike, transfer: str, peak: float) -> FloatArray:
    """R'G'B' signal 0..1 of neutral light in cd/m2, any shape, by PQ or HLG at a nominal peak."""
    levels = np.asarray(light, np.float64)
    if transfer == "pq":
        return eotf_inverse_pq(levels)
    return eotf_inverse_hlg(np.repeat(levels[..., None], 3, axis=-1), peak)[..., 0]


def codes_of_rgb(rgb: ArrayLike) -> CodeArray:
    """Codes of R'G'B' signals (..., 3)."""
    codes = ycbcr_to_codes(rgb_to_ycbcr(rgb, "bt2020"), BITS, "narrow")
    return quantise(codes, BITS).astype(np.int32)


def neutral_codes(luma: ArrayLike) -> CodeArray:
    """Neutral colours of given luma codes (N,)."""
    levels = np.asarray(luma, np.int32)
    return np.stack([levels, *[np.full_like(levels, NEUTRAL_CHROMA)] * 2], axis=-1)


def legal_neutrals() -> CodeArray:
    """Every luma code that video may carry, 4 to 1019, without chroma: codes (1016, 3)."""
    return neutral_codes(np.arange(LEGAL[0], LEGAL[1] + 1))


def lattice(nodes: int, top: float) -> CodeArray:
    """Codes (nodes^3, 3) of a cube of R'G'B' signals, evenly spaced from 0 to ``top``."""
    axis = np.linspace(0.0, top, nodes)
    return codes_of_rgb(np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1).reshape(-1, 3))


def near_neutrals(levels: int, radii: tuple[int, ...], top: float) -> CodeArray:
    """Codes (N, 3) of small chroma offsets in eight directions around neutrals.

    Parameters
    ----------
    levels
        Neutrals, evenly spaced from luma code 80 up to the signal ``top``.
    radii
        Offsets in codes; N is ``8 * levels * len(radii)``.
    top
        Luma signal 0..1.
    """
    luma = np.linspace(80, 64 + 876 * top, levels).round()
    angle = np.arange(8) * np.pi / 4
    y, radius, a = np.meshgrid(luma, radii, angle, indexing="ij")
    codes = np.stack([y, 512 + radius * np.cos(a), 512 + radius * np.sin(a)], -1)
    return quantise(codes.reshape(-1, 3), BITS).astype(np.int32)


def hue_circle(levels: FloatArray, saturations: tuple[float, ...]) -> CodeArray:
    """24 R'G'B' hues whose largest signal is each of ``levels``, at each saturation 0..1.

    Codes (24 * L * S, 3) of ``levels`` (L,), signals 0..1, and S saturations; hues run fastest.
    """
    position = np.arange(HUES) * 6 / HUES
    # Piecewise linear hexagon: red at 0, green at 2, blue at 4.
    pure = np.clip(np.abs((position[:, None] - (0, 2, 4) + 3) % 6 - 3) * -1 + 2, 0, 1)
    level, saturation, hue = np.meshgrid(levels, saturations, np.arange(HUES), indexing="ij")
    rgb = level[..., None] * (1 - saturation[..., None] * (1 - pure[hue]))
    return codes_of_rgb(rgb.reshape(-1, 3))


def sweeps(levels: int, chroma: tuple[float, ...], top: float) -> CodeArray:
    """24 hues of the Cb/Cr plane at shares of the largest chroma within 0..``top`` R'G'B'.

    Codes (24 * L * S, 3) of L luma ``levels``, evenly spaced from 0.12 to 0.88 of ``top``, and S
    shares 0..1 in ``chroma``; hues run fastest.
    """
    luma = np.linspace(0.12, 0.88, levels) * top
    angle = np.arange(HUES) * 2 * np.pi / HUES
    y, share, a = (grid.reshape(-1) for grid in np.meshgrid(luma, chroma, angle, indexing="ij"))
    direction = np.stack([np.zeros_like(a), np.cos(a), np.sin(a)], -1)
    slope = ycbcr_to_rgb(direction, "bt2020")
    with np.errstate(divide="ignore"):
        reach = np.where(slope > 0, (top - y[:, None]) / slope, -y[:, None] / slope)
    radius = share * np.min(np.where(slope == 0, np.inf, reach), axis=-1)
    ycbcr = direction * radius[:, None] + np.stack([y, 0 * y, 0 * y], -1)
    return quantise(ycbcr_to_codes(ycbcr, BITS, "narrow"), BITS).astype(np.int32)


def clip_windows() -> CodeArray:
    """Luma below black and above nominal peak, and chroma around and beyond its nominal ends.

    Codes (283, 3).
    """
    luma = neutral_codes(np.r_[LEGAL[0] : 64, 941 : LEGAL[1] + 1])
    ends = np.r_[4, 16:64:12, 64:96:8, 928:960:8, 960:1008:12, 1019]
    y, end = (grid.reshape(-1) for grid in np.meshgrid((200, 400, 600, 800), ends, indexing="ij"))
    neutral = np.full_like(y, NEUTRAL_CHROMA)
    return np.concatenate(
        [luma, np.stack([y, end, neutral], -1), np.stack([y, neutral, end], -1)]
    ).astype(np.int32)


def repeated_colours(transfer: str, peak: float) -> CodeArray:
    """56 colours that return under other surrounds: 8 neutrals and 24 hues at two strengths.

    Codes (56, 3), neutrals first, of light up to the chart's ``peak`` in cd/m2.
    """
    light = np.minimum((1, 5, 26, 60, 100, 203, 400, peak), peak)
    medium, strong = signal_of_light((60.0, min(203.0, peak)), transfer, peak)
    grey = codes_of_rgb(np.repeat(signal_of_light(light, transfer, peak)[:, None], 3, axis=1))
    return np.concatenate(
        [grey, hue_circle(np.array([medium]), (0.5,)), hue_circle(np.array([strong]), (0.9,))]
    )
