"""Scaled pictures: what a scaler, and filters of detail before it, make of the source's planes."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from tonelab.pairing.result import BLOCK
from tonelab.pixels.co_registration import plain_relation
from tonelab.pixels.picking import MIDDLE, integers, merge_rows, products
from tonelab.pixels.resampling import KERNELS, resample

if TYPE_CHECKING:
    from tonelab.pairing import Pair
    from tonelab.pixels.co_registration import Placement
    from tonelab.signal.arrays import FloatArray, IntArray, Mask, Plane, Planes

BOXES = (3, 5, 9)  # samples of the source whose mean is taken off for a part of its detail
KNOWN = 1.0  # codes RMS that a scaler's filter may leave, or leave to other filters
_PLAIN = 4  # columns of a scaler alone
_FILTERED = _PLAIN + len(BOXES)  # and with filters of detail
COLUMNS, CHROMA_COLUMNS = _FILTERED + 3, 5
FINER = 16  # parts of a code
CELL_SIDE = 16  # codes of a colour's cell, along each component
CELLS_ALONG = 1024 // CELL_SIDE
# Codes between which predicted luma and chroma stay where colours are compared: filters of detail,
# and the place and filter of chroma, are not known to the last.
_SMOOTH = (80, 8, 8)
_MOST_SAMPLES = 100_000  # of one frame
_ROUNDED = 0.5  # codes RMS that rounding, here and there, may leave
_ALIKE, _ALMOST = 1.3, 0.1  # times what the best leaves, and codes RMS, that others may leave
_SAME = 1e-6  # codes RMS
_BETTER = 0.6  # share of the rest that a filter of detail must undercut


@dataclass(frozen=True, slots=True)
class Scaling:
    """How luma was scaled.

    Attributes
    ----------
    name
        Key of `tonelab.pixels.resampling.KERNELS`.
    detail
        What was added of the source less its mean over each of `BOXES`, as shares of the picture.
    left
        RMS codes that this leaves of the capture, after a gain and an offset.
    filtered
        RMS codes of that which filters of detail and a shift would still take off; the rest is no
        filter's.
    ties
        Other kernels that leave hardly more.
    same
        Those of them that make the same of this picture.
    """

    name: str
    detail: tuple[float, ...]
    left: float
    filtered: float
    ties: tuple[str, ...]
    same: tuple[str, ...]


def scaling_sums(source: Plane, capture: Planes, mask: Mask, relation: Placement) -> IntArray:
    """Sum products of what each kernel predicts with what was captured, shape (K, 10, 10).

    Columns are a constant, the resampled source, the captured Cb and Cr, as another matrix carries
    them into luma, the source's resampled detail for each of `BOXES`, its slopes across and down,
    and the captured luma, in sixteenths of codes.

    Parameters
    ----------
    source
        Plane of luma, 10-bit codes.
    capture
        Its planes; luma is looked at in columns that hold chroma.
    mask
        Pixels of the capture that may be used.
    relation
        Scale and offset, see `tonelab.pixels.resampling.resample`.
    """
    luma, *chroma = capture
    down, across = (-(-a // b) for a, b in zip(luma.shape, chroma[0].shape, strict=True))
    step = max(1, -(-luma.size // _MOST_SAMPLES)) | 1  # odd, to meet rows of either parity
    rows = np.arange(0, len(luma), step)
    parts = [*_parts(source), np.gradient(source.astype(np.float64), axis=0)]
    seen = [luma[rows, ::across], *(p[rows // down] for p in chroma)]
    sums = np.zeros((len(KERNELS), COLUMNS, COLUMNS), np.int64)
    for row, kernel in enumerate(KERNELS.values()):
        made = [resample(part, luma.shape, *relation, kernel, step) for part in parts]
        used = (made[0][1] & mask[::step])[:, ::across]
        planes = [plane for plane, _ in made]
        planes.insert(-1, np.gradient(planes[0], axis=1))
        plain, *detail = (plane[:, ::across][used] for plane in planes)
        captured, *leaks = (plane[used].astype(np.float64) - MIDDLE for plane in seen)
        whole = np.rint(FINER * np.stack([plain, *leaks, *detail, captured], axis=1))
        sums[row] = products(np.column_stack([np.ones(len(whole)), whole]))
    return sums


def chroma_sums(source: Planes, capture: Planes, mask: Mask, relation: Placement) -> IntArray:
    """Sum products of what each kernel makes of chroma with what was captured, shape (K, 5, 5).

    Columns are a constant, Cb and Cr as resampled and as captured, in sixteenths of codes.

    Parameters
    ----------
    source, capture
        Planes of 10-bit codes.
    mask
        Pixels of captured luma that may be used.
    relation
        Of the planes of chroma, see `tonelab.pixels.resampling.resample`.
    """
    shape = capture[1].shape
    down, across = (-(-a // b) for a, b in zip(capture[0].shape, shape, strict=True))
    step = max(1, -(-capture[1].size // _MOST_SAMPLES)) | 1
    rows = np.arange(0, len(capture[1]), step)
    sums = np.zeros((len(KERNELS), CHROMA_COLUMNS, CHROMA_COLUMNS), np.int64)
    for row, kernel in enumerate(KERNELS.values()):
        made = [resample(p - float(MIDDLE), shape, *relation, kernel, step) for p in source[1:]]
        used = made[0][1] & mask[::down, ::across][rows]
        planes = [
            *(p[used] for p, _ in made),
            *(p[rows][used] - float(MIDDLE) for p in capture[1:]),
        ]
        whole = np.rint(FINER * np.stack(planes, axis=1))
        sums[row] = products(np.column_stack([np.ones(len(whole)), whole]))
    return sums


def identify_scaling(
    sums: IntArray, chroma: IntArray, *, slack: float = 0.0, placed: bool = True
) -> Scaling:
    """Find the kernel, and the filter of detail if no kernel will do alone.

    A scaler and a filter may leave as little as another scaler and another filter. Chroma, which
    went through the scaler alone, then decides.

    Parameters
    ----------
    sums
        Of `scaling_sums`, shape (K, 10, 10).
    chroma
        Of `chroma_sums`, shape (K, 5, 5), or zeros.
    slack
        RMS codes by which a kernel may leave more.
    placed
        Whether the place of the picture is known to a hundredth of a pixel; otherwise a small
        shift is fitted too.
    """
    shift = [] if placed else [*range(_FILTERED, COLUMNS - 1)]
    alone, filtered = [*range(_PLAIN), *shift], [*range(_FILTERED), *shift]
    found = {name: _fit(part, alone) for name, part in zip(KERNELS, sums, strict=True)}
    with_filter = {name: _fit(part, filtered) for name, part in zip(KERNELS, sums, strict=True)}
    best = min(found, key=lambda name: found[name][0])
    detail, least = (0.0,) * len(BOXES), min(left for left, _ in with_filter.values())
    if found[best][0] > _ROUNDED + slack and least < _BETTER * found[best][0]:
        found = with_filter
        by_chroma = {name: _of_chroma(part) for name, part in zip(KERNELS, chroma, strict=True)}
        near = [name for name in KERNELS if with_filter[name][0] < _ALIKE * least + _ALMOST]
        best = min(near, key=lambda name: (by_chroma[name], with_filter[name][0]))
        factors = with_filter[best][1]
        detail = tuple((factors[_PLAIN:_FILTERED] / factors[1]).tolist())
    left, free = found[best][0], min(_fit(part, [*range(COLUMNS - 1)])[0] for part in sums)
    more = float(np.sqrt(max(left**2 - free**2, 0.0)))
    ties = [name for name in found if name != best and found[name][0] < left + 0.1]
    # Scaling up, what averages widens by nothing.
    shape = best.removesuffix("-averaging")
    same = [n for n in ties if abs(found[n][0] - left) < _SAME and not n.startswith(shape)]
    return Scaling(best, detail, left, more, tuple(ties), tuple(same))


def detail_gains(scaling: Scaling, bands: tuple[float, ...]) -> FloatArray:
    """Gain of the filter of detail, mean over directions, shape (B,).

    ``bands`` are B frequencies in cycles per pixel of the source.
    """
    angle = np.arange(16) * np.pi / 16
    along = np.array(bands)[:, None, None] * np.stack([np.cos(angle), np.sin(angle)], axis=-1)
    gains = np.ones(len(bands))
    for share, box in zip(scaling.detail, BOXES, strict=True):
        taps = np.arange(box) - box // 2
        response = np.cos(2 * np.pi * along[..., None] * taps).mean(axis=-1).prod(axis=-1)
        gains += share * (1 - response.mean(axis=1))
    return gains


def _of_chroma(sums: IntArray) -> float:
    """Squares of captured chroma that resampled chroma leaves, whatever map lies between."""
    moments = sums.astype(np.float64)
    system, right = moments[:3, :3], moments[:3, 3:]
    rest = moments[3:, 3:] - right.T @ np.linalg.lstsq(system, right)[0]
    return float(np.trace(rest))


def _fit(sums: IntArray, columns: list[int]) -> tuple[float, FloatArray]:
    """RMS codes that some columns leave of the last, and their factors."""
    moments = sums.astype(np.float64)
    system, right = moments[np.ix_(columns, columns)], moments[columns, -1]
    scale = np.sqrt(np.maximum(np.diag(system), 1.0))
    factors = np.linalg.lstsq(system / np.outer(scale, scale), right / scale)[0] / scale
    rest = max(float(moments[-1, -1] - factors @ right), 0.0)
    return float(np.sqrt(rest / max(moments[0, 0], 1.0))) / FINER, factors


def rescale(
    source: Plane, size: tuple[int, ...], relation: Placement, scaling: Scaling
) -> tuple[FloatArray, Plane, Mask]:
    """Show source luma as the scaler alone makes it, and rounded, with the filter of detail.

    Parameters
    ----------
    source
        Luma (H, W), 10-bit codes.
    size
        (rows, columns) of the results.
    relation
        Scale and offset, see `tonelab.pixels.resampling.resample`.
    scaling
        Kernel and filter of detail.

    Returns
    -------
    plain
        By the scaler alone, real-valued codes.
    filtered
        With the filter of detail, rounded and clipped to 0..1023.
    inside
        Which pixels rest on source pixels alone.
    """
    kernel = KERNELS[scaling.name]
    plain, inside = resample(source.astype(np.float64) - MIDDLE, size, *relation, kernel)
    whole = plain
    if any(scaling.detail):
        for share, part in zip(scaling.detail, _parts(source)[1:], strict=True):
            whole = whole + share * resample(part, size, *relation, kernel)[0]
    filtered = np.clip(np.rint(whole + MIDDLE), 0, 1023).astype(np.uint16)
    return plain + MIDDLE, filtered, inside


def colour_sums(
    source: Planes, capture: Planes, luma: Plane, mask: Mask, relation: Placement, name: str
) -> IntArray:
    """Sum captured colours by cells of the colour that scaling predicts, shape (N, 11).

    Columns are the cell's number, samples, sums of the predicted Y', Cb and Cr in sixteenths of
    codes, of the captured codes, and of their squares.

    Parameters
    ----------
    source, capture
        Planes of 10-bit codes.
    luma, mask
        Predicted luma of the size of the capture's, and which of it may be used.
    relation
        Of the planes of chroma, see `tonelab.pixels.resampling.resample`.
    name
        Key of `tonelab.pixels.resampling.KERNELS`.
    """
    shape = capture[1].shape
    down, across = (-(-a // b) for a, b in zip(luma.shape, shape, strict=True))
    made = [resample(plane, shape, *relation, KERNELS[name]) for plane in source[1:]]
    wanted = mask[::down, ::across] & made[0][1]
    shown = [luma[::down, ::across].astype(np.float64), *(plane for plane, _ in made)]
    for plane, most in zip(shown, _SMOOTH, strict=True):
        wanted &= ndimage.maximum_filter(plane, 3) - ndimage.minimum_filter(plane, 3) <= most
    predicted = integers(FINER * np.stack([plane[wanted] for plane in shown], axis=1))
    seen = [capture[0][::down, ::across], *capture[1:]]
    captured = np.stack([plane[wanted] for plane in seen], axis=1).astype(np.int64)
    upper = np.clip(predicted // (FINER * CELL_SIDE), 0, CELLS_ALONG - 1)
    cell = (upper[:, 0] * CELLS_ALONG + upper[:, 1]) * CELLS_ALONG + upper[:, 2]
    ones = np.ones((len(cell), 1), np.int64)
    return merge_rows(np.column_stack([cell, ones, predicted, captured, captured**2]), (0,))


def source_pixels(length: int, size: int, scale: float, offset: float) -> IntArray:
    """Pixel of the source that each captured one shows along one direction, shape (size,).

    Within 0..``length`` - 1; captured pixel = scale * source pixel + offset, positions continuous.
    """
    there = np.floor((np.arange(size) + 0.5 - offset) / scale).astype(np.int64)
    pixels: IntArray = np.clip(there, 0, length - 1)
    return pixels


def nearest_pixels(pair: Pair, shape: tuple[int, ...]) -> tuple[IntArray, IntArray]:
    """Rows (R,) and columns (C,) of the source nearest to those of a scaled capture (R, C)."""
    (scale_x, scale_y), (x, y) = plain_relation(pair)
    return (
        source_pixels(pair.source.height, shape[0], scale_y, y),
        source_pixels(pair.source.width, shape[1], scale_x, x),
    )


def scaled_mask(pair: Pair, shape: tuple[int, ...]) -> Mask:
    """Luma pixels of a scaled capture of ``shape`` (rows, columns) that both sides show.

    All of them where the pair has no mask of usable blocks.
    """
    if pair.usable is None:
        whole = np.ones(shape, bool)
        for left, top, right, bottom in pair.geometry_capture.covers:
            whole[top:bottom, left:right] = False
        return whole
    rows, columns = nearest_pixels(pair, shape)
    mask: Mask = pair.usable[np.ix_(rows // BLOCK, columns // BLOCK)]
    return mask


def _parts(source: Plane) -> list[FloatArray]:
    plane = source.astype(np.float64)
    return [plane - MIDDLE, *(plane - ndimage.uniform_filter(plane, box) for box in BOXES)]
