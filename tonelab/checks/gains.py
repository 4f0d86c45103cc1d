"""Least squares filters from sums over pixels, and what they do to detail.

The filter that carries the source's samples to the capture's is the least squares solution of the
sums in `tonelab.pixels.filters`; its reach is seven luma and five chroma samples.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from tonelab.pixels.picking import CHROMA_REACH, LUMA_REACH

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.pixels.tables import PixelTables
    from tonelab.signal.arrays import FloatArray, IntArray

BANDS = (0.06, 0.12, 0.2, 0.3, 0.4)  # cycles per luma sample
LEAST_SAMPLES = 2_000
LEAST_BOUND = 0.01  # of gains and places
_KEPT = 0.03  # departure from 1 of gains that a bent curve may cause
_ROUNDING = 1 / 12  # squared codes


def keeps_detail(paths: PixelTables | None) -> bool:
    """Whether there is detail enough, faint or strong, and all of it is kept."""
    seen = [] if paths is None else [g for g in paths.luma_gram if g[-2, -2] >= LEAST_SAMPLES]
    kept = (np.abs(band_gains(luma_kernel(gram)) - 1).max() < _KEPT for gram in seen)
    return bool(seen) and all(kept)


def luma_kernel(gram: IntArray) -> FloatArray:
    """Least squares filter, (7, 7), rows of the picture first."""
    size = (2 * LUMA_REACH + 1) ** 2
    weights = _solve(gram[: size + 1, : size + 1], gram[: size + 1, size + 1])
    return weights[:size].reshape(2 * LUMA_REACH + 1, -1)


def chroma_kernel(gram: IntArray, block: FloatArray) -> FloatArray:
    """Least squares filter, (5, 5), that with the colour map ``block`` (2, 2) makes the capture."""
    size = (2 * CHROMA_REACH + 1) ** 2
    system, right = np.zeros((size + 2, size + 2)), np.zeros(size + 2)
    moments = gram.astype(np.float64)
    for target in range(2):
        carry = np.zeros((2 * size + 1, size + 2))
        carry[:size, :size] = block[target, 0] * np.eye(size)
        carry[size : 2 * size, :size] = block[target, 1] * np.eye(size)
        carry[2 * size, size + target] = 1.0
        inner = moments[: 2 * size + 1, : 2 * size + 1]
        system[:] += carry.T @ inner @ carry
        right[:] += carry.T @ moments[: 2 * size + 1, 2 * size + 1 + target]
    return _solve(system, right)[:size].reshape(2 * CHROMA_REACH + 1, -1)


def _solve(system: NDArray[Any], right: NDArray[Any], share: float = 1e-9) -> FloatArray:
    matrix = np.asarray(system, np.float64)
    # A trace of a ridge keeps patterns without some frequency from leaving a filter undefined.
    ridge = share * np.trace(matrix) / len(matrix) * np.eye(len(matrix))
    return np.asarray(np.linalg.solve(matrix + ridge, np.asarray(right, np.float64)), np.float64)


def centroid(kernel: FloatArray) -> tuple[float, float]:
    """Centre of gravity (x, y) of a filter, in samples from its middle."""
    reach = len(kernel) // 2
    along = np.arange(-reach, reach + 1)
    total = float(kernel.sum())
    return float(kernel.sum(axis=0) @ along) / total, float(kernel.sum(axis=1) @ along) / total


def band_gains(kernel: FloatArray) -> FloatArray:
    """Mean gain over directions of a kernel (K, K) at each of `BANDS`, relative to flat areas."""
    reach = len(kernel) // 2
    gains = [np.abs((kernel * waves(reach, band)).sum(axis=(1, 2))).mean() for band in BANDS]
    return np.array(gains) / float(kernel.sum())


def waves(reach: int, band: float) -> NDArray[np.complex128]:
    """Waves in 16 directions over a filter's samples, shape (16, 2 reach + 1, 2 reach + 1).

    ``band`` is in cycles per sample.
    """
    y, x = np.mgrid[-reach : reach + 1, -reach : reach + 1]
    angle = np.arange(16)[:, None, None] * np.pi / 16
    waves: NDArray[np.complex128] = np.exp(
        -2j * np.pi * band * (x * np.cos(angle) + y * np.sin(angle))
    )
    return waves


def half_widths(gram: IntArray, kernel: FloatArray, functions: FloatArray) -> FloatArray:
    """95 % half widths of weighted means of a filter, from what it leaves of the capture.

    ``functions``, shape (K, 7, 7), are the weights less the mean itself. Neighbouring samples err
    together, so that the usual half width is taken twice.
    """
    size = kernel.size
    system = np.asarray(gram[: size + 1, : size + 1], np.float64)
    target = np.asarray(gram[: size + 2, size + 1], np.float64)
    weights = _solve(system, target[: size + 1])
    left = float(target[-1] - weights @ target[: size + 1]) / float(gram[size, size])
    rest = max(left, _ROUNDING)
    rows = np.column_stack([functions.reshape(len(functions), -1), np.zeros(len(functions))])
    # Patterns without some frequency leave its gain open, which a large ridge would hide.
    spread = np.einsum("kn,nk->k", rows, _solve(system, rows.T, 1e-12))
    widths: FloatArray = 4 * np.sqrt(rest * np.maximum(spread, 0)) / abs(float(kernel.sum()))
    return np.maximum(widths, LEAST_BOUND)
