"""The colours a chart shows, as narrow non-constant-luminance Y'CbCr codes of one coding.

Every function returns an int32 array of shape (N, 3) in a fixed order.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from tonelab.signal.colorimetry import rgb_to_ycbcr, ycbcr_to_rgb
from tonelab.signal.quantisation import quantise, rgb_to_codes, ycbcr_to_codes
from tonelab.signal.transfer import eotf_inverse_bt1886, eotf_inverse_hlg, eotf_inverse_pq

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from tonelab.signal.arrays import CodeArray, FloatArray
    from tonelab.signal.colorimetry import Matrix


HUES = 24


@dataclass(frozen=True, slots=True)
class Coding:
    """How the colours of a chart are coded: bit depth and matrix, always narrow range.

    Numbers that stand for codes in this room are 10-bit codes; ``unit`` is one of them here.
    """

    bits: int = 10
    matrix: Matrix = "bt2020"

    @property
    def unit(self) -> float:
        """Codes of this depth in a 10-bit code: a quarter at 8 bits."""
        return float(2.0 ** (self.bits - 10))

    @property
    def neutral_chroma(self) -> int:
        """Code of no chroma."""
        return 1 << (self.bits - 1)

    @property
    def legal(self) -> tuple[int, int]:
        """First and last code of video, 4 and 1019 in 10 bits, 1 and 254 in 8.

        The others are for synchronisation (BT.2100-2 table 9, BT.709-6 item 5.4, BT.601-7).
        """
        return round(4 * self.unit), (1 << self.bits) - 1 - round(4 * self.unit)

    def luma(self, signal: ArrayLike) -> FloatArray:
        """Real-valued luma codes of signals 0..1, any shape."""
        return rgb_to_codes(signal, self.bits, "narrow")

    def whole(self, codes: ArrayLike) -> CodeArray:
        """Whole codes of this depth of real-valued 10-bit codes, any shape."""
        return quantise(np.asarray(codes, np.float64) * self.unit, self.bits).astype(np.int32)


HDR = Coding()


def signal_of_light(light: ArrayLike, transfer: str, peak: float) -> FloatArray:
    """R'G'B' signal 0..1 of neutral light in cd/m2, any shape.

    By PQ, or by HLG or BT.1886 (without black) on a display of ``peak`` cd/m2.
    """
    levels = np.asarray(light, np.float64)
    if transfer == "pq":
        return eotf_inverse_pq(levels)
    if transfer == "bt1886":
        return eotf_inverse_bt1886(levels, peak)
    return eotf_inverse_hlg(np.repeat(levels[..., None], 3, axis=-1), peak)[..., 0]


def codes_of_rgb(rgb: ArrayLike, coding: Coding = HDR) -> CodeArray:
    """Codes of R'G'B' signals (..., 3)."""
    codes = ycbcr_to_codes(rgb_to_ycbcr(rgb, coding.matrix), coding.bits, "narrow")
    return quantise(codes, coding.bits).astype(np.int32)


def neutral_codes(luma: ArrayLike, coding: Coding = HDR) -> CodeArray:
    """Neutral colours of given luma codes (N,)."""
    levels = np.asarray(luma, np.int32)
    return np.stack([levels, *[np.full_like(levels, coding.neutral_chroma)] * 2], axis=-1)


def legal_neutrals(coding: Coding = HDR) -> CodeArray:
    """Every luma code that video may carry, without chroma: codes (1016, 3) in 10 bits."""
    low, high = coding.legal
    return neutral_codes(np.arange(low, high + 1), coding)


def lattice(nodes: int, top: float, coding: Coding = HDR) -> CodeArray:
    """Codes (nodes^3, 3) of a cube of R'G'B' signals, evenly spaced from 0 to ``top``."""
    axis = np.linspace(0.0, top, nodes)
    cube = np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), -1).reshape(-1, 3)
    return codes_of_rgb(cube, coding)


def near_neutrals(
    levels: int, radii: tuple[int, ...], top: float, coding: Coding = HDR
) -> CodeArray:
    """Codes (N, 3) of small chroma offsets in eight directions around neutrals.

    Parameters
    ----------
    levels
        Neutrals, evenly spaced from luma code 80 up to the signal ``top``.
    radii
        Offsets in 10-bit codes; N is ``8 * levels * len(radii)``.
    top
        Luma signal 0..1.
    """
    luma = np.linspace(80, 64 + 876 * top, levels).round()
    angle = np.arange(8) * np.pi / 4
    y, radius, a = np.meshgrid(luma, radii, angle, indexing="ij")
    codes = np.stack([y, 512 + radius * np.cos(a), 512 + radius * np.sin(a)], -1)
    return coding.whole(codes.reshape(-1, 3))


def hue_circle(
    levels: FloatArray, saturations: tuple[float, ...], coding: Coding = HDR
) -> CodeArray:
    """24 R'G'B' hues whose largest signal is each of ``levels``, at each saturation 0..1.

    Codes (24 * L * S, 3) of ``levels`` (L,), signals 0..1, and S saturations; hues run fastest.
    """
    position = np.arange(HUES) * 6 / HUES
    # Piecewise linear hexagon: red at 0, green at 2, blue at 4.
    pure = np.clip(np.abs((position[:, None] - (0, 2, 4) + 3) % 6 - 3) * -1 + 2, 0, 1)
    level, saturation, hue = np.meshgrid(levels, saturations, np.arange(HUES), indexing="ij")
    rgb = level[..., None] * (1 - saturation[..., None] * (1 - pure[hue]))
    return codes_of_rgb(rgb.reshape(-1, 3), coding)


def sweeps(levels: int, chroma: tuple[float, ...], top: float, coding: Coding = HDR) -> CodeArray:
    """24 hues of the Cb/Cr plane at shares of the largest chroma within 0..``top`` R'G'B'.

    Codes (24 * L * S, 3) of L luma ``levels``, evenly spaced from 0.12 to 0.88 of ``top``, and S
    shares 0..1 in ``chroma``; hues run fastest.
    """
    luma = np.linspace(0.12, 0.88, levels) * top
    angle = np.arange(HUES) * 2 * np.pi / HUES
    y, share, a = (grid.reshape(-1) for grid in np.meshgrid(luma, chroma, angle, indexing="ij"))
    direction = np.stack([np.zeros_like(a), np.cos(a), np.sin(a)], -1)
    slope = ycbcr_to_rgb(direction, coding.matrix)
    with np.errstate(divide="ignore"):
        reach = np.where(slope > 0, (top - y[:, None]) / slope, -y[:, None] / slope)
    radius = share * np.min(np.where(slope == 0, np.inf, reach), axis=-1)
    ycbcr = direction * radius[:, None] + np.stack([y, 0 * y, 0 * y], -1)
    codes = ycbcr_to_codes(ycbcr, coding.bits, "narrow")
    return quantise(codes, coding.bits).astype(np.int32)


def clip_windows(coding: Coding = HDR) -> CodeArray:
    """Luma below black and above nominal peak, and chroma around and beyond its nominal ends.

    Codes (283, 3) in 10 bits, (106, 3) in 8.
    """
    low, high = coding.legal
    black, white = (round(code) for code in coding.luma((0.0, 1.0)))
    luma = neutral_codes(np.r_[low:black, white + 1 : high + 1], coding)
    ends = np.unique(
        np.clip(coding.whole(np.r_[4, 16:64:12, 64:96:8, 928:960:8, 960:1008:12, 1019]), low, high)
    )
    levels = coding.whole((200, 400, 600, 800))
    y, end = (grid.reshape(-1) for grid in np.meshgrid(levels, ends, indexing="ij"))
    neutral = np.full_like(y, coding.neutral_chroma)
    return np.concatenate(
        [luma, np.stack([y, end, neutral], -1), np.stack([y, neutral, end], -1)]
    ).astype(np.int32)


def repeated_colours(transfer: str, peak: float, coding: Coding = HDR) -> CodeArray:
    """56 colours that return under other surrounds: 8 neutrals and 24 hues at two strengths.

    Codes (56, 3), neutrals first, of light up to the chart's ``peak`` in cd/m2.
    """
    if transfer == "bt1886":
        light = np.array((0.01, 0.03, 0.1, 0.2, 0.35, 0.6, 0.8, 1.0)) * peak
    else:
        light = np.minimum((1, 5, 26, 60, 100, 203, 400, peak), peak)
    medium, strong = signal_of_light((60.0, min(203.0, peak)), transfer, peak)
    greys = np.repeat(signal_of_light(light, transfer, peak)[:, None], 3, axis=1)
    return np.concatenate(
        [
            codes_of_rgb(greys, coding),
            hue_circle(np.array([medium]), (0.5,), coding),
            hue_circle(np.array([strong]), (0.9,), coding),
        ]
    )
