"""Where a correction must not be trusted: counted by node and listed by region of colour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from tonelab.signal.arrays import FloatArray, IntArray, Mask


AMPLIFIED = "amplified more than 4 times"
HUES = ("red", "yellow", "green", "cyan", "blue", "magenta")
LEVELS = ("dark", "middle", "bright")
GREY = 0.1  # spread of R'G'B' over the largest, below which a colour has no hue


@dataclass(frozen=True, slots=True)
class Doubt:
    """A region of input colours, and how many of its ``nodes`` are doubtful for one reason."""

    reason: str
    region: str
    count: int
    nodes: int


def doubts(masks: Mapping[str, Mask], signal: FloatArray) -> tuple[Doubt, ...]:
    """List doubtful nodes by hue and level of their input signals (N, 3)."""
    region = _regions(signal)
    names = [f"{level} {hue}" for level in LEVELS for hue in (*HUES, "grey")]
    nodes = np.bincount(region, minlength=len(names))
    found = [
        Doubt(reason, names[index], int(count), int(nodes[index]))
        for reason, mask in masks.items()
        for index, count in enumerate(np.bincount(region[mask], minlength=len(names)))
        if count
    ]
    return tuple(sorted(found, key=lambda doubt: -doubt.count))


def gain(shown: FloatArray, signal: FloatArray, size: int) -> FloatArray:
    """Largest change (N,) of output signal per change of input signal at lattice nodes."""
    steps = (signal[-1] - signal[0]) / (size - 1)
    values = shown.reshape(size, size, size, 3)
    slope = np.stack(np.gradient(values, *steps, axis=(0, 1, 2)), axis=-1).reshape(-1, 3, 3)
    square = slope.transpose(0, 2, 1) @ slope
    return np.sqrt(_largest_eigenvalue(square))


def _largest_eigenvalue(matrix: FloatArray) -> FloatArray:
    """Largest eigenvalue (N,) of symmetric matrices (N, 3, 3), by Cardano's formula."""
    a, b, c = matrix[:, 0, 0], matrix[:, 1, 1], matrix[:, 2, 2]
    d, e, f = matrix[:, 0, 1], matrix[:, 1, 2], matrix[:, 0, 2]
    mean = (a + b + c) / 3
    a, b, c = a - mean, b - mean, c - mean
    spread = np.sqrt((a * a + b * b + c * c + 2 * (d * d + e * e + f * f)) / 6)
    half = (a * (b * c - e * e) - d * (d * c - e * f) + f * (d * e - b * f)) / 2
    angle = np.arccos(np.clip(half / np.maximum(spread**3, 1e-300), -1, 1)) / 3
    largest: FloatArray = np.maximum(mean + 2 * spread * np.cos(angle), 0.0)
    return largest


def _regions(signal: FloatArray) -> IntArray:
    top, low = signal.max(axis=1), signal.min(axis=1)
    spread = np.maximum(top - low, 1e-12)
    red, green, blue = signal.T
    hue = np.where(
        top == red,
        (green - blue) / spread,
        np.where(top == green, 2 + (blue - red) / spread, 4 + (red - green) / spread),
    )
    sector = np.rint(hue).astype(np.int64) % 6
    sector = np.where(top - low < GREY * np.maximum(top, 1e-12), len(HUES), sector)
    share = top / max(float(top.max()), 1e-12)
    level = np.minimum((share * len(LEVELS)).astype(np.int64), len(LEVELS) - 1)
    region: IntArray = level * (len(HUES) + 1) + sector
    return region
