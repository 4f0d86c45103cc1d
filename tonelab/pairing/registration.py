"""Space without marks: scale and shift between two pictures, by correlation, then least squares."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from scipy import ndimage

from tonelab.pairing.thumbnails import RoughTone

if TYPE_CHECKING:
    from collections.abc import Sequence

    from tonelab.signal.arrays import FloatArray, IntArray, Mask, Picture

_SEARCH_COLUMNS = 960  # to which wider pictures are reduced for the correlation
_BLOCKS = (3, 4)  # rows and columns of windows that are correlated on their own
WINDOWS = _BLOCKS[0] * _BLOCKS[1]  # of a picture
_ROUNDS = 5
_ENOUGH = 600_000  # pixels of a picture by which a relation is sharpened
_LEAST_PEAK = 0.3  # normalised correlation of a window that counts
_SMOOTHED = 2.0  # pixels, so that filters of detail move no edge
_OUTLIER = 3.0  # pixels; moments that differ by more count no further
_AS_GOOD = 1.03  # of the best misfit
_TEXTURE = 1e-3  # of the strongest window's energy, below which there is nothing to correlate


@dataclass(frozen=True, slots=True)
class Relation:
    """Capture pixel = scale * source pixel + offset, as (x, y).

    Positions are continuous: the pixel with index i has its centre at i + 0.5.
    """

    scale: tuple[float, float]
    offset: tuple[float, float]

    def reduced(self, factor: int) -> Relation:
        """Return the relation to a capture that is smaller by a factor."""
        (sx, sy), (ox, oy) = self.scale, self.offset
        return Relation((sx / factor, sy / factor), (ox / factor, oy / factor))

    def moved(self, shift: FloatArray, stretch: FloatArray) -> Relation:
        """Return the relation followed by x -> x + shift + stretch * x, both (2,), pixels."""
        sx, sy = np.array(self.scale) * (1 + stretch)
        ox, oy = np.array(self.offset) * (1 + stretch) + shift
        return Relation((float(sx), float(sy)), (float(ox), float(oy)))


IN_PLACE = Relation((1.0, 1.0), (0.0, 0.0))


def apart(one: Relation, other: Relation, corners: Sequence[tuple[float, float]]) -> float:
    """Largest distance, capture pixels, of some source places under two relations."""
    places = [np.array(corners) * relation.scale + relation.offset for relation in (one, other)]
    return float(np.abs(places[0] - places[1]).max())


@dataclass(frozen=True, slots=True)
class Registration:
    """A relation, the RMS distance in capture pixels of its windows from it, and their peaks.

    ``peak`` is the mean normalised correlation, 0 to 1, of ``windows`` windows.
    """

    relation: Relation
    residual: float
    peak: float
    windows: int


def resample(picture: Picture, relation: Relation, size: tuple[int, int]) -> Picture:
    """Show a source picture as a capture of ``size`` (width, height) would.

    Separable cubic convolution (Keys 1981, a = -1/2), widened when the picture shrinks; the
    edges are repeated beyond the picture.
    """
    if relation == IN_PLACE and size == picture.shape[::-1]:
        return picture
    down, rows = _taps(size[1], picture.shape[0], relation.scale[1], relation.offset[1])
    tall = np.zeros((size[1], picture.shape[1]), np.float32)
    for tap in range(down.shape[1]):
        tall += rows[:, tap, None] * picture[down[:, tap]]
    across, columns = _taps(size[0], picture.shape[1], relation.scale[0], relation.offset[0])
    shown = np.zeros((size[1], size[0]), np.float32)
    for tap in range(across.shape[1]):
        shown += columns[:, tap] * tall[:, across[:, tap]]
    return shown


def _taps(length: int, source: int, scale: float, offset: float) -> tuple[IntArray, Picture]:
    """Return indices and weights (length, taps) of the source samples of each output sample."""
    widen = max(1.0, 1 / scale)
    centre = (np.arange(length) + 0.5 - offset) / scale - 0.5
    reach = int(np.ceil(2 * widen))
    index = np.floor(centre).astype(np.int64)[:, None] + np.arange(1 - reach, reach + 1)
    x = np.abs(index - centre[:, None]) / widen
    inner, outer = (1.5 * x - 2.5) * x * x + 1, ((-0.5 * x + 2.5) * x - 4) * x + 2
    weight = np.where(x < 1, inner, np.where(x < 2, outer, 0.0))
    weight /= weight.sum(axis=1, keepdims=True)
    return np.clip(index, 0, source - 1), weight.astype(np.float32)


def register(
    pairs: Sequence[tuple[Picture, Picture]], first: Relation, clear: Mask
) -> Registration:
    """Find scale and shift from windows of some pictures.

    Gradient magnitudes of rank-equalised luma are correlated window by window (Hann, no phase
    normalisation: smooth and tone mapped pictures mislead that), and a scale and a shift on each
    axis are fitted to the displacements.

    Parameters
    ----------
    pairs
        Source and capture pictures of the same moments, any sizes.
    first
        Where to start; windows see about a third of their size around it.
    clear
        Shape of the capture pictures: where they show the picture and no bars.

    Returns
    -------
    Registration
        With no window and an infinite residual where nothing could be correlated.
    """
    height, width = pairs[0][1].shape
    factor = max(1, width // _SEARCH_COLUMNS)
    size = width // factor, height // factor
    clear = clear[: size[1] * factor : factor, : size[0] * factor : factor]
    captures = [_edges(_reduce(capture, factor, size), clear) for _, capture in pairs]
    relation, residual, peak, windows = first, np.inf, 0.0, 0
    for _ in range(_ROUNDS):
        small = relation.reduced(factor)
        found = [
            row
            for (source, _), capture in zip(pairs, captures, strict=True)
            for row in _displacements(_edges(resample(source, small, size), clear), capture)
        ]
        if len(found) < 3:
            return Registration(first, float("inf"), 0.0, len(found))
        rows = np.array(found)
        shift, stretch, residual = _fit(rows)
        relation = relation.moved(shift * factor, stretch)
        peak, windows = float(rows[:, 4].mean()), len(rows)
        if np.abs(shift + stretch * np.array(size) / 2).max() < 0.01:
            break
    return Registration(relation, residual * factor, peak, windows)


def agreeing(
    moments: Sequence[tuple[Sequence[Picture], Picture]], first: Relation, clear: Mask
) -> list[tuple[Picture, Picture]]:
    """Choose for each captured picture the source picture that agrees with the other moments.

    In a pan a wrong frame looks like a shift; but moments that move differently would then ask
    for different shifts.

    Parameters
    ----------
    moments
        Source pictures (height, width) of neighbouring frames, and a captured picture of the shape
        of ``clear``; luma in 10-bit codes.
    first, clear
        See `register`.

    Returns
    -------
    list of tuple
        The chosen source picture and the captured one of each moment.
    """
    factor = max(1, clear.shape[1] // (_SEARCH_COLUMNS // 2))
    size = clear.shape[1] // factor, clear.shape[0] // factor
    clear = clear[: size[1] * factor : factor, : size[0] * factor : factor]
    small = first.reduced(factor)
    hann = np.outer(np.hanning(size[1]), np.hanning(size[0]))
    shifts: list[FloatArray] = []
    for sources, capture in moments:
        seen = _edges(_reduce(capture, factor, size), clear)
        shown = (_edges(resample(source, small, size), clear) for source in sources)
        found = [_correlate(hann * (a - a.mean()), hann * (seen - seen.mean())) for a in shown]
        shifts.append(np.array([(x, y) for x, y, _ in found]))
    best, chosen = np.inf, [0] * len(moments)
    for shift in np.concatenate(shifts):
        apart = [np.hypot(*(own - shift).T) for own in shifts]
        # Of shifts that agree as well, the smaller one is likelier.
        cost = sum(min(float(d.min()), _OUTLIER) for d in apart) + 0.01 * float(np.hypot(*shift))
        if cost < best:
            best, chosen = cost, [int(d.argmin()) for d in apart]
    return [(moment[0][n], moment[1]) for moment, n in zip(moments, chosen, strict=True)]


def _reduce(picture: Picture, factor: int, size: tuple[int, int]) -> Picture:
    cut = picture[: size[1] * factor, : size[0] * factor]
    means: Picture = cut.reshape(size[1], factor, size[0], factor).mean(axis=(1, 3))
    return means


def _edges(picture: Picture, clear: Mask) -> Picture:
    """Gradient magnitude of the ranks of a picture's codes, zero outside of the clear part."""
    codes = np.clip(np.rint(picture), 0, 1023).astype(np.int64)
    counts = np.bincount(codes[clear], minlength=1024)
    rank = (np.cumsum(counts) - counts / 2) / max(1, counts.sum())
    down, across = np.gradient(rank[codes])
    inside = clear & np.roll(clear, 1, 0) & np.roll(clear, -1, 0)
    inside &= np.roll(clear, 1, 1) & np.roll(clear, -1, 1)
    edges: Picture = np.where(inside, np.hypot(down, across), 0.0).astype(np.float32)
    return edges


def _displacements(shown: Picture, seen: Picture) -> list[tuple[float, ...]]:
    """Window by window: centre x, y, displacement x, y, peak."""
    height, width = (length // (n + 1) * 2 for length, n in zip(seen.shape, _BLOCKS, strict=True))
    hann = np.outer(np.hanning(height), np.hanning(width))
    found, energies = [], []
    for row in range(_BLOCKS[0]):
        for column in range(_BLOCKS[1]):
            y, x = row * height // 2, column * width // 2
            a, b = (p[y : y + height, x : x + width] for p in (shown, seen))
            a, b = hann * (a - a.mean()), hann * (b - b.mean())
            dx, dy, peak = _correlate(a, b)
            energies.append(min(float((a**2).sum()), float((b**2).sum())))
            found.append((x + width / 2, y + height / 2, dx, dy, peak))
    least = _TEXTURE * max(energies)
    return [
        entry
        for entry, energy in zip(found, energies, strict=True)
        if entry[4] >= _LEAST_PEAK and energy > least
    ]


def _correlate(a: FloatArray, b: FloatArray) -> tuple[float, float, float]:
    """Displacement (x, y) of b from a and the normalised height of the peak."""
    energy = float(np.sqrt((a**2).sum() * (b**2).sum()))
    if energy == 0:
        return 0.0, 0.0, 0.0
    surface = np.fft.irfft2(np.fft.rfft2(b) * np.fft.rfft2(a).conj(), a.shape)
    reach = [length // 3 for length in a.shape]
    near = np.roll(surface, reach, axis=(0, 1))[: 2 * reach[0] + 1, : 2 * reach[1] + 1]
    y, x = np.unravel_index(int(near.argmax()), near.shape)
    dy = y - reach[0] + _vertex(near[:, x], int(y))
    dx = x - reach[1] + _vertex(near[y], int(x))
    return dx, dy, float(near[y, x]) / energy


def _vertex(values: FloatArray, peak: int) -> float:
    """Offset of the vertex of the parabola through a peak and its neighbours."""
    if not 0 < peak < len(values) - 1:
        return 0.0
    before, top, after = values[peak - 1 : peak + 2]
    bend = before - 2 * top + after
    return float((before - after) / (2 * bend)) if bend < 0 else 0.0


def _fit(rows: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Shift and stretch on each axis by re-weighted least squares, and the RMS distance left."""
    shift, stretch, residuals = np.zeros(2), np.zeros(2), []
    for axis in range(2):
        place, moved, weight = rows[:, axis], rows[:, 2 + axis], rows[:, 4].copy()
        design = np.stack([np.ones_like(place), place], axis=1)
        for _ in range(4):
            root = np.sqrt(weight)[:, None]
            (shift[axis], stretch[axis]), *_ = np.linalg.lstsq(
                design * root, moved * root[:, 0], rcond=None
            )
            left = moved - design @ (shift[axis], stretch[axis])
            scale = max(0.05, 1.5 * float(np.median(np.abs(left))))
            weight = rows[:, 4] / (1 + (left / scale) ** 2)
        residuals.append(np.average(left**2, weights=weight))
    return shift, stretch, float(np.sqrt(np.mean(residuals)))


def refine(pairs: Sequence[tuple[Picture, Picture]], first: Relation, clear: Mask) -> Relation:
    """Sharpen a relation by least squares on tone mapped luma (Gauss-Newton).

    The relation must be right to about a pixel. Large differences, which a tone curve on luma
    does not explain, weigh less. ``first`` comes back where the pictures do not determine it.

    Parameters
    ----------
    pairs
        Source and capture pictures of the same moments, luma (height, width) in 10-bit codes; the
        captures have the shape of ``clear``.
    first, clear
        See `register`.
    """
    height, width = pairs[0][1].shape
    x, y = np.arange(width) + 0.5, (np.arange(height) + 0.5)[:, None]
    relation = first
    inner = clear.copy()
    inner[[0, 1, -1, -2]] = inner[:, [0, 1, -1, -2]] = False
    every = max(1, height * width // _ENOUGH)
    inner[np.arange(height) % every > 0] = False
    for _ in range(3):
        normal, right = np.zeros((4, 4)), np.zeros(4)
        for source, capture in pairs:
            shown = resample(source, relation, (width, height))
            few = (slice(None, None, 4), slice(None, None, 4))
            tone = RoughTone.fit(shown[few][inner[few]], capture[few][inner[few]], 64)
            mapped = tone(shown)
            down, across = np.gradient(mapped)
            left = capture - mapped
            scale = 1.5 * float(np.median(np.abs(left[inner]))) + 0.5
            weight = inner / (1 + (left / scale) ** 2)
            # Moving the content by d changes a pixel by minus d times the gradient.
            slopes = (across, across * x, down, down * y)
            flat = -np.stack([np.asarray(slope, np.float64)[inner] for slope in slopes])
            weighted = flat * weight[inner]
            normal += weighted @ flat.T
            right += weighted @ left[inner]
        if np.linalg.cond(normal) > 1e14:
            return first
        step = np.asarray(np.linalg.solve(normal, right), np.float64)
        relation = relation.moved(step[::2], step[1::2])
    return relation


def place_by_detail(
    pairs: Sequence[tuple[Picture, Picture]], first: Relation, clear: Mask
) -> Relation:
    """Sharpen a relation of pictures whose detail may have been filtered on the way.

    Both are smoothed, so that a blur or a sharpening hardly matters; large ones are reduced.

    Parameters
    ----------
    pairs, first, clear
        See `refine`; pictures (height, width).
    """
    height, width = pairs[0][1].shape
    factor = max(1, width // _SEARCH_COLUMNS)
    size = width // factor, height // factor
    smooth = [
        (
            ndimage.gaussian_filter(source, _SMOOTHED * factor),
            _reduce(ndimage.gaussian_filter(capture, _SMOOTHED * factor), factor, size),
        )
        for source, capture in pairs
    ]
    relation = first.reduced(factor)
    clear = clear[: size[1] * factor : factor, : size[0] * factor : factor]
    for _ in range(2):
        relation = refine(smooth, relation, clear)
    (sx, sy), (ox, oy) = relation.scale, relation.offset
    return Relation((sx * factor, sy * factor), (ox * factor, oy * factor))


def simplest(
    relations: Sequence[Relation],
    pairs: Sequence[tuple[Picture, Picture]],
    clear: Mask,
) -> Relation:
    """Return the first of some relations, simplest first, that fits about as well as the best.

    The fit is the mean absolute difference of luma after a rough tone curve. Pictures and ``clear``
    have the shapes that `refine` takes.
    """
    height, width = pairs[0][1].shape
    misfits = []
    for relation in relations:
        apart = []
        for source, capture in pairs:
            shown = resample(source, relation, (width, height))[clear]
            seen = capture[clear]
            apart.append(np.abs(seen - RoughTone.fit(shown[::4], seen[::4], 64)(shown)).mean())
        misfits.append(float(np.mean(apart)))
    good = _AS_GOOD * min(misfits)
    return next(r for r, misfit in zip(relations, misfits, strict=True) if misfit <= good)
