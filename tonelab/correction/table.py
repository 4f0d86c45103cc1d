"""A regular lattice of colours with its domain, read by tetrahedral or trilinear interpolation."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Literal, TypeAlias

import numpy as np
from scipy import sparse

from tonelab.correction.kernels import read_tetrahedral, read_trilinear

if TYPE_CHECKING:
    from tonelab.signal.arrays import FloatArray

Interpolation: TypeAlias = Literal["tetrahedral", "trilinear"]
READERS: tuple[Interpolation, ...] = ("tetrahedral", "trilinear")
SIZES = (17, 33, 65)
_ROUNDS = 3  # of conjugate gradients; more changes nothing that can be seen


@dataclass(frozen=True, slots=True, eq=False)
class LookTable:
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

    def read(self, numbers: FloatArray, reader: Interpolation) -> FloatArray:
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


def interpolate(values: FloatArray, place: FloatArray, reader: Interpolation) -> FloatArray:
    """Values (N, k) at positions (N, 3) among the nodes of ``values`` (n, n, n, k)."""
    read = {"trilinear": read_trilinear, "tetrahedral": read_tetrahedral}[reader]
    result = np.empty((len(place), values.shape[-1]))
    read(np.ascontiguousarray(values, np.float64), place, result)
    return result


def thin(fine: FloatArray) -> FloatArray:
    """Values at every other node that read tetrahedrally as near as can be to all of them.

    Parameters
    ----------
    fine
        (2n - 1, 2n - 1, 2n - 1, k).

    Returns
    -------
    FloatArray
        (n, n, n, k), nearest in the mean square by conjugate gradients from ``fine`` itself.
    """
    size = (len(fine) + 1) // 2
    values = fine[::2, ::2, ::2].reshape(size**3, -1).copy()
    reading = _reading_between(size)
    left = reading.T @ (fine.reshape(-1, values.shape[1]) - reading @ values)
    move, square = left, (left**2).sum(axis=0)
    for _ in range(_ROUNDS):
        turned = reading.T @ (reading @ move)
        length = square / np.maximum((move * turned).sum(axis=0), 1e-300)
        values += length * move
        left = left - length * turned
        before, square = square, (left**2).sum(axis=0)
        move = left + square / np.maximum(before, 1e-300) * move
    return values.reshape(size, size, size, -1)


def _reading_between(size: int) -> Any:
    """Weights ((2n - 1)^3, n^3) of nodes at all places half way between, read tetrahedrally."""
    place = np.indices((2 * size - 1,) * 3).reshape(3, -1).T
    strides = np.array([size * size, size, 1])
    ends = np.stack([place // 2 @ strides, (place + 1) // 2 @ strides], axis=1)
    entries = (np.full(ends.size, 0.5), ends.ravel(), np.arange(0, ends.size + 1, 2))
    return sparse.csr_array(entries, shape=(len(place), size**3))
