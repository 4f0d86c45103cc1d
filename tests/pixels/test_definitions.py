"""The pixel tables against their definitions, counted place by place without filters of scipy.

Kernels and spans, which are built for speed, are held against those filters.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import replace
from itertools import product

import numpy as np
import pytest
from charted import MemoryClip, capture_signal, clean, layout_of, registered, rounded, source_clip
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.lib.stride_tricks import sliding_window_view
from scipy import ndimage

from tonelab.chart import Geometry, Group, sample_windows
from tonelab.pairing import Pair
from tonelab.pixels.bursts import bursts
from tonelab.pixels.kernels import convolved, correlated
from tonelab.pixels.picking import span
from tonelab.pixels.run import tally_pixels
from tonelab.results import PairingFacts

WIDTH, HEIGHT, FRAMES = 112, 96, 12
SHIFTS = ((0, 0), (2, 4), (1, 0))  # whole pixels; the last leaves no chroma that faces any
LEGAL = (4, 1019)


def picture(index):
    """Flat, shaded and noisy places, part of which moves from frame to frame; 4:2:0."""
    generator = np.random.default_rng(7)
    y, x = np.mgrid[:HEIGHT, :WIDTH]
    luma = 120 + 180 * (x // 28) + 90 * (y // 48)
    luma[:, 84:] = 300 + 5 * y[:, 84:]
    luma[40:80, 30:80] += generator.integers(-60, 60, (40, 50))
    luma[:24, 30:80] += generator.integers(-6, 6, (24, 50))
    luma[80:, 3 * index : 3 * index + 9] = 700
    chroma = [np.full((HEIGHT // 2, WIDTH // 2), 500 + 8 * n) for n in range(2)]
    for plane in chroma:
        plane[:, 20:] += 40
        plane[30:, 30:] += generator.integers(-50, 50, (18, 26))
    return tuple(plane.astype(np.uint16) for plane in (luma, *chroma))


def recorded(index, shift):
    """A curve, noise and a few reserved codes, moved by whole pixels; 4:2:2."""
    generator = np.random.default_rng((11, index))
    planes = clean(picture(index))
    planes = (rounded(900 * (planes[0] / 1000) ** 0.9), *planes[1:])
    planes = [rounded(p + generator.integers(-1, 2, p.shape)) for p in planes]
    planes[0][generator.random(planes[0].shape) < 0.002] = 2
    (x, y), factors = shift, ((1, 1), (2, 1), (2, 1))
    return tuple(
        np.roll(plane, (y // down, x // across), axis=(0, 1))
        for plane, (across, down) in zip(planes, factors, strict=True)
    )


def content(shift):
    clips = (
        MemoryClip("source.mkv", picture, FRAMES, capture_signal(), "420"),
        MemoryClip("capture.mov", lambda n: recorded(n, shift), FRAMES, capture_signal(), "422"),
    )
    grid = Geometry((1.0, 1.0), (0.0, 0.0), (WIDTH, HEIGHT))
    offset = tuple(map(float, shift))
    facts = PairingFacts("content", (1.0, 1.0), offset, 0.0, 0, FRAMES)
    usable = np.ones((HEIGHT // 16, WIDTH // 16), bool)
    usable[1, 2] = usable[-1, -1] = False
    matches = np.arange(FRAMES).repeat(2).reshape(-1, 2)
    return Pair(*clips, None, grid, grid, matches, facts, (), usable, np.zeros(1, np.int64))


RUNS = [np.arange(a, b).repeat(2).reshape(-1, 2) for a, b in ((0, 4), (4, 5), (5, 7), (7, 12))]


class Held:
    """Both sides of a burst of content, cut to what faces each other."""

    def __init__(self, shift, run):
        x, y = shift
        self.frames = [
            (picture(n)[0][: HEIGHT - y, : WIDTH - x], recorded(n, shift)[0][y:, x:])
            for n in run[:, 1]
        ]
        last = int(run[-1, 1])
        self.luma, self.seen = self.frames[-1]
        self.shares_chroma = x % 2 == 0
        self.chroma = picture(last)[1:]
        self.seen_chroma = [plane[y:, x // 2 :] for plane in recorded(last, shift)[1:]]
        usable = content(shift).usable
        self.usable = usable.repeat(16, 0).repeat(16, 1)[: HEIGHT - y, : WIDTH - x]
        video = [(LEGAL[0] <= seen) & (seen <= LEGAL[1]) for _, seen in self.frames]
        self.legal = self.usable & np.logical_and.reduce(video)
        self.shape = self.luma.shape


def spread(plane, reach):
    """Highest less lowest code of the places around each that are in the picture."""
    low, high = (
        sliding_window_view(
            np.pad(plane.astype(int), reach, constant_values=outside), (2 * reach + 1,) * 2
        )
        for outside in (10_000, -10_000)
    )
    return high.max(axis=(2, 3)) - low.min(axis=(2, 3))


def square(rows):
    rows = np.array(rows, np.int64)
    return np.einsum("ni,nj->ij", rows, rows)


def around(plane, y, x, reach):
    taps = plane[y - reach : y + reach + 1, x - reach : x + reach + 1].astype(int)
    return taps.ravel() - 512


def chroma_places(held):
    """Source chroma samples with the luma pixel in the same place."""
    for y, x in np.ndindex(held.chroma[0].shape):
        if 2 * y < held.shape[0] and 2 * x < held.shape[1]:
            yield y, x


def definition_of_joint(held):
    joint = np.zeros((3, 1024, 1024), np.int64)
    np.add.at(joint[0], (held.luma[held.usable], held.seen[held.usable]), 1)
    if held.shares_chroma:
        for plane, (one, other) in enumerate(zip(held.chroma, held.seen_chroma, strict=True), 1):
            inside = one[: -(-held.shape[0] // 2), : -(-held.shape[1] // 2)]
            flat = spread(inside, 1) == 0
            for (y, x), row in product(chroma_places(held), range(2)):
                there = 2 * y + row, x
                if flat[y, x] and held.usable[2 * y, 2 * x] and there[0] < other.shape[0]:
                    joint[plane][one[y, x], other[there]] += 1
    return joint


def definition_of_same(held):
    rows = np.zeros((3, 2, 2), np.int64)
    flat = spread(held.luma, 2) == 0
    for n, place in enumerate((flat, ~flat)):
        rows[0, n] = place.sum(), (held.luma == held.seen)[place].sum()
    if not held.shares_chroma:  # two empty planes
        return rows
    assert held.chroma[0].shape != held.seen_chroma[0].shape  # 4:2:0 faces 4:2:2
    return rows


def definition_of_luma_gram(held):
    contrast = np.where(held.luma < 128, 0, spread(held.luma, 3))
    rows = ([np.zeros(51)], [np.zeros(51)])
    for y, x in np.argwhere(held.usable):
        inner = 3 <= y < held.shape[0] - 3 and 3 <= x < held.shape[1] - 3
        if inner and contrast[y, x] > 2:
            row = [*around(held.luma, y, x, 3), 1, int(held.seen[y, x]) - 512]
            rows[int(contrast[y, x] > 24)].append(row)
    return np.stack([square(part) for part in rows])


def definition_of_detail_gram(held):
    contrast, total = spread(held.luma, 3), np.zeros((51, 51), np.int64)
    if not held.shares_chroma:
        return total
    uneven = np.maximum(*(spread(plane, 3) for plane in held.chroma))

    def less_mean(plane, y, x):
        return 49 * int(plane[y, x]) - int(plane[y - 3 : y + 4, x - 3 : x + 4].sum())

    rows = []
    for y, x in np.argwhere(held.usable):
        inner = 6 <= y < held.shape[0] - 6 and 6 <= x < held.shape[1] - 6
        if not inner or not 2 < contrast[y, x] <= 24 or held.luma[y, x] < 128:
            continue
        if uneven[y // 2, x // 2] <= 4 and held.usable[y - 3 : y + 4, x - 3 : x + 4].all():
            near = product(range(y - 3, y + 4), range(x - 3, x + 4))
            taps = [less_mean(held.luma, *place) for place in near]
            rows.append([*taps, 1, less_mean(held.seen, y, x)])
    assert rows
    return square(rows)


def definition_of_chroma_gram(held):
    rows = {phase: [np.zeros(53)] for phase in np.ndindex(2, 2)}
    if held.shares_chroma:
        contrast = np.maximum(*(spread(plane, 2) for plane in held.chroma))
        height, width = held.chroma[0].shape
        for (y, x), down in product(chroma_places(held), range(2)):
            inner = 2 <= y < height - 2 and 2 <= x < width - 2
            there = 2 * y + down, x
            seen = all(n < most for n, most in zip(there, held.seen_chroma[0].shape, strict=True))
            if inner and seen and contrast[y, x] > 8 and held.usable[2 * y, 2 * x]:
                taps = np.concatenate([around(plane, y, x, 2) for plane in held.chroma])
                row = [*taps, 1, *(int(plane[there]) - 512 for plane in held.seen_chroma)]
                rows[down, 0].append(row)
    return np.array([[square(rows[y, x]) for x in range(2)] for y in range(2)])


def definition_of_surround_gram(held):
    rows, columns = (n // 16 for n in held.shape)

    def means(plane, across=1, down=1):
        found = np.zeros((rows, columns), int)
        for y, x in np.ndindex(found.shape):
            high, wide = 16 // down, 16 // across
            block = plane[y * high : (y + 1) * high, x * wide : (x + 1) * wide]
            found[y, x] = np.rint(16 * (block.mean() - 512))
        return found

    own, seen = means(held.luma), means(held.seen)
    none = np.zeros_like(own)
    chroma = [means(p, 2, 2) if held.shares_chroma else none for p in held.chroma]
    total = np.zeros((16, 6, 6), np.int64)
    for y, x in product(range(2, rows - 2), range(2, columns - 2)):
        if held.usable[16 * y : 16 * y + 16, 16 * x : 16 * x + 16].all():
            near = int(np.rint(own[y - 2 : y + 3, x - 2 : x + 3].mean()))
            row = [1, own[y, x], *(plane[y, x] for plane in chroma), near, seen[y, x]]
            total[(own[y, x] // 16 + 512) * 16 // 1024] += np.outer(row, row)
    return total


def definition_of_still(held):
    table = np.zeros((1024, 4), np.int64)
    if len(held.frames) < 2:
        return table
    (one, seen), (other, again) = held.frames[:2]
    flat = np.maximum(spread(one, 3), spread(other, 3)) <= 1
    for y, x in np.argwhere(held.legal & flat & (one == other)):
        if 3 <= y < held.shape[0] - 3 and 3 <= x < held.shape[1] - 3:
            a, b = int(seen[y, x]), int(again[y, x])
            table[one[y, x]] += [1, a + b, a * a + b * b, a * b]
    return table


def definition_of_lags(held):
    squares, count = np.zeros((2, 9), np.int64)
    flat = [spread(one, 3) <= 1 for one, _ in held.frames]
    for n, m in product(range(len(held.frames)), repeat=2):
        if len(held.frames) > 2 and m > n:
            (one, seen), (other, again) = held.frames[n], held.frames[m]
            same = held.legal & flat[n] & flat[m] & (one == other)
            squares[m - n] += ((again.astype(int) - seen)[same] ** 2).sum()
            count[m - n] += same.sum()
    return squares, count


def definition_of_samples(held, number):
    met = Counter()
    if held.shares_chroma:
        flat = np.maximum(*(spread(plane, 1) for plane in held.chroma)) == 0
        for y, x in np.argwhere(held.legal):
            if flat[y // 2, x // 2]:
                chroma = (int(plane[y // 2, x // 2]) for plane in held.chroma)
                met[number, int(held.luma[y, x]), *chroma, int(held.seen[y, x])] += 1
    return met


def definition_of_sites(held):
    met = Counter()
    if held.shares_chroma:
        flat = np.maximum(*(spread(plane, 1) for plane in held.chroma)) == 0
        for y, x in np.argwhere(held.usable):
            row, column = y, x // 2
            if x % 2 or not flat[y // 2, column] or row >= held.seen_chroma[0].shape[0]:
                continue
            source = int(held.luma[y, x]), *(int(p[y // 2, column]) for p in held.chroma)
            seen = int(held.seen[y, x]), *(int(p[row, column]) for p in held.seen_chroma)
            met[*source, *seen] += 1
    return met


@pytest.fixture(scope="module", params=SHIFTS, ids=str)
def shift(request):
    return request.param


@pytest.fixture(scope="module")
def tables(shift):
    return tally_pixels(content(shift), RUNS, workers=1)


@pytest.fixture(scope="module")
def held(shift):
    return [Held(shift, run) for run in RUNS]


@pytest.mark.parametrize(
    "name",
    ["joint", "same", "luma_gram", "chroma_gram", "surround_gram", "still"],
)
def test_sums_over_content_are_those_of_their_definition(tables, held, name):
    expected = sum(globals()[f"definition_of_{name}"](part) for part in held)
    np.testing.assert_array_equal(getattr(tables, name), expected)


def test_faint_detail_is_summed_in_every_third_burst(tables, held):
    expected = sum(definition_of_detail_gram(part) for part in held[::3])
    np.testing.assert_array_equal(tables.detail_gram, expected)


def test_changes_over_frames_are_those_of_their_definition(tables, held):
    squares, count = (sum(part) for part in zip(*map(definition_of_lags, held), strict=True))
    np.testing.assert_array_equal(tables.lag_square, squares)
    np.testing.assert_array_equal(tables.lag_count, count)
    assert np.count_nonzero(count) == 4


def test_colours_over_flat_chroma_are_kept_with_the_number_of_their_burst(tables, held):
    met = Counter()
    for number, part in enumerate(held):
        met += definition_of_samples(part, number)
    rows = [[*colour, count] for colour, count in sorted(met.items())]
    np.testing.assert_array_equal(tables.samples, np.array(rows).reshape(-1, 6))


def test_colours_of_both_sides_are_kept_where_chroma_is_flat(tables, held):
    met = sum(map(definition_of_sites, held), Counter())
    rows = [[*colour, count] for colour, count in met.items()]
    rows = sorted(rows, key=lambda row: (row[0], row[3], row[1], row[2], *row[4:]))
    np.testing.assert_array_equal(tables.sites, np.array(rows).reshape(-1, 7))


def test_what_is_known_of_the_pair_stands_beside_the_tables(tables, shift):
    assert tables.frames == sum(map(len, RUNS))
    assert tables.co_registered
    assert tables.every_sample.tolist() == [True, False, False]
    assert tables.chroma_phases == (2, 1)


def test_patches_of_the_chart_are_followed_over_their_page():
    layout = layout_of(height=540, hold=4)

    def seen(index):
        generator = np.random.default_rng((3, index))
        planes = clean(source.picture(index))
        return (rounded(planes[0] + generator.integers(-2, 3, planes[0].shape)), *planes[1:])

    source = source_clip(layout)
    capture = MemoryClip("capture.mov", seen, layout.frame_count, capture_signal(), "422")
    pair = registered(source, capture, layout)
    runs = bursts(pair)[:4]
    tables = tally_pixels(pair, runs, workers=1)
    windows = sample_windows(layout, pair.geometry_capture, "422")[0]
    squares, count = np.zeros((2, 9), np.int64)
    names = ("frames", "count", "sum", "square", "square_of_sum")
    expected = {name: np.zeros(len(windows), np.int64) for name in names}
    for run in runs:
        page = run[0, 1] // layout.hold
        on_page = (layout.patches.page == page) & (layout.patches.group == Group.NEUTRAL)
        rows = np.flatnonzero(on_page & (windows[:, 2] > 0))
        frames = [seen(int(n))[0].astype(int) for n in run[:, 0]]
        side = (windows[rows, 2:] - windows[rows, :2]).min(initial=8)
        for row in rows:
            x, y = windows[row, :2]
            codes = np.stack([frame[y : y + side, x : x + side].ravel() for frame in frames])
            if codes.min() < LEGAL[0] or codes.max() > LEGAL[1]:
                continue
            values = (
                len(codes), side * side, codes.sum(), (codes**2).sum(),
                (codes.sum(axis=0) ** 2).sum(),
            )  # fmt: skip
            for name, value in zip(names, values, strict=True):
                expected[name][row] += value
            for n, m in product(range(len(codes)), repeat=2):
                if m > n:
                    squares[m - n] += ((codes[m] - codes[n]) ** 2).sum()
                    count[m - n] += side * side
    for name in names:
        np.testing.assert_array_equal(getattr(tables, f"steady_{name}"), expected[name])
    np.testing.assert_array_equal(tables.lag_square, squares)
    np.testing.assert_array_equal(tables.lag_count, count)
    assert count[1:4].all()


def test_scaled_pictures_are_held_against_the_source_as_its_scaler_makes_it():
    """Halved by the mean of four pixels, the source as predicted is the capture, but for edges."""

    def halved(index):
        planes = [plane.astype(int) for plane in clean(picture(index))]
        luma = planes[0].reshape(HEIGHT // 2, 2, WIDTH // 2, 2).sum(axis=(1, 3))
        chroma = [p.reshape(HEIGHT // 2, 2, WIDTH // 4, 2).sum(axis=(1, 3)) for p in planes[1:]]
        return tuple(rounded(plane / 4) for plane in (luma, *chroma))

    pair = content((0, 0))
    capture = MemoryClip("capture.mov", halved, FRAMES, capture_signal(), "422")
    facts = replace(pair.facts, scale=(0.5, 0.5))
    tables = tally_pixels(replace(pair, capture=capture, facts=facts), RUNS, workers=1)
    assert not tables.co_registered
    assert tables.every_sample.tolist() == [False] * 3
    there = pair.usable.repeat(8, 0).repeat(8, 1)
    expected = np.zeros((1024, 1024), np.int64)
    for run in RUNS:
        luma = halved(int(run[-1, 1]))[0][there]
        np.add.at(expected, (luma, luma), 1)
    apart = np.abs(np.subtract(*np.nonzero(tables.joint[0])))
    assert apart.max() <= 1  # ties of rounding
    # Halves of a code are rounded to even numbers there, and up here.
    np.testing.assert_array_equal(tables.joint[0].sum(axis=0), expected.sum(axis=0))
    assert tables.resampled[:, 0, 0].all()
    assert tables.chroma_ways[:, 0, 0].all()
    assert len(tables.predicted)
    assert not tables.joint[1:].any()
    assert not tables.chroma_gram.any()


@given(
    st.integers(1, 30), st.integers(1, 30), st.sampled_from([1, 3, 5, 7]), st.integers(0, 2**32 - 1)
)
@settings(max_examples=40, deadline=None)
def test_filters_are_those_of_scipy_to_the_last_bit(height, width, size, seed):
    generator = np.random.default_rng(seed)
    picture = generator.normal(0, 300, (height, width))
    kernel = generator.normal(size=(size, size))
    kernel[generator.random(kernel.shape) < 0.2] = generator.choice([0.0, 1e-17])
    for ours, theirs in ((correlated, ndimage.correlate), (convolved, ndimage.convolve)):
        wanted = theirs(picture, kernel, mode="constant")
        assert ours(picture, kernel).tobytes() == wanted.tobytes()


@given(
    st.integers(1, 20),
    st.integers(1, 20),
    st.integers(1, 8),
    st.sampled_from([np.uint8, np.uint16]),
)
@settings(max_examples=60, deadline=None)
def test_a_span_is_that_of_the_square_within_the_picture(height, width, reach, kind):
    plane = np.random.default_rng(height + 40 * width).integers(0, 256, (height, width), kind)
    found = span(plane, reach)
    assert found.dtype == np.int32
    for y, x in product(range(height), range(width)):
        square = plane[max(y - reach, 0) : y + reach + 1, max(x - reach, 0) : x + reach + 1]
        assert found[y, x] == int(square.max()) - int(square.min())
