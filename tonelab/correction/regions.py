"""Where a correction must not be trusted: counted by node and listed by region of colour."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from collections.abc import Mapping

    from numpy.typing import NDArray

    from tonelab.signal.quantisation import FloatArray

AMPLIFIED = "amplified more than 4 times"
HUES = ("red", "yellow", "green", "cyan", "blue", "magenta")
LEVELS = ("dark", "middle", "bright")
GREY = 0.1  # spread of R'G'B' over the largest, below which a colour has no hue
_TURNS = 12


@dataclass(frozen=True, slots=True)
class Doubt:
    """A region of input colours, and how many of its ``nodes`` are doubtful for one reason."""

    reason: str
    region: str
    count: int
    nodes: int


def doubts(masks: Mapping[str, NDArray[np.bool_]], signal: FloatArray) -> tuple[Doubt, ...]:
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
    square = np.einsum("nki,nkj->nij", slope, slope)
    direction = np.tile([0.59, 0.56, 0.58], (len(square), 1))  # along no axis of symmetry
    largest = np.zeros(len(square))
    for _ in range(_TURNS):
        direction = np.einsum("nij,nj->ni", square, direction)
        largest = np.linalg.norm(direction, axis=1)
        direction /= np.maximum(largest, 1e-30)[:, None]
    return np.sqrt(largest)


def _regions(signal: FloatArray) -> NDArray[np.int64]:
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
    region: NDArray[np.int64] = level * (len(HUES) + 1) + sector
    return region
