"""The frames of a pair that the checks look at pixel by pixel, and what is read of them."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import pairwise
from typing import TYPE_CHECKING

import numpy as np

from tonelab.pairing.result import BLOCK
from tonelab.pixels.co_registration import (
    chroma_relation,
    co_register,
    overlap,
    pictures,
    plain_relation,
    ten_bits,
)
from tonelab.pixels.picking import LUMA_REACH, MIDDLE, is_video, span
from tonelab.pixels.resampling import KERNELS
from tonelab.pixels.rescaled import (
    CHROMA_COLUMNS,
    chroma_sums,
    identify_scaling,
    nearest_pixels,
    rescale,
    scaled_mask,
    scaling_sums,
)
from tonelab.pixels.tables import CONTENT

if TYPE_CHECKING:
    from numpy.typing import NDArray

    from tonelab.pairing import Pair
    from tonelab.pixels.co_registration import CoRegistration
    from tonelab.pixels.rescaled import Scaling
    from tonelab.signal.arrays import FloatArray, IntArray, Mask, Plane, Planes

BURST = 9  # frames; shows periods up to eight
BURSTS = 12  # of content without pages, of two frames each
LONG_BURST = 5  # frames of two among them, which show periods up to four
_STEPS, _PARTS = LONG_BURST - 1, (0.25, 0.75)  # within such a burst, and where in the clip


def bursts(pair: Pair) -> list[IntArray]:
    """Choose runs of matches, (n, 2) each: one on every chart page, or spread over the content."""
    matches = pair.matches
    if pair.layout is not None:
        page = matches[:, 1] // pair.layout.hold
        edges = [0, *(np.flatnonzero(np.diff(page)) + 1).tolist(), len(matches)]
        runs = {int(page[a]): matches[a:b] for a, b in reversed([*pairwise(edges)])}
        # The end of a page is the safest: devices settle at its start.
        return [_unbroken(runs[key])[-BURST:] for key in sorted(runs)]
    # Even starts, so that bursts of a short clip do not share frames.
    last = max(len(matches) - 2, 0)
    starts = np.unique(np.linspace(0, last, BURSTS).astype(int) // 2 * 2)
    if pair.still:  # all frames show the same
        starts = np.unique([min(int(part * len(matches)), last) // 2 * 2 for part in _PARTS])
    in_row = np.append(np.diff(matches, axis=0) == 1, [[False, False]], axis=0).all(axis=1)
    whole = [n for n in starts if len(in_row) - n >= LONG_BURST and in_row[n:][:_STEPS].all()]
    places = np.array(whole, np.int64)
    wanted = [part * len(matches) for part in _PARTS if whole]
    long = {int(places[np.abs(places - place).argmin()]) for place in wanted}
    within = {start + n for start in long for n in range(1, LONG_BURST)}
    return [
        _unbroken(matches[start : start + (LONG_BURST if start in long else 2)])
        for start in starts
        if start not in within
    ]


def _unbroken(run: IntArray) -> IntArray:
    """Longest stretch of a run without a missing captured frame."""
    cuts = np.flatnonzero(np.diff(run[:, 0]) != 1) + 1
    return max(np.split(run, cuts), key=len)


@dataclass(eq=False)
class View:
    """Pictures of both sides that are co-registered, pixel by pixel of luma.

    Attributes
    ----------
    pairs
        Planes of source and capture of the frames of a burst, in 10-bit codes. Chroma may be empty
        where its samples are not co-registered.
    mask
        Luma pixels of the picture on both sides.
    factors
        Luma pixels (x, y) of a chroma sample of the source.
    exact
        Luma of the last source picture before it was rounded, where it was scaled; else None.
    """

    pairs: list[tuple[Planes, Planes]]
    mask: Mask
    factors: tuple[int, int]
    exact: FloatArray | None = None

    @property
    def source(self) -> Planes:
        """The last source picture."""
        return self.pairs[-1][0]

    @property
    def capture(self) -> Planes:
        """The last captured picture."""
        return self.pairs[-1][1]

    @cached_property
    def legal(self) -> Mask:
        """The mask, less what any frame captured in reserved codes; they are another fault."""
        mask = self.mask
        for _, (luma, *_) in self.pairs:
            mask = mask & is_video(luma)
        return mask

    @cached_property
    def spans(self) -> list[NDArray[np.int32]]:
        """Contrast of luma around each pixel of each source picture, see `picking.span`."""
        return [span(source[0], LUMA_REACH) for source, _ in self.pairs]


class Burst:
    """One burst of frames of a pair, and what the tables need of it; each worked out once.

    Parameters
    ----------
    pair
        Source and capture, registered.
    number
        Of the burst among those of the pair.
    run
        Matches (N, 2) of consecutive captured frames.
    """

    def __init__(self, pair: Pair, number: int, run: IntArray) -> None:
        self.pair, self.number, self.run = pair, number, run

    @cached_property
    def co_registration(self) -> CoRegistration:
        """How the samples of the pair are co-registered."""
        return co_register(self.pair)

    @property
    def page(self) -> int | None:
        """Number of the chart's page; None for content."""
        layout = self.pair.layout
        return None if layout is None else int(self.run[0, 1]) // layout.hold

    @property
    def kind(self) -> str:
        """Kind of the chart's page, or `CONTENT`."""
        layout, page = self.pair.layout, self.page
        return CONTENT if layout is None or page is None else layout.pages[page].kind

    @property
    def chart(self) -> bool:
        """Whether it shows the chart."""
        return self.pair.layout is not None

    @property
    def lumas(self) -> list[Plane]:
        """Luma of every captured frame."""
        return self._captured[0]

    @cached_property
    def pairs(self) -> list[tuple[Planes, Planes]]:
        """Whole planes of source and capture, 10-bit codes; of a page of the chart the last."""
        captured = self._captured[1]
        shown = self.run[-len(captured) :, 1]
        planes = pictures(self.pair.source, shown)
        return [(planes[int(n)], seen) for n, seen in zip(shown, captured, strict=True)]

    @cached_property
    def _captured(self) -> tuple[list[Plane], list[Planes]]:
        lumas: list[Plane] = []
        kept: list[Planes] = []
        for planes in ten_bits(self.pair.capture, self.run[:, 0]):
            lumas.append(planes[0])
            # A page stands still: luma of small windows is followed over it, and no more.
            kept = [planes] if self.chart else [*kept, planes]
        return lumas, kept

    @cached_property
    def co_registered(self) -> View | None:
        """Both sides cut to what they share; None where no pixels are co-registered."""
        if self.co_registration.shift is None:
            return None
        pairs = [self._cut(*planes) for planes in self.pairs]
        return View(pairs, self._shared(pairs[-1][0][0].shape), self.co_registration.factors[0])

    @cached_property
    def scaled(self) -> View | None:
        """The capture and the source as its scaler makes it; None where pixels are in place.

        None too on pages of a chart without detail. Its chroma is that nearest to each luma pixel.
        """
        if self.co_registration.in_place or self.kind not in {CONTENT, "detail"}:
            return None
        shape = self.pairs[-1][1][0].shape
        relation, mask = plain_relation(self.pair), scaled_mask(self.pair, shape)
        across, down = self.co_registration.factors[0]
        rows, columns = nearest_pixels(self.pair, shape)
        pairs, exact = [], np.zeros(shape)
        for (luma, *chroma), capture in self.pairs:
            exact, shown, inside = rescale(luma, shape, relation, self.scaling)
            mask &= inside
            height, width = chroma[0].shape
            there = np.ix_(
                np.minimum(rows // down, height - 1), np.minimum(columns // across, width - 1)
            )
            pairs.append(((shown, chroma[0][there], chroma[1][there]), capture))
        return View(pairs, mask, (1, 1), exact)

    @property
    def shown(self) -> View | None:
        """The view in which each captured pixel stands for one of the source."""
        return self.co_registered if self.co_registration.in_place else self.scaled

    @property
    def nearest(self) -> View | None:
        """Pixels that are co-registered, if not to the fraction, or else the scaled source."""
        return self.co_registered or self.scaled

    @cached_property
    def scaling_sums(self) -> tuple[IntArray, IntArray]:
        """Sums of `scaling_sums` and of `chroma_sums` of the last picture."""
        source, capture = self.pairs[-1]
        mask = scaled_mask(self.pair, capture[0].shape)
        relation = plain_relation(self.pair)
        if self.co_registration.rgb:
            middle = np.full_like(capture[1], MIDDLE)
            capture = capture[0], middle, middle
            none = np.zeros((len(KERNELS), CHROMA_COLUMNS, CHROMA_COLUMNS), np.int64)
            return scaling_sums(source[0], capture, mask, relation), none
        chroma = chroma_sums(source, capture, mask, chroma_relation(self.pair))
        return scaling_sums(source[0], capture, mask, relation), chroma

    @cached_property
    def scaling(self) -> Scaling:
        """How the last picture was scaled, by itself."""
        return identify_scaling(*self.scaling_sums)

    def _cut(self, source: Planes, capture: Planes) -> tuple[Planes, Planes]:
        """Cut both sides down to what they share; chroma only under whole chroma shifts."""
        shift = self.co_registration.shift
        assert shift is not None
        cut = [
            overlap(a, b, None if plane else shift, shift, *self.co_registration.factors)
            for plane, (a, b) in enumerate(zip(source, capture, strict=True))
        ]
        (y, y2), (cb, cb2), (cr, cr2) = cut
        return (y, cb, cr), (y2, cb2, cr2)

    def _shared(self, shape: tuple[int, ...]) -> Mask:
        """Luma pixels that belong to the picture on both sides."""
        height, width = shape
        if self.pair.usable is None:
            mask = np.ones((height, width), bool)
            margin = round(3 * self.pair.geometry_source.scale[1]) + 2
            mask[:margin] = mask[-margin:] = False
            x, y = (max(0, s) for s in self.co_registration.shift or (0, 0))
            for left, top, right, bottom in self.pair.geometry_capture.covers:
                mask[max(0, top - y) : bottom - y, max(0, left - x) : right - x] = False
            return mask
        assert self.co_registration.shift is not None
        whole = self.pair.usable.repeat(BLOCK, axis=0).repeat(BLOCK, axis=1)
        x, y = (max(0, -s) for s in self.co_registration.shift)
        return whole[y : y + height, x : x + width]
