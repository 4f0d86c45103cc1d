"""Thumbnails: pictures reduced to area means, and what of them survives tone mapping."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, TypeAlias

import numpy as np

from tonelab.chart import marks_plane

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Iterator

    from numpy.typing import NDArray

    from tonelab.media import Clip, Frame
    from tonelab.signal.arrays import FloatArray, Picture

    Thumbnails: TypeAlias = NDArray[np.uint16]
    Codes: TypeAlias = NDArray[np.floating[Any]]
    Shrink: TypeAlias = Callable[..., Thumbnails]

ROWS, COLUMNS = 27, 48
FINE = 64  # steps of a thumbnail per 10-bit code
_CODES = 1024
_LEAST_OF_KNOT = 16  # values
_FLAT = 0.5  # 10-bit codes; the spread of a picture in which there is nothing to see


@dataclass(frozen=True, slots=True)
class Area:
    """A rectangle of a picture: left, top, right, bottom, in pixels, ends excluded."""

    x0: float
    y0: float
    x1: float
    y1: float

    @property
    def width(self) -> float:
        """Pixels across."""
        return self.x1 - self.x0

    @property
    def corners(self) -> list[tuple[float, float]]:
        """Two that are opposite."""
        return [(self.x0, self.y0), (self.x1, self.y1)]

    @property
    def height(self) -> float:
        """Pixels down."""
        return self.y1 - self.y0


def luma(frame: Frame, clip: Clip) -> Picture:
    """Luma (height, width) of a frame (green of R'G'B') at the scale of 10-bit codes, float32."""
    plane = marks_plane(frame, clip.signal).astype(np.float32)
    plane /= np.float32(2.0 ** (clip.bits - 10))
    return plane


def frames_at(clip: Clip, indices: Iterable[int]) -> Iterator[Frame]:
    """Yield single frames in order; a clip may end earlier than it announces.

    Frames between which reading cannot be taken up anew at no cost are read in one go.
    """
    wanted = np.unique(np.fromiter(indices, np.int64))
    entries = clip.entries()
    if not len(wanted):
        return
    if entries is None:
        runs = np.split(wanted, np.flatnonzero(np.diff(wanted) != 1) + 1)
    else:
        part = np.searchsorted(entries, wanted, side="right")
        runs = np.split(wanted, np.flatnonzero(np.diff(part) != 0) + 1)
    for run in runs:
        kept = set(run.tolist())
        for frame in clip.frames(int(run[0]), int(run[-1]) + 1):
            if frame.index in kept:
                yield frame


def thumbnails(clip: Clip, area: Area, progress: Callable[[int], None] | None = None) -> Thumbnails:
    """Reduce every frame of a clip to the area means of a grid of 48 x 27 cells.

    A thumbnail takes 2592 bytes: ten minutes at 60 frames a second take 93 MB.

    Parameters
    ----------
    clip
        Read once, from its start to its end.
    area
        The part of the picture that the grid covers; its edges may cut pixels.
    progress
        Called with the number of frames read.

    Returns
    -------
    ndarray
        Shape (frames, 27, 48), uint16, in 64ths of a 10-bit code.
    """
    shrink = shrinker(area, (clip.height, clip.width))
    found = []
    for frame in clip.frames():
        found.append(shrink(marks_plane(frame, clip.signal), clip.bits))
        if progress is not None:
            progress(frame.index + 1)
    return np.array(found, np.uint16).reshape(-1, ROWS, COLUMNS)


def shrinker(area: Area, shape: tuple[int, int]) -> Shrink:
    """Return the function that reduces a plane of ``shape`` (height, width) to a thumbnail.

    It takes the plane and the depth of its codes in bits, by default 10.
    """
    from tonelab.pairing.kernels import sum_rows

    down = _means(area.y0, area.y1, ROWS, shape[0])
    across = np.ascontiguousarray(_means(area.x0, area.x1, COLUMNS, shape[1]).T)
    touched = down > 0
    first = touched.argmax(axis=0)
    stop = np.where(touched.any(axis=0), ROWS - touched[::-1].argmax(axis=0), first)

    def shrink(plane: NDArray[Any], bits: int = 10) -> Thumbnails:
        sums = np.empty((ROWS, shape[1]), np.float32)
        sum_rows(plane, down, first, stop, sums)
        means: Picture = sums @ across * np.float32(FINE * 2.0 ** (10 - bits))
        return np.rint(means).astype(np.uint16)

    return shrink


def _means(start: float, stop: float, cells: int, length: int) -> Picture:
    """Matrix (cells, length) of the share that each pixel has in the mean of each cell."""
    edges = np.linspace(start, stop, cells + 1)[:, None]
    covered = np.clip(edges - np.arange(length), 0.0, 1.0)
    shares = covered[1:] - covered[:-1]
    return np.asarray(shares / np.maximum(shares.sum(axis=1, keepdims=True), 1e-9), np.float32)


def fingerprints(pictures: Thumbnails) -> NDArray[np.float32]:
    """Return features that no rising tone curve changes.

    Parameters
    ----------
    pictures
        Thumbnails, shape (N, rows, columns).

    Returns
    -------
    ndarray
        Shape (N, F), unit vectors, so that products are correlations: gradients of the ranks of
        the cells. Zero for pictures in which there is nothing to see.
    """
    from scipy.stats import rankdata

    count = len(pictures)
    flat = pictures.reshape(count, -1) // (FINE // 4)
    ranks = rankdata(flat, axis=1).astype(np.float32).reshape(pictures.shape)
    across, down = np.diff(ranks, axis=2), np.diff(ranks, axis=1)
    features = np.concatenate([across.reshape(count, -1), down.reshape(count, -1)], axis=1)
    norm = np.linalg.norm(features, axis=1, keepdims=True)
    seen = (pictures.reshape(count, -1).std(axis=1) > _FLAT * FINE)[:, None] & (norm > 0)
    unit: NDArray[np.float32] = np.where(seen, features / np.maximum(norm, 1e-9), 0)
    return unit.astype(np.float32)


@dataclass(frozen=True, slots=True)
class RoughTone:
    """A rising curve from source to capture codes, fitted to pictures; no more than a help."""

    source: FloatArray
    capture: FloatArray

    @classmethod
    def fit(cls, source: Codes, capture: Codes, knots: int = 48) -> RoughTone:
        """Fit the curve to equally many values of source and capture that belong together.

        The outermost of the parts, each with its knot at the median, are halved outwards again
        and again, so that light of a few pictures has knots too; beyond them the curve goes on
        straight.
        """
        from scipy.optimize import isotonic_regression

        order = np.argsort(source, axis=None, kind="stable")
        first, *others = (part for part in np.array_split(order, knots) if len(part))
        parts = [*_halved(first[::-1])[::-1], *others]
        parts[-1:] = _halved(parts[-1])
        x = np.array([np.median(source.flat[part]) for part in parts], np.float64)
        y = np.array([np.median(capture.flat[part]) for part in parts], np.float64)
        x, rows = np.unique(x, return_index=True)
        y = isotonic_regression(y[rows]).x
        return cls(*_lengthened(x, y))

    def __call__(self, source: Codes) -> Picture:
        """Capture codes of source codes, any shape."""
        mapped: Picture = np.interp(source, self.source, self.capture).astype(np.float32)
        return mapped

    def of_thumbnails(self) -> Picture:
        """Capture codes, 10 bits, shape (65536,), of each value that a thumbnail can hold."""
        return self(np.arange(_CODES * FINE) / FINE)


def _halved(part: NDArray[np.intp]) -> list[NDArray[np.intp]]:
    """Split a part in halves, its second half in halves, and so on."""
    found = []
    while len(part) >= 2 * _LEAST_OF_KNOT:
        found.append(part[: len(part) // 2])
        part = part[len(part) // 2 :]
    return [*found, part]


def _lengthened(x: FloatArray, y: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Add both ends of the codes to a rising curve, in the direction of its outer quarters."""
    if len(x) < 2:
        return x, y
    reach = max(1, len(x) // 4)
    low, high = ((y[b] - y[a]) / (x[b] - x[a]) for a, b in ((0, reach), (-1 - reach, -1)))
    first, last = y[0] - low * x[0], y[-1] + high * (_CODES - x[-1])
    ends = np.clip([first, last], 0, _CODES - 1 / FINE)
    return np.r_[0.0, x, float(_CODES)], np.r_[min(ends[0], y[0]), y, max(ends[1], y[-1])]
