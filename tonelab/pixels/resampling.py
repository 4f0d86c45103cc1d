"""Known resampling filters, to identify the one that a scaler used.

A filter is stretched over the output's pixels when it averages while it scales down; one that only
interpolates is not. Both kinds are met, so both are kept.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np
from scipy import sparse

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from tonelab.signal.arrays import FloatArray, Mask

    Shape: TypeAlias = Callable[[FloatArray], FloatArray]


_KNOTS = 8  # pixels; beyond, the spline through samples is less than a thousandth


@dataclass(frozen=True, slots=True)
class Kernel:
    """A filter as a function of distance in pixels, zero beyond ``reach``.

    ``averages`` says that it widens with the step between output pixels when scaling down.
    """

    label: str
    shape: Shape
    reach: float
    averages: bool


def _box(t: FloatArray) -> FloatArray:
    # Half open, so that a pixel in the middle between two belongs to one of them.
    return ((t > -0.5) & (t <= 0.5)).astype(np.float64)


def _triangle(t: FloatArray) -> FloatArray:
    triangle: FloatArray = np.maximum(1 - np.abs(t), 0.0)
    return triangle


def _cubic(b: float, c: float) -> Shape:
    """Return the two-parameter cubic of Mitchell and Netravali (1988)."""

    def shape(t: FloatArray) -> FloatArray:
        x = np.abs(t)
        near = (12 - 9 * b - 6 * c) * x**3 + (-18 + 12 * b + 6 * c) * x**2 + 6 - 2 * b
        far = (-b - 6 * c) * x**3 + (6 * b + 30 * c) * x**2 + (-12 * b - 48 * c) * x
        far += 8 * b + 24 * c
        return np.where(x < 1, near, np.where(x < 2, far, 0.0)) / 6

    return shape


def _lanczos(lobes: int) -> Shape:
    return lambda t: np.where(np.abs(t) < lobes, np.sinc(t) * np.sinc(t / lobes), 0.0)


def _cardinal(t: FloatArray) -> FloatArray:
    """Return the cubic spline through samples, of B-splines by their prefilter (Unser 1999)."""
    spline, pole = _cubic(1.0, 0.0), np.sqrt(3) - 2
    knots = np.arange(-_KNOTS, _KNOTS + 1)
    weights = -6 * pole / (1 - pole**2) * pole ** np.abs(knots)
    through: FloatArray = sum(
        weight * spline(t - knot) for weight, knot in zip(weights, knots, strict=True)
    )
    return through


_SHAPES: dict[str, tuple[str, Shape, float]] = {
    "box": ("nearest pixel", _box, 0.5),
    "bilinear": ("bilinear", _triangle, 1.0),
    "bicubic-0.5": ("bicubic, sharpness 0.5", _cubic(0.0, 0.5), 2.0),
    "bicubic-0.6": ("bicubic, sharpness 0.6", _cubic(0.0, 0.6), 2.0),
    "bicubic-0.75": ("bicubic, sharpness 0.75", _cubic(0.0, 0.75), 2.0),
    "mitchell": ("bicubic of Mitchell and Netravali", _cubic(1 / 3, 1 / 3), 2.0),
    "b-spline": ("cubic B-spline, smoothing", _cubic(1.0, 0.0), 2.0),
    "spline": ("cubic spline through samples", _cardinal, _KNOTS + 0.0),
    "lanczos-2": ("Lanczos with two lobes", _lanczos(2), 2.0),
    "lanczos-3": ("Lanczos with three lobes", _lanczos(3), 3.0),
    "lanczos-4": ("Lanczos with four lobes", _lanczos(4), 4.0),
}

KERNELS: dict[str, Kernel] = {
    **{name: Kernel(label, shape, reach, False) for name, (label, shape, reach) in _SHAPES.items()},
    **{
        f"{name}-averaging": Kernel(f"{label}, averaging", shape, reach, True)
        for name, (label, shape, reach) in _SHAPES.items()
    },
    "box-averaging": Kernel("mean over the area of a pixel", _box, 0.5, True),
}


def resample(
    source: NDArray[Any],
    size: tuple[int, ...],
    scale: tuple[float, float],
    offset: tuple[float, float],
    kernel: Kernel,
    step: int = 1,
) -> tuple[FloatArray, Mask]:
    """Resample a plane with a kernel.

    Parameters
    ----------
    source
        Shape (H, W).
    size
        (rows, columns) of the result.
    scale, offset
        Result pixel = scale * source pixel + offset, as (x, y), positions continuous.
    kernel
        The filter.
    step
        Make one row of the result in so many.

    Returns
    -------
    plane
        The rows of the wanted size, real-valued.
    inside
        Which of its pixels rest on source pixels alone.
    """
    (down, across), inside = directions(source.shape, size, scale, offset, kernel)
    plane: FloatArray = down[::step] @ np.asarray(source, np.float64) @ across.T
    return plane, inside[::step]


def directions(
    shape: tuple[int, ...],
    size: tuple[int, ...],
    scale: tuple[float, float],
    offset: tuple[float, float],
    kernel: Kernel,
) -> tuple[tuple[sparse.csr_array, sparse.csr_array], Mask]:
    """Weights of `resample` by rows (rows, H) and columns (columns, W), and its ``inside``."""
    across, inside_x = _weights(shape[1], size[1], scale[0], offset[0], kernel)
    down, inside_y = _weights(shape[0], size[0], scale[1], offset[1], kernel)
    return (down, across), inside_y[:, None] & inside_x


def response(kernel: Kernel, offset: float, frequency: FloatArray) -> FloatArray:
    """Gain of waves, in cycles per sample, in a picture that is moved without being scaled.

    Parameters
    ----------
    kernel
        The filter.
    offset
        Shift, samples; its whole part does not matter.
    frequency
        Any shape, cycles per sample.

    Returns
    -------
    ndarray
        Shape of ``frequency``; 1 at frequency 0.
    """
    taps = np.arange(-int(kernel.reach) - 1, int(kernel.reach) + 2)
    weights = kernel.shape(np.asarray(taps + offset % 1, np.float64))
    waves = weights * np.exp(2j * np.pi * np.asarray(frequency)[..., None] * taps)
    gain: FloatArray = np.abs(waves.sum(axis=-1)) / weights.sum()
    return gain


@lru_cache(maxsize=128)  # both directions of all kernels, of luma and chroma, by the frame
def _weights(
    length: int, size: int, scale: float, offset: float, kernel: Kernel
) -> tuple[sparse.csr_array, Mask]:
    """Return the matrix (size, length) of one direction, and which rows lie within."""
    width = max(1.0, 1 / scale) if kernel.averages else 1.0
    centre = (np.arange(size) + 0.5 - offset) / scale
    first = np.floor(centre - kernel.reach * width - 0.5).astype(np.int64)
    taps = first[:, None] + np.arange(int(np.ceil(2 * kernel.reach * width)) + 2)
    # Rounding must not decide which of two equally near pixels is taken.
    distance = np.round((taps + 0.5 - centre[:, None]) / width, 9)
    weight = kernel.shape(distance)
    weight /= weight.sum(axis=1, keepdims=True)
    used = weight != 0
    within = (taps >= 0) & (taps < length)
    inside: Mask = (within | ~used).all(axis=1)
    rows = np.broadcast_to(np.arange(size)[:, None], taps.shape)
    kept = used & within
    matrix = sparse.csr_array((weight[kept], (rows[kept], taps[kept])), shape=(size, length))
    return matrix, inside
