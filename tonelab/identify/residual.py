"""What a chain leaves, as a smooth lattice over source colour; for corrections only.

It says nothing about how a device works: it is the last step from a chain that nearly explains a
capture to a table that reproduces it.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import sparse
from scipy.sparse.linalg import cg

from tonelab.identify.evidence import Evidence, rms
from tonelab.signal.transfer import eotf_inverse_pq

if TYPE_CHECKING:
    from tonelab.conversion import Conversion
    from tonelab.signal.arrays import FloatArray, Mask

STRENGTHS = tuple(float(s) for s in np.geomspace(1e-3, 1e3, 7))
# Relative to the penalty on bends: slopes and values are held just enough to fade out where
# nothing was seen.
SLOPE, VALUE = 1e-2, 1e-4
EARNED = 0.97  # of what no lattice leaves on unseen colours; less is not worth a table
COVERED = 0.25  # colours' worth of weight that makes a node known by itself


@dataclass(frozen=True, slots=True, eq=False)
class ResidualLattice:
    """Codes to add to what a chain predicts, on a regular lattice of source colours.

    Attributes
    ----------
    low, high
        (3,): the box of source signals that the lattice spans.
    values
        (n, n, n, 3): codes to add, by R', G', B' of the source.
    support
        (n, n, n): colours' worth of evidence at each node; 0 where nothing was seen.
    before, after
        RMS codes on unseen colours without and with the lattice; equal where no lattice earned
        its place, and then ``values`` are 0.
    """

    low: FloatArray
    high: FloatArray
    values: FloatArray
    support: FloatArray
    before: float
    after: float

    @property
    def covered(self) -> Mask:
        """(n, n, n): whether a node rests on colours seen around it and not on its neighbours."""
        return self.support >= COVERED

    def __call__(self, signal: FloatArray) -> FloatArray:
        """Codes (N, 3) to add for source signals (N, 3), by trilinear interpolation.

        Colours outside the box take the value of its nearest face.
        """
        size = len(self.values)
        weights = trilinear_weights(signal, self.low, self.high, size)
        return np.asarray(weights @ self.values.reshape(-1, 3), np.float64)

    def coverage(self, signal: FloatArray) -> FloatArray:
        """Share 0..1 of covered nodes around each colour (N, 3), 0 outside the box."""
        weights = trilinear_weights(signal, self.low, self.high, len(self.values))
        inside = np.all((signal >= self.low - 1e-9) & (signal <= self.high + 1e-9), axis=1)
        share = np.asarray(weights @ self.covered.ravel().astype(np.float64), np.float64)
        return np.where(inside, share, 0.0)


def residual_lattice(evidence: Evidence, chain: Conversion, *, size: int = 17) -> ResidualLattice:
    """Fit what ``chain`` leaves of the evidence, over PQ signals of the source's R, G and B.

    Parameters
    ----------
    evidence, chain
        As in `tonelab.identify.Identification`.
    size
        Nodes along each component.

    Returns
    -------
    ResidualLattice
        Takes ``eotf_inverse_pq(light)`` of linear BT.2020 light in cd/m2, gives capture codes.
    """
    left = -evidence.residual(chain)
    return fit_residual(eotf_inverse_pq(evidence.light), left, evidence.held_out, size=size)


def fit_residual(
    signal: FloatArray, left: FloatArray, held_out: Mask, *, size: int = 17
) -> ResidualLattice:
    """Fit a lattice to scattered residuals, through its own interpolation.

    Bends are penalised as strongly as unseen colours bear; then all colours are used.

    Parameters
    ----------
    signal
        (N, 3): source signals, of any coding in which the conversion is smooth.
    left
        (N, 3): measured minus predicted codes.
    held_out
        (N,): colours that choose the strength of the penalty.
    size
        Nodes along each component.

    Returns
    -------
    ResidualLattice
        All zeros when no lattice leaves less than 0.97 of the residual on unseen colours.
    """
    low, high = signal.min(axis=0), signal.max(axis=0)
    high = np.maximum(high, low + 1e-6)
    weights = trilinear_weights(signal, low, high, size)
    bends = _penalty(size)
    before = rms(left[held_out])
    values = np.zeros((size**3, 3))
    best, strength = EARNED * before, None
    last = np.inf
    for trial in STRENGTHS:
        values = _solve(weights[~held_out], left[~held_out], trial * bends, values)
        after = rms(left[held_out] - weights[held_out] @ values)
        if after < best:
            best, strength = after, trial
        elif strength is not None and after > last:
            break
        last = after
    if strength is None:
        values, best = np.zeros_like(values), before
    else:
        values = _solve(weights, left, strength * bends, values)
    shape = (size, size, size)
    support = np.asarray(weights.sum(axis=0), np.float64).reshape(shape)
    seen = values[support.ravel() >= COVERED]
    if len(seen):  # Nodes that continue a slope into the unknown must not run away.
        values = np.clip(values, seen.min(axis=0), seen.max(axis=0))
    return ResidualLattice(low, high, values.reshape(*shape, 3), support, before, best)


def trilinear_weights(
    signal: FloatArray, low: FloatArray, high: FloatArray, size: int
) -> sparse.csr_array:
    """Weights (N, size^3) of the lattice nodes in trilinear interpolation at ``signal`` (N, 3)."""
    place = np.clip((signal - low) / (high - low), 0.0, 1.0) * (size - 1)
    first = np.minimum(place.astype(np.int64), size - 2)
    part = place - first
    rows = np.arange(len(signal))
    columns, entries = [], []
    for corner in np.ndindex(2, 2, 2):
        node = first + corner
        columns.append((node[:, 0] * size + node[:, 1]) * size + node[:, 2])
        entries.append(np.prod(np.where(corner, part, 1 - part), axis=1))
    table = (np.concatenate(entries), (np.tile(rows, 8), np.concatenate(columns)))
    return sparse.csr_array(table, shape=(len(signal), size**3))


def _penalty(size: int) -> sparse.csr_array:
    """Quadratic form (size^3, size^3) of bends, with a little of slopes and of values."""
    one: Any = sparse.eye_array(size)
    bend = sparse.diags_array([1.0, -2.0, 1.0], offsets=[0, 1, 2], shape=(size - 2, size))
    slope = sparse.diags_array([-1.0, 1.0], offsets=[0, 1], shape=(size - 1, size))
    line: Any = bend.T @ bend + SLOPE * (slope.T @ slope)
    total: Any = VALUE * sparse.eye_array(size**3)
    for axis in range(3):
        factors = [line if axis == n else one for n in range(3)]
        total = total + sparse.kron(sparse.kron(factors[0], factors[1]), factors[2])
    return sparse.csr_array(total)


def _solve(
    weights: sparse.csr_array, left: FloatArray, penalty: sparse.csr_array, start: FloatArray
) -> FloatArray:
    """Minimise |weights x - left|^2 + x penalty x, each column on its own."""
    form = sparse.csr_array(weights.T @ weights + penalty)
    calm = sparse.diags_array(1 / form.diagonal())
    wanted = weights.T @ left
    columns = [
        cg(form, wanted[:, n], x0=start[:, n], rtol=1e-5, maxiter=2000, M=calm)[0]
        for n in range(left.shape[1])
    ]
    return np.stack(columns, axis=1)
