"""Luma of scaled pictures: what a scaler, and filters of detail before it, make of the source's."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from tonelab.tallies.picking import MIDDLE, products
from tonelab.tallies.resampling import KERNELS, resample

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.signal.quantisation import FloatArray
    from tonelab.tallies.tallies import IntArray

    Plane = NDArray[np.uint16]
    Mask = NDArray[np.bool_]
    Relation = tuple[tuple[float, float], tuple[float, float]]

BOXES = (3, 5, 9)  # samples of the source whose mean is taken off for a part of its detail
KNOWN = 1.0  # codes RMS that a scaler's filter may leave
COLUMNS = len(BOXES) + 3
FINER = 16  # parts of a code
_MOST_SAMPLES = 100_000  # of one frame
_ROUNDED = 0.5  # codes RMS that rounding, here and there, may leave
_BETTER = 0.6  # share of the rest that a filter of detail must undercut


@dataclass(frozen=True, slots=True)
class Scaling:
    """How luma was scaled.

    Attributes
    ----------
    name
        Key of `tonelab.tallies.resampling.KERNELS`.
    detail
        What was added of the source less its mean over each of `BOXES`, as shares of the picture.
    left
        RMS codes that this leaves of the capture, after a gain and an offset.
    ties
        Other kernels that leave hardly more.
    """

    name: str
    detail: tuple[float, ...]
    left: float
    ties: tuple[str, ...]


def scaling_sums(source: Plane, capture: Plane, mask: Mask, relation: Relation) -> IntArray:
    """Sum products of what each kernel predicts with what was captured, shape (K, 6, 6).

    Columns are a constant, the resampled source, its resampled detail for each of `BOXES`, and the
    capture, in sixteenths of codes.

    Parameters
    ----------
    source, capture
        Planes of luma, 10-bit codes.
    mask
        Pixels of the capture that may be used.
    relation
        Scale and offset, see `tonelab.tallies.resampling.resample`.
    """
    step = max(1, -(-capture.size // _MOST_SAMPLES)) | 1  # odd, to meet rows of either parity
    parts = _parts(source)
    sums = np.zeros((len(KERNELS), COLUMNS, COLUMNS), np.int64)
    for row, kernel in enumerate(KERNELS.values()):
        made = [resample(part, capture.shape, *relation, kernel, step) for part in parts]
        used = made[0][1] & mask[::step]
        seen = capture[::step].astype(np.float64) - MIDDLE
        whole = np.rint(FINER * np.stack([*(plane[used] for plane, _ in made), seen[used]], axis=1))
        sums[row] = products(np.column_stack([np.ones(len(whole)), whole]))
    return sums


def tell_scaling(sums: IntArray, *, slack: float = 0.0) -> Scaling:
    """Find the kernel, and the filter of detail if no kernel will do alone.

    Parameters
    ----------
    sums
        Of `scaling_sums`.
    slack
        RMS codes by which a kernel may leave more.
    """
    found = {name: _fit(part, 2) for name, part in zip(KERNELS, sums, strict=True)}
    best = min(found, key=lambda name: found[name][0])
    detail = (0.0,) * len(BOXES)
    if found[best][0] > _ROUNDED + slack:
        beside = {name: _fit(part, COLUMNS - 1) for name, part in zip(KERNELS, sums, strict=True)}
        other = min(beside, key=lambda name: beside[name][0])
        if beside[other][0] < _BETTER * found[best][0]:
            best, found = other, beside
            factors = beside[other][1]
            detail = tuple((factors[2:] / factors[1]).tolist())
    left = found[best][0]
    ties = [name for name in found if name != best and found[name][0] < left + 0.1]
    return Scaling(best, detail, left, tuple(ties))


def _fit(sums: IntArray, columns: int) -> tuple[float, FloatArray]:
    """RMS codes that the first columns leave of the last, and their factors."""
    moments = sums.astype(np.float64)
    system, right = moments[:columns, :columns], moments[:columns, -1]
    scale = np.sqrt(np.maximum(np.diag(system), 1.0))
    factors = np.linalg.lstsq(system / np.outer(scale, scale), right / scale)[0] / scale
    rest = max(float(moments[-1, -1] - factors @ right), 0.0)
    return float(np.sqrt(rest / max(moments[0, 0], 1.0))) / FINER, factors


def rescale(
    source: Plane, size: tuple[int, ...], relation: Relation, scaling: Scaling
) -> tuple[FloatArray, Plane, Mask]:
    """Show source luma as the scaler alone makes it, and rounded, with the filter of detail.

    Also return which pixels rest on source pixels alone.
    """
    kernel = KERNELS[scaling.name]
    plain, inside = resample(source.astype(np.float64) - MIDDLE, size, *relation, kernel)
    whole = plain
    if any(scaling.detail):
        for share, part in zip(scaling.detail, _parts(source)[1:], strict=True):
            whole = whole + share * resample(part, size, *relation, kernel)[0]
    filtered = np.clip(np.rint(whole + MIDDLE), 0, 1023).astype(np.uint16)
    return plain + MIDDLE, filtered, inside


def source_pixels(length: int, size: int, scale: float, offset: float) -> IntArray:
    """Pixel of the source, of ``length`` along one direction, that each captured one shows."""
    there = np.floor((np.arange(size) + 0.5 - offset) / scale).astype(np.int64)
    pixels: IntArray = np.clip(there, 0, length - 1)
    return pixels


def _parts(source: Plane) -> list[FloatArray]:
    plane = source.astype(np.float64)
    return [plane - MIDDLE, *(plane - ndimage.uniform_filter(plane, box) for box in BOXES)]
