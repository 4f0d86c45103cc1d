"""What a chart's lattice is too coarse to show, from the colours between its nodes.

Pictures live near the greys, where the chart shows most colours between the nodes of its lattice.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import cg

from tonelab.correction.table import lattice
from tonelab.identify.residual import trilinear_weights

if TYPE_CHECKING:
    from tonelab.signal.arrays import FloatArray, IntArray


AROUND = 12  # steps of the fine lattice by which R', G' and B' may differ
# Penalties on bends and on values, relative to one colour: the values fade out beyond the colours.
BEND, VALUE = 0.02, 0.01


def refine(signal: FloatArray, left: FloatArray, top: float, size: int) -> FloatArray:
    """Fit what is left near the greys on a fine lattice, through its trilinear interpolation.

    Parameters
    ----------
    signal
        (N, 3): source signals.
    left
        (N, 3): what is to be added there.
    top
        Signal at the last node.
    size
        Nodes along each component.

    Returns
    -------
    FloatArray
        (size, size, size, 3): what to add; 0 away from the greys.
    """
    step = top / (size - 1)
    near = np.flatnonzero(np.ptp(lattice(0.0, top, size), axis=1) <= AROUND * step)
    inside = np.ptp(signal, axis=1) <= (AROUND - 1) * step
    weights = trilinear_weights(signal[inside], np.zeros(3), np.full(3, top), size)[:, near]
    form: Any = (
        weights.T @ weights + BEND * _bends(near, size) + VALUE * sparse.eye_array(len(near))
    )
    calm = sparse.diags_array(1 / form.diagonal())
    wanted = weights.T @ left[inside]
    values = np.zeros((size**3, 3))
    for n in range(3):
        values[near, n], _ = cg(form, wanted[:, n], rtol=1e-3, maxiter=100, M=calm)
    return values.reshape(size, size, size, 3)


def _bends(near: IntArray, size: int) -> Any:
    """Quadratic form of second differences; nodes that are not ``near`` are 0."""
    column = np.full(size**3, -1)
    column[near] = np.arange(len(near))
    total: Any = 0
    for stride, place in zip(
        (size * size, size, 1), np.unravel_index(near, (size,) * 3), strict=True
    ):
        first = near[place < size - 2]
        form: Any = 0
        for at, weight in enumerate((1.0, -2.0, 1.0)):
            found = column[first + at * stride]
            rows = np.flatnonzero(found >= 0)
            entries = (np.full(len(rows), weight), (rows, found[rows]))
            form = form + sparse.csr_array(entries, shape=(len(first), len(near)))
        total = total + form.T @ form
    return total
