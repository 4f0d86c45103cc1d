"""What a chart's lattice is too coarse to show, from the colours between its nodes.

A chart shows most of them near the greys, where pictures live, and a second chart where the device
bends.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import cg

from tonelab.identify.residual import trilinear_weights

if TYPE_CHECKING:
    from tonelab.signal.arrays import FloatArray


# Penalties on bends and on values, relative to one colour: the values fade out beyond the colours.
BEND, VALUE = 0.02, 0.01


def refine(signal: FloatArray, left: FloatArray, top: float, size: int) -> FloatArray:
    """Fit what is left on a fine lattice, through its trilinear interpolation.

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
        (size, size, size, 3): what to add; it fades to 0 away from the colours.
    """
    weights = trilinear_weights(signal, np.zeros(3), np.full(3, top), size)
    form: Any = weights.T @ weights + BEND * _bends(size) + VALUE * sparse.eye_array(size**3)
    calm = sparse.diags_array(1 / form.diagonal())
    wanted = weights.T @ left
    values = np.zeros((size**3, 3))
    for n in range(3):
        values[:, n], _ = cg(form, wanted[:, n], rtol=1e-3, maxiter=100, M=calm)
    return values.reshape(size, size, size, 3)


def _bends(size: int) -> Any:
    """Quadratic form (size^3, size^3) of second differences along the three axes."""
    one: Any = sparse.eye_array(size)
    bend: Any = sparse.diags_array([1.0, -2.0, 1.0], offsets=[0, 1, 2], shape=(size - 2, size))
    total: Any = 0
    for axis in range(3):
        first, second, third = (bend.T @ bend if axis == n else one for n in range(3))
        total = total + sparse.kron(sparse.kron(first, second), third)
    return sparse.csr_array(total)
