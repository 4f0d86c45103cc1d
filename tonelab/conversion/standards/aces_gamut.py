"""ACES reference gamut compression 1.3: distance compression, and its form refitted to BT.709."""

from typing import Annotated

import numpy as np

from tonelab.conversion.gamut import GAMUT_METHODS, TO_709
from tonelab.conversion.parameters import Param
from tonelab.signal.arrays import FloatArray

# Cyan, magenta, yellow: the distances of R, G and B from the largest component.
ACES_LIMITS = (1.147, 1.264, 1.312)
ACES_THRESHOLDS = (0.815, 0.803, 0.880)
ACES_POWER = 1.2


def _farthest() -> tuple[float, float, float]:
    """Largest distances of BT.2020 colours in BT.709, reached at corners of the gamut."""
    corners = (
        np.array([[1, 0, 0], [1, 1, 0], [0, 1, 0], [0, 1, 1], [0, 0, 1], [1, 0, 1]]) @ TO_709.T
    )
    largest = corners.max(axis=1, keepdims=True)
    cyan, magenta, yellow = ((largest - corners) / largest).max(axis=0)
    return float(cyan), float(magenta), float(yellow)


_CYAN, _MAGENTA, _YELLOW = _farthest()


def _scales(limits: FloatArray, thresholds: FloatArray, power: float) -> FloatArray:
    room = ((1 - thresholds) / (limits - thresholds)) ** -power - 1
    scales: FloatArray = (limits - thresholds) / room ** (1 / power)
    return scales


def compress(
    light: FloatArray, limits: FloatArray, thresholds: FloatArray, power: float
) -> FloatArray:
    """Compress distances from the largest component (Academy S-2020-001 form).

    Parameters
    ----------
    light
        Shape (N, 3), linear RGB; negative components are what is compressed.
    limits, thresholds
        Shape (3,), distances that land on 1, and below which nothing changes.
    power
        Sharpness of the knee.
    """
    largest: FloatArray = light.max(axis=1, keepdims=True)
    size = np.where(largest == 0, 1.0, np.abs(largest))
    distance = np.where(largest == 0, 0.0, (largest - light) / size)
    scales = _scales(limits, thresholds, power)
    n = np.maximum(distance - thresholds, 0.0) / scales
    compressed = thresholds + scales * n / (1 + n**power) ** (1 / power)
    kept: FloatArray = np.where(distance < thresholds, distance, compressed)
    return largest - kept * np.abs(largest)


def expand(
    light: FloatArray, limits: FloatArray, thresholds: FloatArray, power: float
) -> FloatArray:
    """Undo `compress`, shapes as there; exact where it does not saturate."""
    largest: FloatArray = light.max(axis=1, keepdims=True)
    size = np.where(largest == 0, 1.0, np.abs(largest))
    distance = np.where(largest == 0, 0.0, (largest - light) / size)
    scales = _scales(limits, thresholds, power)
    n = np.clip((distance - thresholds) / scales, 0.0, 1 - 1e-15) ** power
    expanded = thresholds + scales * (n / (1 - n)) ** (1 / power)
    restored: FloatArray = np.where(distance < thresholds, distance, expanded)
    return largest - restored * np.abs(largest)


_THRESHOLD = Param(0.5, 0.99, "", "distance below which nothing changes")
_LIMIT = Param(1.005, 2, "", "distance that lands on the BT.709 boundary")


@GAMUT_METHODS.register(
    "distance-compression",
    label="distance compression",
    source="ACES 1.3 reference gamut compression (Academy S-2020-001), limits those of BT.2020",
)
def distance_compression(
    light: FloatArray,
    *,
    threshold: Annotated[float, _THRESHOLD] = 0.8,
    limit_cyan: Annotated[float, _LIMIT] = _CYAN,
    limit_magenta: Annotated[float, _LIMIT] = _MAGENTA,
    limit_yellow: Annotated[float, _LIMIT] = _YELLOW,
    power: Annotated[float, Param(0.8, 4, "", "sharpness of the knee, 1.2 in ACES")] = ACES_POWER,
) -> FloatArray:
    """Compress after the matrix, then clamp what little is left below 0."""
    limits = np.array([limit_cyan, limit_magenta, limit_yellow])
    return np.maximum(compress(light, limits, np.full(3, threshold), power), 0.0)
