"""Exact sums over co-registered pixels of a pair, from a few bursts of frames.

They say what the sums of flat patches cannot: how codes map one by one, what filters did to
detail, and how samples move from frame to frame. Everything is counted in 10-bit codes.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np
from scipy import ndimage

from tonelab.chart import Group, sample_windows
from tonelab.media.clip import CHROMA_FACTORS
from tonelab.pairing.result import BLOCK
from tonelab.pixels.bursts import BURST
from tonelab.pixels.chroma_ways import COLUMNS as WAY_COLUMNS
from tonelab.pixels.chroma_ways import WAYS, chroma_way_sums
from tonelab.pixels.facing import (
    chroma_relation,
    facing_shift,
    overlap,
    plain_relation,
    ten_bits,
)
from tonelab.pixels.picking import (
    CODES,
    MIDDLE,
    gram,
    integers,
    neighbours,
    on_luma,
    pick,
    products,
    span,
    within,
)
from tonelab.pixels.resampling import KERNELS
from tonelab.pixels.rescaled import (
    COLUMNS,
    FINER,
    by_cell,
    chroma_sums,
    colour_sums,
    nearest_pixels,
    rescale,
    scaled_mask,
    scaling_sums,
    tell_scaling,
)
from tonelab.pixels.sites import keys_of_sites, table_of_sites
from tonelab.pixels.tables import PathTables

if TYPE_CHECKING:
    from collections.abc import Callable

    from numpy.typing import NDArray

    from tonelab.pairing import Pair
    from tonelab.pixels.rescaled import Scaling
    from tonelab.signal.arrays import FloatArray, IntArray, Mask, Plane, Planes

LUMA_REACH, CHROMA_REACH = 3, 2  # samples to each side that a filter may gather
FAINT = 24  # codes; a neighbourhood with less contrast counts as faint
BLOCK_SCALE = 16  # parts of a code in which means of blocks are counted
SURROUND_BANDS = 16  # of luma, in each of which a curve counts as straight
_DARK = 128  # luma code below which lifts and losses of codes near black bend faint detail
_STEADY_SIDE = 8  # pixels of a patch that are followed over time
_DETAIL_EVERY = 3  # bursts; this costs more than it gains by the others
_EVEN = 4  # codes between which chroma around faint detail stays
_STILL = 1  # code between which a flat place stays
_LEGAL = (4, 1019)  # codes that BT.2100 leaves to video
_SAME_PLACE = 0.05  # pixels of shift that are no resampling


def tally_paths(
    pair: Pair, runs: list[IntArray], *, progress: Callable[[int, int], None] | None = None
) -> PathTables:
    """Read some `bursts` of both clips and sum what co-registered pixels say.

    Scaled pairs of content are held against the source scaled alike; those of the chart leave all
    but the tables of patches and of resampling empty.
    """
    adder = _Adder(pair)
    for done, run in enumerate(runs):
        adder.add_burst(run, done)
        if progress is not None:
            progress(done + 1, len(runs))
    return adder.tables()


class _Adder:
    """The tables while they grow."""

    def __init__(self, pair: Pair) -> None:
        self.pair = pair
        patches = 0 if pair.layout is None else len(pair.layout.patches)
        self.shift = facing_shift(pair)
        self.frames = 0
        self.joint = np.zeros((3, CODES * CODES), np.int64)
        luma, chroma = (2 * LUMA_REACH + 1) ** 2 + 2, 2 * (2 * CHROMA_REACH + 1) ** 2 + 3
        self.luma_gram = np.zeros((2, luma, luma), np.int64)
        self.detail_gram = np.zeros((luma, luma), np.int64)
        self.chroma_gram = np.zeros((2, 2, chroma, chroma), np.int64)
        self.chroma_ways = np.zeros((len(WAYS), WAY_COLUMNS, WAY_COLUMNS), np.int64)
        self.surround_gram = np.zeros((SURROUND_BANDS, 6, 6), np.int64)
        self.resampled = np.zeros((len(KERNELS), COLUMNS, COLUMNS), np.int64)
        self.resampled_chroma = np.zeros((len(KERNELS), 5, 5), np.int64)
        self.steady = np.zeros((5, patches), np.int64)
        self.lags = np.zeros((2, BURST), np.int64)
        self.still = np.zeros((CODES, 4), np.int64)
        self.samples = [np.zeros((0, 6), np.int64)]
        self.foretold = [np.zeros((0, 11), np.int64)]
        self.sites = [np.zeros(0, np.int64)]
        self.same = np.zeros((3, 2, 2), np.int64)
        factors = [CHROMA_FACTORS[clip.subsampling] for clip in (pair.source, pair.capture)]
        self.source_factors, self.capture_factors = factors
        ratio = [a / b for a, b in zip(*factors, strict=True)]
        # Chroma of scaled pictures has no samples that face each other.
        facing = min(ratio) >= 1 and self.shift is not None
        self.repeat = (int(ratio[1]), int(ratio[0])) if facing else None
        self.rgb = "rgb" in {clip.signal.matrix for clip in (pair.source, pair.capture)}
        if pair.layout is not None:
            self.windows = sample_windows(
                pair.layout, pair.geometry_capture, pair.capture.subsampling
            )[0]

    def tables(self) -> PathTables:
        """Return what was summed."""
        facing = self.shift is not None and (self.pair.layout is not None or self._in_place())
        same = facing and self.repeat == (1, 1)
        frames, count, total, square, square_of_sum = self.steady
        return PathTables(
            frames=self.frames,
            joint=self.joint.reshape(3, CODES, CODES),
            facing=self.shift is not None,
            every_sample=np.array([facing, same, same]),
            luma_gram=self.luma_gram,
            detail_gram=self.detail_gram,
            chroma_gram=self.chroma_gram,
            chroma_ways=self.chroma_ways,
            chroma_phases=self.repeat or (1, 1),
            surround_gram=self.surround_gram,
            resampled=self.resampled,
            resampled_chroma=self.resampled_chroma,
            steady_frames=frames,
            steady_count=count,
            steady_sum=total,
            steady_square=square,
            steady_square_of_sum=square_of_sum,
            lag_square=self.lags[0],
            lag_count=self.lags[1],
            still=self.still,
            samples=np.concatenate(self.samples),
            foretold=by_cell(np.concatenate(self.foretold)),
            sites=table_of_sites(self.sites),
            same=self.same,
        )

    def add_burst(self, run: IntArray, number: int) -> None:
        """Read a burst; what needs detail looks at the pages that have it."""
        layout = self.pair.layout
        page = None if layout is None else int(run[0, 1]) // layout.hold
        kind = "detail" if layout is None or page is None else layout.pages[page].kind
        captured = list(ten_bits(self.pair.capture, run[:, 0]))
        shown = run[:, 1] if layout is None else run[-1:, 1]
        source = [next(ten_bits(self.pair.source, frame)) for frame in np.split(shown, len(shown))]
        self.frames += len(captured)
        if page is not None:
            self._add_steady([planes[0] for planes in captured], page)
        pairs = [*zip(source, captured[-len(source) :], strict=True)]
        if kind == "detail" and not self._in_place():
            scaling = self._add_resampled(source[-1], captured[-1])
            self._add_rescaled(pairs, scaling, number)
        if self.shift is None:
            return
        facing = [self._facing(*planes) for planes in pairs]
        source_planes, capture_planes = facing[-1]
        mask = self._mask(source_planes[0].shape)
        foretold = layout is None and not self._in_place()
        for plane in range(int(foretold), 3):
            self._add_joint(plane, source_planes[plane], capture_planes[plane], mask)
        if kind == "detail":
            self._add_luma(source_planes[0], capture_planes[0], mask)
        if kind == "detail" or number in (1, 2):
            self._add_chroma(source_planes, capture_planes, mask)
        if kind in {"mixed", "surround"} or layout is None:
            self._add_surround(source_planes, capture_planes[0], mask, self.source_factors)
        if layout is None:
            if not foretold and self.repeat is not None and source_planes[1].size:
                factors = self.source_factors, self.capture_factors
                self.sites.append(keys_of_sites(source_planes, capture_planes, mask, factors))
                if not self.rgb:
                    self._add_smooth(pairs[-1], source_planes, capture_planes, mask)
            if number % _DETAIL_EVERY == 0:
                self._add_detail(source_planes, capture_planes[0], mask)
            if not foretold:
                self._add_moving(facing, mask, number, self.source_factors)

    def _add_moving(
        self, facing: list[tuple[Planes, Planes]], mask: Mask, number: int, factors: tuple[int, int]
    ) -> None:
        """Add what content tells by the moment; ``factors`` are those of the source's chroma."""
        source, capture = facing[-1]
        for _, (seen, *_) in facing:  # single samples at reserved codes are another fault
            mask = mask & (seen >= _LEGAL[0]) & (seen <= _LEGAL[1])
        self._add_samples(source, capture[0], mask, number, factors)
        luma = [(s[0], c[0]) for s, c in facing]
        self._add_lags(luma, mask)
        if len(luma) > 1:
            self._add_still(luma, mask)

    def _add_rescaled(
        self, pairs: list[tuple[Planes, Planes]], scaling: Scaling, number: int
    ) -> None:
        """Hold a picture that was scaled, or moved by parts, against the source's scaled alike."""
        shape = pairs[-1][1][0].shape
        relation, mask = plain_relation(self.pair), scaled_mask(self.pair, shape)
        across, down = self.source_factors
        rows, columns = nearest_pixels(self.pair, shape)
        facing, plain = [], np.zeros(shape)
        for (luma, *chroma), capture in pairs:
            plain, shown, inside = rescale(luma, shape, relation, scaling)
            mask &= inside
            height, width = chroma[0].shape
            there = np.ix_(
                np.minimum(rows // down, height - 1), np.minimum(columns // across, width - 1)
            )
            facing.append(((shown, chroma[0][there], chroma[1][there]), capture))
        shown, capture = facing[-1][0][0], facing[-1][1]
        if self.shift is None:
            self._add_luma(shown, capture[0], mask, plain)
            if (self.source_factors, self.capture_factors) == ((2, 2), (2, 1)):
                (scale_x, scale_y), (x, y) = relation
                to_rows = (scale_x, scale_y), (x / 2, y)
                held = pairs[-1][0], capture, mask[:, ::2], to_rows, scaling.name
                self.chroma_ways += chroma_way_sums(*held)
        if self.pair.layout is not None:
            return  # whose flat patches tell all else
        self._add_moving(facing, mask, number, (1, 1))
        self._add_joint(0, shown, capture[0], mask)
        if self.shift is None:
            self._add_surround(facing[-1][0], capture[0], mask, (1, 1))
        if not self.rgb:
            how = chroma_relation(self.pair), scaling.name
            self.foretold.append(colour_sums(pairs[-1][0], capture, shown, mask, *how))
            self._add_flat(facing[-1][0], capture, mask)

    def _add_smooth(
        self, whole: tuple[Planes, Planes], source: Planes, capture: Planes, mask: Mask
    ) -> None:
        """Add colours of places whose chroma is smooth, as few are flat on film."""
        if any(self.shift or ()):
            return
        across, down = self.capture_factors
        rows, columns = (-(-n // f) for n, f in zip(mask.shape, (down, across), strict=True))
        y, cb, cr = capture
        shared = y, cb[:rows, :columns], cr[:rows, :columns]
        how = chroma_relation(self.pair), "bilinear"
        self.foretold.append(colour_sums(whole[0], shared, source[0], mask, *how))

    def _add_flat(self, source: Planes, capture: Planes, mask: Mask) -> None:
        """Add colours that a scaler leaves alone; the source in the size of captured luma."""
        flat = np.logical_and.reduce([span(plane, LUMA_REACH) == 0 for plane in source])
        factors = (1, 1), self.capture_factors
        self.sites.append(keys_of_sites(source, capture, mask & flat, factors))

    def _in_place(self) -> bool:
        """Whether each captured pixel stands for one of the source."""
        if self.shift is None:
            return False
        offset = self.pair.facts.offset
        return max(abs(o - s) for o, s in zip(offset, self.shift, strict=True)) <= _SAME_PLACE

    def _facing(self, source: Planes, capture: Planes) -> tuple[Planes, Planes]:
        """Cut both sides down to what they share; chroma only under whole chroma shifts."""
        assert self.shift is not None
        cut = [
            overlap(
                a,
                b,
                self.shift if plane == 0 else None,
                self.shift,
                self.source_factors,
                self.capture_factors,
            )
            for plane, (a, b) in enumerate(zip(source, capture, strict=True))
        ]
        (y, y2), (cb, cb2), (cr, cr2) = cut
        return (y, cb, cr), (y2, cb2, cr2)

    def _mask(self, shape: tuple[int, ...]) -> Mask:
        """Luma pixels that belong to the picture on both sides."""
        height, width = shape
        if self.pair.usable is None:
            mask = np.ones((height, width), bool)
            margin = round(3 * self.pair.geometry_source.scale[1]) + 2
            mask[:margin] = mask[-margin:] = False
            return mask
        assert self.shift is not None
        whole = self.pair.usable.repeat(BLOCK, axis=0).repeat(BLOCK, axis=1)
        x, y = (max(0, -s) for s in self.shift)
        return whole[y : y + height, x : x + width]

    def _add_joint(self, plane: int, a: Plane, b: Plane, mask: Mask) -> None:
        wanted = mask
        if a.shape == b.shape:
            self._add_same(plane, a, b)
        if plane:
            if self.repeat is None or not a.size:
                return
            down, across = self.source_factors[1], self.source_factors[0]
            wanted = mask[::down, ::across]
            rows, columns = (min(n) for n in zip(a.shape, wanted.shape, strict=True))
            a, wanted = a[:rows, :columns], wanted[:rows, :columns]
            if self.repeat != (1, 1):
                wanted = wanted & (span(a, 1) == 0)
                a = a.repeat(self.repeat[0], 0).repeat(self.repeat[1], 1)
                wanted = wanted.repeat(self.repeat[0], 0).repeat(self.repeat[1], 1)
            rows, columns = (min(n) for n in zip(a.shape, b.shape, wanted.shape, strict=True))
            a, b = a[:rows, :columns], b[:rows, :columns]
            wanted = wanted[:rows, :columns]
        key = a[wanted].astype(np.int64) * CODES + b[wanted]
        self.joint[plane] += np.bincount(key, minlength=CODES * CODES)

    def _add_same(self, plane: int, one: Plane, other: Plane) -> None:
        flat, same = span(one, CHROMA_REACH) == 0, one == other
        for row, place in enumerate((flat, ~flat)):
            self.same[plane, row] += place.sum(), (place & same).sum()

    def _add_luma(
        self, source: Plane, capture: Plane, mask: Mask, exact: FloatArray | None = None
    ) -> None:
        """Sum products around luma; ``exact`` is a foretold source that was not rounded."""
        spread = np.where(source < _DARK, 0, span(source, LUMA_REACH))
        shown, finer = (source, 1) if exact is None else (_finer(exact), FINER)
        for stratum, wanted in enumerate(((spread > 2) & (spread <= FAINT), spread > FAINT)):
            rows, columns = pick(wanted & mask & within(source.shape, LUMA_REACH))
            taps = neighbours(shown, rows, columns, LUMA_REACH)
            targets = finer * (capture[rows, columns][:, None].astype(np.float64) - MIDDLE)
            self.luma_gram[stratum] += gram(taps, targets)

    def _add_detail(self, source: Planes, capture: Plane, mask: Mask) -> None:
        y, *chroma = source
        if not chroma[0].size:
            return
        across, down = self.source_factors
        reach = 2 * LUMA_REACH
        spread = span(y, LUMA_REACH)
        uneven = [span(plane, -(-reach // min(across, down))) for plane in chroma]
        even = on_luma(np.maximum(*uneven) <= _EVEN, (across, down), mask.shape)
        # The mean around a captured sample must not take in what covers the picture.
        whole = ndimage.minimum_filter(mask, 2 * LUMA_REACH + 1) & within(mask.shape, reach)
        wanted = (spread > 2 * _STILL) & (spread <= FAINT) & (y >= _DARK) & even & whole
        rows, columns = pick(wanted)
        detail, shown = (
            integers(
                (2 * LUMA_REACH + 1) ** 2
                * (plane - ndimage.uniform_filter(plane, 2 * LUMA_REACH + 1))
            )
            for plane in (y.astype(np.float64), capture.astype(np.float64))
        )
        taps = neighbours(detail + MIDDLE, rows, columns, LUMA_REACH)
        self.detail_gram += gram(taps, shown[rows, columns][:, None].astype(np.float64))

    def _add_chroma(self, source: Planes, capture: Planes, mask: Mask) -> None:
        if self.repeat is None or not source[1].size:
            return
        cb, cr = source[1:]
        wanted = np.maximum(span(cb, CHROMA_REACH), span(cr, CHROMA_REACH)) > 8
        down, across = self.source_factors[1], self.source_factors[0]
        rows, columns = (min(n) for n in zip(cb.shape, mask[::down, ::across].shape, strict=True))
        wanted[:rows, :columns] &= mask[::down, ::across][:rows, :columns]
        wanted[rows:], wanted[:, columns:] = False, False
        rows, columns = pick(wanted & within(cb.shape, CHROMA_REACH))
        taps = np.concatenate(
            [neighbours(plane, rows, columns, CHROMA_REACH) for plane in (cb, cr)], axis=1
        )
        for dy in range(self.repeat[0]):
            for dx in range(self.repeat[1]):
                y, x = rows * self.repeat[0] + dy, columns * self.repeat[1] + dx
                inside = (y < capture[1].shape[0]) & (x < capture[1].shape[1])
                targets = np.stack([plane[y[inside], x[inside]] for plane in capture[1:]], axis=1)
                self.chroma_gram[dy, dx] += gram(taps[inside], targets.astype(np.float64) - MIDDLE)

    def _add_steady(self, frames: list[Plane], page: int) -> None:
        layout = self.pair.layout
        assert layout is not None
        neutral = (layout.patches.group == Group.NEUTRAL) & (layout.patches.page == page)
        rows = np.flatnonzero(neutral & (self.windows[:, 2] > 0))
        if not len(rows):
            return
        x0, y0, x1, y1 = self.windows[rows].T
        side = min(int((x1 - x0).min()), int((y1 - y0).min()), _STEADY_SIDE)
        y, x = np.divmod(np.arange(side * side), side)
        codes = np.stack([plane[y0[:, None] + y, x0[:, None] + x] for plane in frames])
        kept = _video(codes).all(axis=(0, 2))
        rows, codes = rows[kept], codes[:, kept].astype(np.int64)
        total = codes.sum(axis=0)
        self.steady[:, rows] = (
            np.full(len(rows), len(frames)),
            np.full(len(rows), side * side),
            total.sum(axis=1),
            (codes**2).sum(axis=(0, 2)),
            (total**2).sum(axis=1),
        )
        for lag in range(1, len(frames)):
            change = codes[lag:] - codes[:-lag]
            self.lags[:, lag] += (change**2).sum(), change.size

    def _add_samples(
        self, source: Planes, capture: Plane, mask: Mask, number: int, factors: tuple[int, int]
    ) -> None:
        """Keep luma where chroma is flat, so that no filter of chroma has a say in it."""
        y, cb, cr = source
        if not cb.size:
            return
        across, down = factors
        reach = 1 if factors != (1, 1) else LUMA_REACH
        flat = (span(cb, reach) == 0) & (span(cr, reach) == 0)
        rows, columns = pick(on_luma(flat, factors, mask.shape) & mask)
        place = rows // down, columns // across
        codes = (y[rows, columns], cb[place], cr[place], capture[rows, columns])
        found, count = np.unique(np.stack(codes, axis=1), axis=0, return_counts=True)
        head = np.full(len(found), number)
        self.samples.append(np.column_stack([head, found, count]).astype(np.int64))

    def _add_lags(self, frames: list[tuple[Plane, Plane]], mask: Mask) -> None:
        """Sum changes of flat places that have the same source luma code in two frames."""
        frames = frames if len(frames) > 2 else []
        flat = [mask & (span(source, LUMA_REACH) <= _STILL) for source, _ in frames]
        for lag in range(1, len(frames)):
            for n in range(lag, len(frames)):
                (one, seen), (other, again) = frames[n - lag], frames[n]
                same = flat[n - lag] & flat[n] & (one == other) & _video(seen) & _video(again)
                change = again[same].astype(np.int64) - seen[same]
                self.lags[:, lag] += (change**2).sum(), change.size

    def _add_still(self, frames: list[tuple[Plane, Plane]], mask: Mask) -> None:
        """Sum flat places of two frames; what moves there is no source's."""
        (one, seen), (other, again) = frames[:2]
        flat = mask & within(mask.shape, LUMA_REACH) & (one == other) & _video(seen) & _video(again)
        for source in (one, other):
            flat &= span(source, LUMA_REACH) <= _STILL
        a, b = seen[flat].astype(np.float64), again[flat].astype(np.float64)
        for column, weights in enumerate((np.ones(a.size), a + b, a * a + b * b, a * b)):
            sums = np.bincount(one[flat], weights=weights, minlength=CODES)
            self.still[:, column] += integers(sums)

    def _add_surround(
        self, source: Planes, capture: Plane, mask: Mask, factors: tuple[int, int]
    ) -> None:
        rows, columns = (n // BLOCK for n in mask.shape)

        def means(plane: NDArray[Any], across: int = 1, down: int = 1) -> IntArray:
            height, width = BLOCK // down, BLOCK // across
            blocks = plane[: rows * height, : columns * width].reshape(rows, height, columns, width)
            return integers(BLOCK_SCALE * (blocks.mean(axis=(1, 3)) - MIDDLE))

        cut = mask[: rows * BLOCK, : columns * BLOCK].reshape(rows, BLOCK, columns, BLOCK)
        whole = cut.all(axis=(1, 3)) & within((rows, columns), 2)
        own = means(source[0])
        around = integers(ndimage.uniform_filter(own.astype(np.float64), 5))
        chroma = [
            means(plane, *factors) if plane.size else np.zeros_like(own) for plane in source[1:]
        ]
        parts = [np.ones_like(own), own, *chroma, around, means(capture)]
        blocks = np.stack([part[whole] for part in parts], axis=1).astype(np.float64)
        band = (own[whole] // BLOCK_SCALE + MIDDLE) * SURROUND_BANDS // CODES
        for n in np.unique(band):
            self.surround_gram[n] += products(blocks[band == n])

    def _add_resampled(self, source: Planes, capture: Planes) -> Scaling:
        mask = scaled_mask(self.pair, capture[0].shape)
        chroma = np.zeros_like(self.resampled_chroma)
        if self.rgb:
            middle = np.full_like(capture[1], MIDDLE)
            capture = capture[0], middle, middle
        else:
            chroma = chroma_sums(source, capture, mask, chroma_relation(self.pair))
        luma = scaling_sums(source[0], capture, mask, plain_relation(self.pair))
        self.resampled += luma
        self.resampled_chroma += chroma
        return tell_scaling(luma, chroma)


def _video(codes: Plane) -> Mask:
    """Codes that are not reserved for synchronisation, BT.2100; those that are tell no noise."""
    legal: Mask = (codes > 3) & (codes < 1020)
    return legal


def _finer(plane: FloatArray) -> IntArray:
    """Parts of codes about the middle, as no rounding of what is foretold may weaken detail."""
    return integers(FINER * (plane - MIDDLE)) + MIDDLE
