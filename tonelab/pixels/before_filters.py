"""What became of each code before a scaler or a filter, by least squares over whole pictures.

Each captured pixel is a weighted sum of what became of the source's pixels around it. The weights
are the scaler's, or the filter's, and known; what became of each code is found by conjugate
gradients, which need the weights and their transpose alone.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import starmap
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from tonelab.pixels.co_registration import chroma_relation, plain_relation, ten_bits
from tonelab.pixels.kernels import convolved, correlated
from tonelab.pixels.picking import CODES, MIDDLE, span, within
from tonelab.pixels.resampling import KERNELS, directions
from tonelab.pixels.rescaled import scaled_mask

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from tonelab.pairing import Pair
    from tonelab.pixels.co_registration import Placement
    from tonelab.signal.arrays import FloatArray, IntArray, Mask, Plane, Planes

_FRAMES = 4  # at least, or more of small pictures
_ROUNDS = 6  # of conjugate gradients, which hardly change any more
_CORED = (2, 3, 4, 5, 6, 7, 8, 9, 10, 12, 14, 16, 18, 20, 22, 24, 28, 32)  # codes
_SURROUND = 31  # pixels; wider than a filter of detail, and within what local contrast looks at
_MOST_PIXELS = 1_000_000  # of all frames, after a filter
_LEAST_ROWS = 4 * _SURROUND  # of one frame


@dataclass(frozen=True, slots=True)
class CodesBefore:
    """Codes of one plane before a scaler or a filter.

    Attributes
    ----------
    codes
        Shape (1024,): the 10-bit code that each source code became, in parts.
    count
        Shape (1024,): captured samples that determine it.
    left, straight
        RMS codes of the capture that these leave, and that a straight line leaves.
    """

    codes: FloatArray
    count: FloatArray
    left: float
    straight: float


@dataclass(frozen=True)
class _View:
    """One frame: source codes, the capture about the middle, its weights, and what lies between.

    ``spread`` makes a picture of the capture's size from one of the source's; ``gather`` is its
    transpose; ``shares`` gives each source pixel its share of captured ones.
    """

    source: Plane
    capture: FloatArray
    weight: FloatArray
    spread: Callable[[FloatArray], FloatArray]
    gather: Callable[[FloatArray], FloatArray]
    shares: Callable[[FloatArray], FloatArray]


class _Part:
    """Part of a frame: source codes, detail of the capture, and what either filter predicts."""

    def __init__(
        self, source: Plane, seen: FloatArray, usable: Mask, kernels: tuple[FloatArray, ...]
    ) -> None:
        self.source, self.seen, self.usable, self.kernels = source, seen, usable, kernels
        luma = _about(source)
        self.predicted = [correlated(luma, kernel) for kernel in kernels]
        self.off: FloatArray = np.abs(luma - self.predicted[0])

    def _times(self, strong: Mask) -> tuple[float, FloatArray]:
        """Factor from capture to prediction, as a mapping may follow the scene; the prediction."""
        sent = _detail(np.where(strong, self.predicted[1], self.predicted[0]))
        return float(np.vdot(sent, sent)) / max(float(np.vdot(sent, self.seen)), 1.0), sent

    def left(self, strong: Mask) -> float:
        times, sent = self._times(strong)
        rest = (self.seen * times - sent)[self.usable]
        return float(np.vdot(rest, rest))

    def view(self, strong: Mask) -> _View:
        seen = self.seen * self._times(strong)[0]
        weight = self.usable.astype(np.float64)
        return _filtered(self.source, seen, weight, self.kernels, strong.astype(np.intp))


def codes_before_scaling(pair: Pair, runs: list[IntArray], kernel: str) -> tuple[CodesBefore, ...]:
    """Find what became of the codes of Y', Cb and Cr before the picture was scaled.

    Parameters
    ----------
    pair
        Source and capture, registered.
    runs
        Bursts of matches, shape (M, 2): captured and source frames; of some the first is read.
    kernel
        Key of `tonelab.pixels.resampling.KERNELS`.

    Returns
    -------
    tuple of CodesBefore
        Of Y', Cb and Cr.
    """
    sides = _read(pair, runs)
    mask = scaled_mask(pair, sides[0][1][0].shape)
    found = []
    for plane in range(3):
        shape = sides[0][1][plane].shape
        down, across = (-(-a // b) for a, b in zip(mask.shape, shape, strict=True))
        relation = plain_relation(pair) if plane == 0 else chroma_relation(pair)
        used = mask[::down, ::across]
        views = [_scaled(s[plane], c[plane], used, relation, kernel) for s, c in sides]
        found.append(_solve(views))
    return tuple(found)


def codes_before_filter(
    pair: Pair, runs: list[IntArray], kernels: tuple[FloatArray, ...], faint: int
) -> tuple[CodesBefore, CodesBefore]:
    """Find what became of the codes of luma before its detail was filtered, twice.

    From either half of the frames, so that what both agree on is no chance. Only steps between
    codes are found, as local contrast may have changed the mean around each pixel. All pixels are
    used: those alone that a filter predicts best would prefer codes that dither leaves alone.

    Parameters
    ----------
    pair
        Source and capture, registered; their pixels are co-registered.
    runs
        Bursts of matches, of which some are read.
    kernels
        Least squares filters of faint and of strong detail, shape (K, K), sum 1. A pixel is taken
        for either by its neighbourhood, or by what the filter of faint detail would take off it, as
        coring does; whichever leaves less.
    faint
        Codes between which a neighbourhood of faint detail stays.
    """
    reach = len(kernels[0]) // 2
    sides = _read(pair, runs, _MOST_PIXELS // (pair.source.width * pair.source.height))
    parts = []
    for number, (source, capture) in enumerate(sides):
        height, width = source[0].shape
        rows = min(height, max(_MOST_PIXELS // len(sides) // width, _LEAST_ROWS))
        top = (height - rows) * number // max(len(sides) - 1, 1)
        cut = slice(top, top + rows)
        usable = scaled_mask(pair, capture[0].shape)[cut]
        whole = usable & within((rows, width), reach + _SURROUND // 2)
        parts.append(_Part(source[0][cut], _detail(_about(capture[0][cut])), whole, kernels))
    ways = [[span(part.source, reach) >= faint for part in parts]]
    ways += [[part.off >= codes for part in parts] for codes in _CORED]
    left = [sum(part.left(strong) for part, strong in zip(parts, way, strict=True)) for way in ways]
    best = ways[int(np.argmin(left))]
    views = [part.view(strong) for part, strong in zip(parts, best, strict=True)]
    halves = [_solve(views[n::2]) for n in range(2)]
    return halves[0], halves[1]


def _read(pair: Pair, runs: list[IntArray], many: int = _FRAMES) -> list[tuple[Planes, Planes]]:
    """Read one frame each of as many bursts, spread over the clip."""
    wanted = np.unique(np.linspace(0, len(runs) - 1, max(many, _FRAMES)).astype(int))
    matches = [runs[n][:1] for n in wanted]
    return [
        (next(ten_bits(pair.source, match[:, 1])), next(ten_bits(pair.capture, match[:, 0])))
        for match in matches
    ]


def _scaled(source: Plane, capture: Plane, mask: Mask, relation: Placement, kernel: str) -> _View:
    (down, across), inside = directions(source.shape, capture.shape, *relation, KERNELS[kernel])

    def spread(picture: FloatArray) -> FloatArray:
        there: FloatArray = down @ picture @ across.T
        return there

    def gather(picture: FloatArray) -> FloatArray:
        there: FloatArray = down.T @ picture @ across
        return there

    weight = (mask & inside).astype(np.float64)
    return _View(source, _about(capture), weight, spread, gather, gather)


def _filtered(
    source: Plane,
    seen: FloatArray,
    weight: FloatArray,
    kernels: tuple[FloatArray, ...],
    which: NDArray[np.intp],
) -> _View:
    """See each pixel of a picture through one of several filters."""

    def spread(picture: FloatArray) -> FloatArray:
        return _detail(np.choose(which, [correlated(picture, kernel) for kernel in kernels]))

    def gather(picture: FloatArray) -> FloatArray:
        fine = _detail(picture)
        there = np.zeros_like(picture)
        for n, kernel in enumerate(kernels):
            there += convolved(fine * (which == n), kernel)
        return there

    return _View(source, seen, weight, spread, gather, lambda weights: weights)


def _about(codes: NDArray[Any]) -> FloatArray:
    """Codes about the middle."""
    return codes.astype(np.float64) - MIDDLE


def _detail(picture: FloatArray) -> FloatArray:
    """Take off the mean around each pixel, as local contrast changes it."""
    return picture - ndimage.uniform_filter(picture, _SURROUND, mode="constant")


def _solve(views: list[_View]) -> CodesBefore:
    """Find the codes whose spread leaves least of the capture, from a straight line on."""
    total = max(sum(float(view.weight.sum()) for view in views), 1.0)

    def made(codes: FloatArray) -> list[FloatArray]:
        return [view.spread(codes[view.source]) * view.weight for view in views]

    def by_code(pictures: list[FloatArray]) -> FloatArray:
        sums = np.zeros(CODES)
        for view, picture in zip(views, pictures, strict=True):
            sums += np.bincount(view.source.ravel(), picture.ravel(), CODES)
        return sums

    def gathered(pictures: list[FloatArray]) -> FloatArray:
        return by_code([view.gather(p) for view, p in zip(views, pictures, strict=True)])

    def product(one: list[FloatArray], other: list[FloatArray]) -> float:
        return float(sum(starmap(np.vdot, zip(one, other, strict=True))))

    def less(one: list[FloatArray], share: float, other: list[FloatArray]) -> list[FloatArray]:
        return [a - share * b for a, b in zip(one, other, strict=True)]

    seen = [view.capture * view.weight for view in views]
    line = _about(np.arange(CODES))
    parts = made(line), [view.weight for view in views]
    system = [[product(a, b) for a in parts] for b in parts]
    gain, offset = np.linalg.lstsq(system, [product(seen, part) for part in parts])[0].tolist()
    codes = gain * line + offset
    rest = less(less(seen, gain, parts[0]), offset, parts[1])
    straight = product(rest, rest)
    count = by_code([view.shares(view.weight) for view in views])
    weight = 1 / np.maximum(count, 1.0)
    slope = gathered(rest)
    step = weight * slope
    size = float(slope @ step)
    for _ in range(_ROUNDS):
        change = made(step)
        length = size / max(product(change, change), 1e-9)
        codes = codes + length * step
        rest = less(rest, length, change)
        slope = gathered(rest)
        before, size = size, float(slope @ (weight * slope))
        step = weight * slope + size / max(before, 1e-9) * step
    rms = [float(np.sqrt(square / total)) for square in (product(rest, rest), straight)]
    return CodesBefore(codes + MIDDLE, count, *rms)
