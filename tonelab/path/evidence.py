"""What a path is judged by: pieces of pictures, and colours of them, of some bursts of frames."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from itertools import product
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from tonelab.path.chain import capture_codes
from tonelab.path.limits import (
    ACROSS,
    CALM,
    COLUMNS,
    DOWN,
    EVEN,
    MARGIN,
    OTHER,
    PIECES,
    REACH,
    ROWS,
    SEARCHED,
    STEEP,
    SURROUNDS,
    SURVEYED,
)
from tonelab.path.steps import Medium, coding
from tonelab.pixels.bursts import Burst, bursts
from tonelab.signal.colorimetry import rgb_to_ycbcr
from tonelab.signal.quantisation import codes_to_rgb, codes_to_ycbcr, luma_scale

if TYPE_CHECKING:
    from collections.abc import Callable, Iterable, Sequence

    from numpy.typing import NDArray

    from tonelab.pairing import Pair
    from tonelab.pixels.bursts import View
    from tonelab.signal.arrays import FloatArray, IntArray, Mask, Plane
    from tonelab.signal.description import Signal

CHANNELS = 9 + len(SURROUNDS)


@dataclass(frozen=True, eq=False)
class Evidence:
    """Signals of the source with the codes that were captured in their place.

    Attributes
    ----------
    signal
        (N, 3): of the source, Y'CbCr in its matrix; or pieces of pictures (N, rows, columns, 3).
    codes
        Captured, same shape, in steps of the capture; those of chroma stand at every
        ``columns``-th column of a piece.
    burst
        (N,): number of the burst of frames.
    mean
        Mean luma signal of the source's picture, same shape as luma or broadcast to it.
    surround
        Luma signal of the source, blurred over `SURROUNDS` of the picture's height, last axis.
    place
        Where in the picture, 0..1 down and across, last axis.
    source, capture
        How both sides are read.
    columns, rows
        Of luma for each of captured chroma; of captured chroma for each of the source's.
    grain
        Codes of the capture from one to the next that it uses: 4 where 8 bits of a source of no
        more were captured in 10.
    """

    signal: FloatArray
    codes: FloatArray
    burst: IntArray
    mean: FloatArray
    surround: FloatArray
    place: FloatArray
    source: Signal
    capture: Signal
    columns: int
    rows: int = 2
    grain: float = 1.0

    def __len__(self) -> int:
        return len(self.signal)

    def __getitem__(self, rows: Mask | IntArray) -> Evidence:
        return replace(
            self,
            signal=self.signal[rows],
            codes=self.codes[rows],
            burst=self.burst[rows],
            mean=self.mean[rows],
            surround=self.surround[rows],
            place=self.place[rows],
        )

    @cached_property
    def medium(self) -> Medium:
        """What steps may ask."""
        return Medium(self.source, self.columns, self.mean, self.surround, self.rows)

    @cached_property
    def seen(self) -> FloatArray:
        """Captured codes (M, 3) where chains are judged."""
        return np.asfortranarray(self.judged(self.codes))

    @property
    def in_pieces(self) -> bool:
        """Whether it is of pieces of pictures."""
        return self.signal.ndim > 2

    def judged(self, values: FloatArray) -> FloatArray:
        """Return the values (M, 3) that chains are judged by, of an array of the shape of codes."""
        if not self.in_pieces:
            return values
        inner = values[:, MARGIN:-MARGIN, MARGIN : -MARGIN : self.columns]
        return inner.reshape(-1, 3)

    def predicted(self, signal: FloatArray) -> FloatArray:
        """Real-valued captured codes (M, 3) of signals that a path sends, where it is judged."""
        return capture_codes(self.judged(signal), self.medium, self.capture)

    @property
    def captured(self) -> FloatArray:
        """Captured signals (M, 3) where it is judged, Y'CbCr in the source's matrix."""
        codes = self.judged(self.codes)
        if self.capture.matrix == "rgb":
            rgb = codes_to_rgb(codes, self.capture.bits, self.capture.range)
            return rgb_to_ycbcr(rgb, coding(self.medium))
        return codes_to_ycbcr(codes, self.capture.bits, self.capture.range)

    def thinned(self, most: int) -> Evidence:
        """Keep at most so many, evenly over all."""
        if len(self) <= most:
            return self
        return self[np.linspace(0, len(self) - 1, most).astype(np.int64)]

    def halves(self) -> tuple[Evidence, Evidence]:
        """Evidence to fit on and to judge on, of other bursts where there are several."""
        several = len(np.unique(self.burst)) > 1
        of = self.burst if several else np.arange(len(self)) * 8 // max(len(self), 1)
        return self[of % 2 == 0], self[of % 2 == 1]


def read_evidence(
    pair: Pair,
    source: Signal,
    capture: Signal,
    *,
    progress: Callable[[int, int], None] | None = None,
) -> tuple[Evidence, Evidence, Evidence] | None:
    """Read colours, pieces of pictures, and pieces from everywhere, of a registered pair.

    None where captured pixels do not each stand for one of the source.

    Parameters
    ----------
    pair
        Source and capture, registered.
    source, capture
        How they are read.
    progress
        Called with (bursts done, bursts in all).
    """
    colours, pieces, survey, runs = [], [], [], bursts(pair)
    columns, down, surveyed = 2, 2, set(range(0, len(runs), max(1, len(runs) // SURVEYED)))
    for number, run in enumerate(runs):
        burst = Burst(pair, number, run)
        view, how = burst.co_registered, burst.co_registration
        if not how.in_place or how.repeat is None or view is None:
            return None
        (_, down), (columns, under) = how.factors
        down = max(down // under, 1)
        grid = _Grid(view, how.factors, source.siting)
        colours.append((number, _colours(grid)))
        pieces.append((number, _pieces(grid)))
        if number in surveyed:
            survey.append((number, _everywhere(grid)))
        if progress is not None:
            progress(number + 1, len(runs))
    if not colours:
        return None
    grain = _grain(met for found in (colours, pieces, survey) for _, met in found)
    first, second, third = (
        _evidence(found, (source, capture), (columns, down), grain)
        for found in (colours, pieces, survey)
    )
    return first, second, third


def _grain(read: Iterable[FloatArray]) -> int:
    """10-bit codes from one to the next that a capture uses, if luma of the source has no others.

    Of finer codes of the source, fewer bits are a step of the path.
    """
    step = sent = 0
    for met in read:
        step = int(np.gcd(step, np.gcd.reduce(met[..., 3:6].astype(np.int64), axis=None)))
        sent = int(np.gcd(sent, np.gcd.reduce(met[..., 0].astype(np.int64), axis=None)))
    grain = step & -step  # the power of two in it
    return max(grain, 1) if sent % max(grain, 1) == 0 else 1


def _evidence(
    found: list[tuple[int, FloatArray]],
    signals: tuple[Signal, Signal],
    factors: tuple[int, int],
    grain: int,
) -> Evidence:
    both = np.concatenate([met for _, met in found])
    burst = np.repeat([n for n, _ in found], [len(met) for _, met in found])
    own, capture = (replace(s, bits=min(s.bits, 10)) for s in signals)
    read = codes_to_rgb if own.matrix == "rgb" else codes_to_ycbcr
    scale = 2.0 ** (own.bits - 10)
    signal = read(both[..., :3] * scale, own.bits, own.range)
    if own.matrix == "rgb":
        signal = rgb_to_ycbcr(signal, coding(Medium(own)))
    black, span_ = luma_scale(own.bits, own.range)
    around = (both[..., 6:-2] * scale - black) / span_
    return Evidence(
        signal=signal,
        codes=both[..., 3:6] * 2.0 ** (capture.bits - 10),
        burst=burst,
        mean=around[..., 0],
        surround=around[..., 1:],
        place=both[..., -2:],
        source=own,
        capture=capture,
        columns=factors[0],
        rows=factors[1],
        grain=max(grain * 2.0 ** (capture.bits - 10), 1.0),
    )


class _Grid:
    """Both sides of a view at any of its pixels of luma.

    Chroma of the source is interpolated linearly, as sited; between its samples that of the
    capture is repeated. Where both have as many rows or columns of it, those are the same places,
    and nothing is interpolated.
    """

    def __init__(
        self, view: View, factors: tuple[tuple[int, int], tuple[int, int]], siting: str
    ) -> None:
        self.view, self.factors = view, factors
        (across, down), (over, under) = factors
        self._up = 0.5 if down > under and siting != "topleft" else 0.0
        self._left = 0.5 if across > over and siting == "centre" else 0.0
        luma = view.source[0]
        self._mean = float(luma.mean())
        self._around = [_Blurred(luma, share * len(luma)) for share in SURROUNDS]

    def at(self, rows: IntArray, columns: IntArray) -> FloatArray:
        """10-bit codes (..., C) at pixels of luma (...), what stands in them see `Evidence`.

        Y', Cb and Cr of the source and of the capture, then the mean luma of the source's picture,
        what surrounds the pixels in it, and where in the picture they are.
        """
        (across, down), (over, under) = self.factors
        up = (rows - self._up) / down if down != under else np.floor(rows / down)
        place = up, (columns - self._left) / across
        source = [interpolated(plane, *place) for plane in self.view.source[1:]]
        luma, *chroma = self.view.capture
        high, wide = (n - 1 for n in chroma[0].shape)
        there = np.minimum(rows // under, high), np.minimum(columns // over, wide)
        return np.stack(
            [
                self.view.source[0][rows, columns].astype(np.float64),
                *source,
                luma[rows, columns],
                *(plane[there] for plane in chroma),
                np.full(rows.shape, self._mean),
                *(around.at(rows, columns) for around in self._around),
                rows / self.view.mask.shape[0],
                columns / self.view.mask.shape[1],
            ],
            axis=-1,
        )


class _Blurred:
    """A plane of luma, blurred from means of blocks that are small beside the blur."""

    def __init__(self, luma: Plane, spread: float) -> None:
        self.block = block = max(1, int(spread / 4))
        rows, columns = (n // block for n in luma.shape)
        small = luma[: rows * block, : columns * block].reshape(rows, block, columns, block)
        means = small.mean(axis=(1, 3))
        self.plane = ndimage.gaussian_filter(means, spread / block, mode="nearest")

    def at(self, rows: IntArray, columns: IntArray) -> FloatArray:
        """Codes (...) at pixels of luma (...)."""
        place = ((n + 0.5) / self.block - 0.5 for n in (rows, columns))
        return interpolated(self.plane, *place)


def interpolated(plane: NDArray[Any], rows: FloatArray, columns: FloatArray) -> FloatArray:
    """Values (...) of a plane between its samples, linearly; at its ends those of the ends."""
    low, high, part = [], [], []
    for place, size in ((rows, plane.shape[0]), (columns, plane.shape[1])):
        first = np.clip(np.floor(place), 0, size - 1).astype(np.int64)
        low.append(first)
        high.append(np.minimum(first + 1, size - 1))
        part.append(np.clip(place - first, 0.0, 1.0))
    (y, x), (y2, x2), (down, across) = low, high, part
    upper = plane[y, x] * (1 - across) + plane[y, x2] * across
    lower = plane[y2, x] * (1 - across) + plane[y2, x2] * across
    found: FloatArray = upper * (1 - down) + lower * down
    return found


def _colours(grid: _Grid) -> FloatArray:
    """Colours (N, C) of captured samples of chroma, each once, mostly where little differs."""
    mask, over = grid.view.mask, grid.factors[1][0]
    rows, columns = np.nonzero(mask[:, ::over])
    step = max(1, len(rows) // SEARCHED)
    rows, columns = rows[::step], columns[::step] * over
    around = [
        grid.at(
            np.clip(rows + y, 0, mask.shape[0] - 1), np.clip(columns + x, 0, mask.shape[1] - 1)
        )[:, :3]
        for y, x in product((-REACH, 0, REACH), (-REACH, 0, REACH))
    ]
    # What rises evenly is as calm as what is flat: neither filters nor interpolation move it.
    bend = np.max([np.abs(around[n] + around[8 - n] - 2 * around[4]) for n in range(4)], axis=0)
    steep = np.ptp(around, axis=0)[:, 1:].max(axis=1) > STEEP
    even = (bend[:, 1:].max(axis=1) <= EVEN) & ~steep
    chosen = np.flatnonzero(even if np.count_nonzero(even) >= OTHER else bend[:, 0] >= 0)
    order = chosen[np.argsort(bend[chosen, 0], kind="stable")]
    calm = order[: max(CALM, int(np.count_nonzero(bend[order, 0] <= EVEN)))]
    kept = [calm[:: max(1, len(calm) // CALM)], order[:: max(1, len(order) // OTHER)]]
    rows, columns = (place[np.concatenate(kept)] for place in (rows, columns))
    return np.unique(grid.at(rows, columns), axis=0)


def _pieces(grid: _Grid) -> FloatArray:
    """Pieces (P, ROWS, COLUMNS, C) of a picture: that with most detail, and others."""
    luma, mask = grid.view.source[0], grid.view.mask
    high, wide = mask.shape
    tops, lefts = range(0, high - ROWS + 1, ROWS), range(0, wide - COLUMNS + 1, COLUMNS)
    places, detail = [], []
    for y, x in product(tops, lefts):
        inside = slice(y, y + ROWS), slice(x, x + COLUMNS)
        if mask[inside].all():
            places.append((y, x))
            detail.append(float(np.abs(np.diff(luma[inside].astype(np.int32), axis=1)).mean()))
    order = np.argsort(detail, kind="stable")[::-1]
    chosen = order[:: max(1, len(order) // PIECES)][:PIECES]
    return _cut(grid, [places[n] for n in chosen])


def _everywhere(grid: _Grid) -> FloatArray:
    """Pieces (P, ROWS, COLUMNS, C) from all over a picture."""
    mask, (high, wide) = grid.view.mask, grid.view.mask.shape
    if high < ROWS or wide < COLUMNS:
        return _cut(grid, [])
    tops, lefts = (
        np.unique(np.linspace(0, size - piece, count).astype(int) // 2 * 2).tolist()
        for size, piece, count in ((high, ROWS, DOWN), (wide, COLUMNS, ACROSS))
    )
    places = product(tops, lefts)
    return _cut(grid, [(y, x) for y, x in places if mask[y : y + ROWS, x : x + COLUMNS].all()])


def _cut(grid: _Grid, places: Sequence[tuple[int, int]]) -> FloatArray:
    y, x = np.mgrid[:ROWS, :COLUMNS]
    cut = [grid.at(top + y, left + x) for top, left in places]
    return np.array(cut).reshape(-1, ROWS, COLUMNS, CHANNELS)
