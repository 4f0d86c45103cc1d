"""What a chain leaves at the nodes of a chart's lattice, read as a cubic spline."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy.interpolate import BSpline, NdBSpline

if TYPE_CHECKING:
    from tonelab.signal.arrays import FloatArray


@dataclass(frozen=True, slots=True, eq=False)
class Spline:
    """Cubic spline over a cube of signals 0..top, with coefficients (n, n, n, 3)."""

    knots: FloatArray
    coefficients: FloatArray
    top: float

    def __call__(self, signal: FloatArray) -> FloatArray:
        """Values (N, 3) at signals (N, 3); those beyond the cube take its nearest face."""
        spline = NdBSpline((self.knots,) * 3, self.coefficients, 3)
        return np.asarray(spline(np.clip(signal, 0.0, self.top)))

    def cube(self, axis: FloatArray) -> FloatArray:
        """Values (k^3, 3) at all signals whose components are in ``axis`` (k,), blue fastest."""
        basis: FloatArray = BSpline.design_matrix(
            np.clip(axis, 0.0, self.top), self.knots, 3
        ).toarray()
        return _by_axis(basis, self.coefficients).reshape(-1, 3)


def fit_spline(values: FloatArray, top: float, strength: float = 0.0) -> Spline:
    """Return the spline near lattice values (n, n, n, 3) over 0..top, through them at strength 0.

    Closeness is traded for fewer bends axis by axis.
    """
    size = len(values)
    axis = np.linspace(0.0, top, size)
    knots = np.concatenate([[0.0] * 4, axis[2:-2], [top] * 4])
    bend = np.diff(np.eye(size), n=2, axis=0)
    smoother = np.eye(size) + strength * bend.T @ bend
    basis: FloatArray = BSpline.design_matrix(axis, knots, 3).toarray()
    solve = np.asarray(np.linalg.inv(smoother @ basis), np.float64)
    return Spline(knots, np.ascontiguousarray(_by_axis(solve, values)), top)


def _by_axis(matrix: FloatArray, values: FloatArray) -> FloatArray:
    """Apply a matrix along each of the three axes of values (n, n, n, 3)."""
    for n in range(3):
        values = np.moveaxis(np.tensordot(matrix, values, (1, n)), 0, n)
    return values
