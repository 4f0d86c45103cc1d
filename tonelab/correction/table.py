"""A regular lattice of colours with its domain, read by tetrahedral or trilinear interpolation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Literal, TypeAlias

import numpy as np

from tonelab.correction.kernels import read_trilinear

if TYPE_CHECKING:
    from tonelab.signal.quantisation import FloatArray

Reader: TypeAlias = Literal["tetrahedral", "trilinear"]
READERS: tuple[Reader, ...] = ("tetrahedral", "trilinear")
SIZES = (17, 33, 65)


@dataclass(frozen=True, slots=True, eq=False)
class Table:
    """A 3D table over the numbers of a file.

    Attributes
    ----------
    low, high
        Numbers of the input, the same for red, green and blue, at the first and the last node;
        inputs beyond them are taken as them.
    values
        (n, n, n, 3): numbers of the output, by red, green and blue of the input.
    """

    low: float
    high: float
    values: FloatArray

    @property
    def size(self) -> int:
        """Nodes along each component."""
        return len(self.values)

    def nodes(self) -> FloatArray:
        """Input numbers (n^3, 3) of the nodes, blue fastest."""
        return lattice(self.low, self.high, self.size)

    def read(self, numbers: FloatArray, reader: Reader) -> FloatArray:
        """Output numbers (N, 3) of input numbers (N, 3)."""
        return interpolate(self.values, self.place(numbers), reader)

    def place(self, numbers: FloatArray) -> FloatArray:
        """Position (N, 3) among the nodes, 0..n-1, of input numbers (N, 3)."""
        share = (np.asarray(numbers, np.float64) - self.low) / (self.high - self.low)
        return np.clip(share, 0.0, 1.0) * (self.size - 1)


def lattice(low: float, high: float, size: int) -> FloatArray:
    """Colours (size^3, 3) of an even cube, blue fastest."""
    axis = np.linspace(low, high, size)
    return np.stack(np.meshgrid(axis, axis, axis, indexing="ij"), axis=-1).reshape(-1, 3)


def interpolate(values: FloatArray, place: FloatArray, reader: Reader) -> FloatArray:
    """Values (N, k) at positions (N, 3) among the nodes of ``values`` (n, n, n, k)."""
    if reader == "trilinear":
        result = np.empty((len(place), values.shape[-1]))
        read_trilinear(np.ascontiguousarray(values, np.float64), place, result)
        return result
    size = len(values)
    first = np.minimum(place.astype(np.int64), size - 2)
    strides = np.array([size * size, size, 1])
    return _tetrahedral(
        values.reshape(-1, values.shape[-1]), first @ strides, place - first, strides
    )


def _tetrahedral(
    flat: FloatArray, base: FloatArray, part: FloatArray, strides: FloatArray
) -> FloatArray:
    """Walk from the lowest to the highest corner, along the largest part first."""
    order = np.argsort(-part, axis=1, kind="stable")
    sorted_part = np.take_along_axis(part, order, axis=1)
    corner = base
    result: FloatArray = (1 - sorted_part[:, :1]) * flat[corner]
    following = np.concatenate([sorted_part[:, 1:], np.zeros((len(part), 1))], axis=1)
    for step in range(3):
        corner = corner + strides[order[:, step]]
        result += (sorted_part[:, step] - following[:, step])[:, None] * flat[corner]
    return result
