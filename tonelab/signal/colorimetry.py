"""Primaries, Y'CbCr matrices, ICtCp and the colour difference ΔE_ITP.

All arrays have colour in their last axis, shape (..., 3).
"""

from __future__ import annotations

from functools import cache
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from tonelab.signal.transfer import eotf_inverse_pq, eotf_pq

if TYPE_CHECKING:
    from numpy.typing import ArrayLike

    from tonelab.signal.arrays import FloatArray


Primaries: TypeAlias = Literal["bt709", "bt2020", "p3d65", "bt601-625", "bt601-525"]
Matrix: TypeAlias = Literal["bt601", "bt709", "bt2020", "rgb"]

# Chromaticities of red, green, blue: BT.709-6, BT.2020-2, SMPTE RP 431-2 with D65, and BT.601-7
# with 625 lines (those of BT.470 B and G) and with 525 lines (those of SMPTE ST 170).
PRIMARIES: dict[Primaries, tuple[tuple[float, float], ...]] = {
    "bt709": ((0.640, 0.330), (0.300, 0.600), (0.150, 0.060)),
    "bt2020": ((0.708, 0.292), (0.170, 0.797), (0.131, 0.046)),
    "p3d65": ((0.680, 0.320), (0.265, 0.690), (0.150, 0.060)),
    "bt601-625": ((0.640, 0.330), (0.290, 0.600), (0.150, 0.060)),
    "bt601-525": ((0.630, 0.340), (0.310, 0.595), (0.155, 0.070)),
}
WHITE_D65 = (0.3127, 0.3290)

# Signal weights KR, KB, fixed at four digits: BT.601-7, BT.709-6, BT.2020-2.
LUMA_WEIGHTS: dict[Matrix, tuple[float, float]] = {
    "bt601": (0.299, 0.114),
    "bt709": (0.2126, 0.0722),
    "bt2020": (0.2627, 0.0593),
}

# BT.2100-2 table 7, in units of 1/4096.
RGB2020_TO_LMS = np.array([[1688, 2146, 262], [683, 2951, 462], [99, 309, 3688]]) / 4096
LMS_TO_ICTCP = np.array([[2048, 2048, 0], [6610, -13613, 7003], [17933, -17390, -543]]) / 4096
LMS_TO_RGB2020 = np.linalg.inv(RGB2020_TO_LMS)
ICTCP_TO_LMS = np.linalg.inv(LMS_TO_ICTCP)

# Luminance weights of linear BT.2020 as printed in BT.2100-2 and BT.2390.
LUMINANCE_2020 = np.array([0.2627, 0.6780, 0.0593])


@cache
def _rgb_to_xyz(primaries: Primaries) -> tuple[tuple[float, ...], ...]:
    columns = np.array([(x, y, 1 - x - y) for x, y in PRIMARIES[primaries]]).T
    x, y = WHITE_D65
    white = np.array([x / y, 1.0, (1 - x - y) / y])
    matrix = columns * np.linalg.solve(columns, white)
    return tuple(map(tuple, matrix))


def matrix_rgb_to_xyz(primaries: Primaries) -> FloatArray:
    """Matrix, shape (3, 3), from linear RGB to CIE XYZ with Y = 1 at white (SMPTE RP 177)."""
    return np.array(_rgb_to_xyz(primaries))


def matrix_rgb_to_rgb(source: Primaries, target: Primaries) -> FloatArray:
    """Matrix, shape (3, 3), from linear RGB of one set of primaries to that of another.

    Not rounded, with the digits that BT.2087 and BT.2407 imply.
    """
    return _rgb_to_rgb(source, target).copy()


@cache
def _rgb_to_rgb(source: Primaries, target: Primaries) -> FloatArray:
    return np.linalg.inv(matrix_rgb_to_xyz(target)) @ matrix_rgb_to_xyz(source)


def matrix_rgb_to_ycbcr(matrix: Matrix) -> FloatArray:
    """Matrix, shape (3, 3), from R'G'B' to non-constant-luminance Y'CbCr; identity for ``rgb``.

    From the weights of BT.601-7, BT.709-6 and BT.2020-2.
    """
    return _coding(matrix)[0].copy()


@cache
def _coding(matrix: Matrix) -> tuple[FloatArray, FloatArray]:
    """Matrices (3, 3) from R'G'B' to Y'CbCr and back."""
    if matrix == "rgb":
        return np.eye(3), np.eye(3)
    kr, kb = LUMA_WEIGHTS[matrix]
    luma = np.array([kr, 1 - kr - kb, kb])
    blue = (np.array([0, 0, 1.0]) - luma) / (2 * (1 - kb))
    red = (np.array([1.0, 0, 0]) - luma) / (2 * (1 - kr))
    coding = np.stack([luma, blue, red])
    return coding, np.linalg.inv(coding)


def rgb_to_ycbcr(rgb: ArrayLike, matrix: Matrix) -> FloatArray:
    """Y'CbCr signals (..., 3) of R'G'B' signals (..., 3), any values; see `matrix_rgb_to_ycbcr`."""
    return np.asarray(rgb, np.float64) @ _coding(matrix)[0].T


def ycbcr_to_rgb(ycbcr: ArrayLike, matrix: Matrix) -> FloatArray:
    """R'G'B' signals (..., 3) of Y'CbCr signals (..., 3), any values; see `matrix_rgb_to_ycbcr`."""
    return np.asarray(ycbcr, np.float64) @ _coding(matrix)[1].T


def rgb2020_to_ictcp(light: ArrayLike) -> FloatArray:
    """ICtCp (PQ) of linear BT.2020 display light in cd/m2, both (..., 3) (BT.2100-2 table 7).

    I is 0..1; LMS light below 0 is taken as 0.
    """
    lms = np.asarray(light, np.float64) @ RGB2020_TO_LMS.T
    return eotf_inverse_pq(lms) @ LMS_TO_ICTCP.T


def ictcp_to_rgb2020(ictcp: ArrayLike) -> FloatArray:
    """Linear BT.2020 display light in cd/m2 of ICtCp (PQ), both (..., 3) (BT.2100-2 table 7).

    L'M'S' signals are clamped to 0..1; colours outside BT.2020 have negative components.
    """
    return eotf_pq(np.asarray(ictcp, np.float64) @ ICTCP_TO_LMS.T) @ LMS_TO_RGB2020.T


def delta_e_itp(light_a: ArrayLike, light_b: ArrayLike) -> FloatArray:
    """Colour difference ΔE_ITP (BT.2124-0) of two BT.2020 display lights (..., 3) in cd/m2.

    Returns
    -------
    ndarray
        Shape (...), without unit; 1 is about one just noticeable difference in the most
        critical adaptation state.
    """
    difference = rgb2020_to_ictcp(light_a) - rgb2020_to_ictcp(light_b)
    distance: FloatArray = 720.0 * np.sqrt(np.sum((difference * (1.0, 0.5, 1.0)) ** 2, axis=-1))
    return distance
