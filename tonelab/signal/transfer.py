"""Transfer functions: PQ, HLG, BT.1886, sRGB, plain powers and the BT.709 OETF.

Signals are 0..1 without dimension; light is in cd/m2 where a display is meant, and
relative (0..1) where a scene is meant. Functions are named quantity, direction, standard; they work
element by element on arrays of any shape, but for those of HLG display light (..., 3).
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from tonelab.signal.arrays import FloatArray


# SMPTE ST 2084, BT.2100-2 table 4: exact rationals.
PQ_PEAK = 10000.0  # cd/m2, of the signal 1
PQ_M1 = 2610 / 16384
PQ_M2 = 2523 / 4096 * 128
PQ_C1 = 3424 / 4096
PQ_C2 = 2413 / 4096 * 32
PQ_C3 = 2392 / 4096 * 32

# BT.2100-2 table 5.
HLG_A = 0.17883277
HLG_B = 1 - 4 * HLG_A
HLG_C = 0.5 - HLG_A * math.log(4 * HLG_A)


def eotf_pq(signal: ArrayLike) -> FloatArray:
    """Display light in cd/m2 of a PQ signal, any shape, clamped to 0..1 (SMPTE ST 2084)."""
    root = np.clip(np.asarray(signal, np.float64), 0.0, 1.0) ** (1 / PQ_M2)
    ratio: FloatArray = np.maximum(root - PQ_C1, 0.0) / (PQ_C2 - PQ_C3 * root)
    return PQ_PEAK * ratio ** (1 / PQ_M1)


def eotf_inverse_pq(luminance: ArrayLike) -> FloatArray:
    """PQ signal 0..1 of display light in cd/m2, any shape (SMPTE ST 2084).

    Light below 0 is taken as 0; light above 10,000 cd/m2 gives signals above 1.
    """
    power = (np.maximum(np.asarray(luminance, np.float64), 0.0) / PQ_PEAK) ** PQ_M1
    signal: FloatArray = ((PQ_C1 + PQ_C2 * power) / (1 + PQ_C3 * power)) ** PQ_M2
    return signal


def oetf_hlg(scene: ArrayLike) -> FloatArray:
    """HLG signal 0..1 of relative scene light 0..1, any shape (BT.2100-2 table 5).

    Light below 0 is taken as 0; above 1 the curve goes on.
    """
    e = np.maximum(np.asarray(scene, np.float64), 0.0)
    upper = HLG_A * np.log(np.maximum(12 * e - HLG_B, 1e-12)) + HLG_C
    return np.where(e <= 1 / 12, np.sqrt(3 * e), upper)


def oetf_inverse_hlg(signal: ArrayLike) -> FloatArray:
    """Relative scene light 0..1 of an HLG signal 0..1, any shape (BT.2100-2 table 5).

    Signals below 0 are taken as 0; above 1 the curve goes on.
    """
    v = np.maximum(np.asarray(signal, np.float64), 0.0)
    return np.where(v <= 0.5, v * v / 3, (np.exp((v - HLG_C) / HLG_A) + HLG_B) / 12)


def system_gamma_hlg(peak: float) -> float:
    """HLG system gamma for a nominal display peak in cd/m2.

    BT.2100-2 note 5f within 400 to 2000 cd/m2; the extended form of BT.2390 outside.
    """
    if 400 <= peak <= 2000:
        return float(1.2 + 0.42 * np.log10(peak / 1000))
    return float(1.2 * 1.111 ** np.log2(peak / 1000))


def eotf_hlg(rgb: ArrayLike, peak: float = 1000.0, black: float = 0.0) -> FloatArray:
    """Display light of HLG R'G'B' signals through the OOTF (BT.2100-2 table 5).

    Parameters
    ----------
    rgb
        Shape (..., 3), BT.2020 R'G'B' signals.
    peak, black
        Nominal peak and black of the display, cd/m2.

    Returns
    -------
    ndarray
        Shape (..., 3), cd/m2, BT.2020 primaries.
    """
    gamma = system_gamma_hlg(peak)
    lift = np.sqrt(3 * (black / peak) ** (1 / gamma))
    scene = oetf_inverse_hlg((1 - lift) * np.asarray(rgb, np.float64) + lift)
    luminance = scene @ np.array([0.2627, 0.6780, 0.0593])
    light: FloatArray = peak * np.maximum(luminance, 1e-12)[..., None] ** (gamma - 1) * scene
    return light


def eotf_inverse_hlg(light: ArrayLike, peak: float = 1000.0) -> FloatArray:
    """HLG R'G'B' signals of display light (..., 3) in cd/m2, for a display with black 0."""
    gamma = system_gamma_hlg(peak)
    display = np.maximum(np.asarray(light, np.float64), 0.0) / peak
    luminance = np.maximum(display @ np.array([0.2627, 0.6780, 0.0593]), 1e-12)
    return oetf_hlg(luminance[..., None] ** ((1 - gamma) / gamma) * display)


def eotf_bt1886(signal: ArrayLike, peak: float = 100.0, black: float = 0.0) -> FloatArray:
    """Display light in cd/m2 of an SDR signal, any shape (BT.1886 annex 1).

    Signals above 1 go on along the curve.

    Parameters
    ----------
    signal
        0..1 from black to peak; below 0 light falls on towards 0 and stays there.
    peak, black
        Light of the display at the signals 1 and 0, cd/m2; black is below the peak.
    """
    a, b = _bt1886(peak, black)
    return a * np.maximum(np.asarray(signal, np.float64) + b, 0.0) ** 2.4


def eotf_inverse_bt1886(
    luminance: ArrayLike, peak: float = 100.0, black: float = 0.0
) -> FloatArray:
    """SDR signal of display light in cd/m2, any shape (BT.1886 annex 1).

    Light below 0 is taken as 0, and light below ``black`` gives signals below 0; ``peak`` and
    ``black`` as in `eotf_bt1886`.
    """
    a, b = _bt1886(peak, black)
    return (np.maximum(np.asarray(luminance, np.float64), 0.0) / a) ** (1 / 2.4) - b


def eotf_srgb(signal: ArrayLike) -> FloatArray:
    """Relative light 0..1 of an sRGB signal 0..1, any shape (IEC 61966-2-1); never clipped."""
    v = np.asarray(signal, np.float64)
    upper = ((np.maximum(v, 0.04045) + 0.055) / 1.055) ** 2.4
    return np.where(v <= 0.04045, v / 12.92, upper)


def eotf_inverse_srgb(light: ArrayLike) -> FloatArray:
    """Return the sRGB signal of relative light 0..1, any shape (IEC 61966-2-1); never clipped."""
    e = np.asarray(light, np.float64)
    upper = 1.055 * np.maximum(e, 0.0031308) ** (1 / 2.4) - 0.055
    return np.where(e <= 0.0031308, 12.92 * e, upper)


def oetf_bt709(scene: ArrayLike) -> FloatArray:
    """Camera signal 0..1 of relative scene light 0..1, any shape (BT.709-6 item 1.2).

    Not the inverse of a display; never clipped.
    """
    e = np.asarray(scene, np.float64)
    return np.where(e < 0.018, 4.5 * e, 1.099 * np.maximum(e, 0.018) ** 0.45 - 0.099)


def oetf_inverse_bt709(signal: ArrayLike) -> FloatArray:
    """Relative scene light 0..1 of a camera signal 0..1, any shape (BT.709-6 item 1.2)."""
    v = np.asarray(signal, np.float64)
    return np.where(v < 0.081, v / 4.5, ((np.maximum(v, 0.081) + 0.099) / 1.099) ** (1 / 0.45))


def _bt1886(peak: float, black: float) -> tuple[float, float]:
    root_white, root_black = peak ** (1 / 2.4), black ** (1 / 2.4)
    return (root_white - root_black) ** 2.4, root_black / (root_white - root_black)
