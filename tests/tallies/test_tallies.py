"""Tallies: exact integers, whatever the split of the frames."""

from __future__ import annotations

import pickle
from concurrent.futures import ProcessPoolExecutor, ThreadPoolExecutor
from dataclasses import replace
from fractions import Fraction
from functools import reduce
from multiprocessing import get_context

import numpy as np
import pytest
from charted import MemoryClip
from hypothesis import given, settings
from hypothesis import strategies as st

from tonelab.chart import Layout, chart_signal, render_planes
from tonelab.media import open_clip, write_clip
from tonelab.pairing import pair
from tonelab.results import Tallies
from tonelab.signal.description import Signal
from tonelab.tallies.frames import Census, row_keys
from tonelab.tallies.kernels import add_rows, add_windows
from tonelab.tallies.run import plan, planes_hash, run, tally

LAYOUT = Layout.create("quick", 960, 540, "pq", 1000, hold=4)
CODES = (1024, 1024)


def mapped(planes):
    """Planes of a 4:2:2 picture with a simple luma curve and halved chroma."""
    luma = np.rint(64 + 800 * np.clip((planes[0] - 64.0) / 876, 0, 1) ** 0.8)
    chroma = [np.repeat((plane.astype(int) + 512) // 2, 2, axis=0) for plane in planes[1:]]
    return tuple(plane.astype(np.uint16) for plane in (luma, *chroma))


@pytest.fixture(scope="module")
def paired(tmp_path_factory):
    folder = tmp_path_factory.mktemp("pair")
    frames = [render_planes(LAYOUT, n) for n in range(LAYOUT.frame_count)]
    common = {"width": 960, "height": 540, "rate": Fraction(24), "bits": 10}
    write_clip(
        folder / "source.mkv",
        frames,
        subsampling="420",
        codec="ffv1",
        signal=chart_signal(LAYOUT),
        **common,
    )
    write_clip(
        folder / "capture.mov",
        map(mapped, frames),
        subsampling="422",
        codec="v210",
        signal=Signal(),
        **common,
    )
    return pair(open_clip(folder / "source.mkv"), open_clip(folder / "capture.mov"))


def merged(pair_, chunk_frames):
    jobs = list(plan(pair_, chunk_frames))
    return reduce(lambda a, b: a + b, (run(job, CODES) for job in jobs))


def nh(message, keys):
    """NH as Black et al. define it for words of 32 bits (UMAC, 1999)."""
    message += bytes(-len(message) % 8)
    words, key = ([int(n) for n in np.frombuffer(part, "<u4")] for part in (message, keys))
    summed = [(w + k) % 2**32 for w, k in zip(words, key, strict=True)]
    return sum(a * b for a, b in zip(summed[::2], summed[1::2], strict=True)) % 2**64


@given(st.integers(1, 60), st.integers(1, 60), st.integers(0, 60), st.integers(0, 2**32 - 1))
@settings(max_examples=40, deadline=None)
def test_kernels_equal_their_numpy_definition(height, width, cut, seed):
    rng = np.random.default_rng(seed)
    plane = rng.integers(0, 1024, (height, width)).astype(np.uint16)
    counts = rng.integers(0, 9, 1024)
    expected = counts + np.bincount(plane.ravel(), minlength=1024)
    keys, rows = row_keys(width), np.zeros(height, np.uint64)
    add_rows(plane, keys, counts, rows)
    np.testing.assert_array_equal(counts, expected)
    assert [int(row) for row in rows] == [nh(row.tobytes(), keys.tobytes()) for row in plane]

    x = np.sort(rng.integers(0, width + 1, (7, 2)), axis=1)
    y = np.sort(rng.integers(0, height + 1, (7, 2)), axis=1)
    windows = np.stack([x[:, 0], y[:, 0], x[:, 1], y[:, 1]], axis=1).astype(np.int32)
    tables = np.zeros((2, 7), np.int64)
    for part, top in ((plane[:cut], 0), (plane[cut:], cut)):
        add_windows(part, top, windows, *tables)
    parts = [plane[y0:y1, x0:x1].astype(np.int64) for x0, y0, x1, y1 in windows]
    np.testing.assert_array_equal(tables[0], [part.sum() for part in parts])
    np.testing.assert_array_equal(tables[1], [(part**2).sum() for part in parts])


def test_padded_and_interleaved_planes_are_counted_like_whole_ones():
    """Decoders pad rows, and some formats keep Cb and Cr in one plane."""
    rng = np.random.default_rng(854)
    luma = rng.integers(0, 1024, (20, 896)).astype(np.uint16)[:, :854]
    both = rng.integers(0, 1024, (10, 900)).astype(np.uint16)
    views = luma, both[:, 0:854:2], both[:, 1:854:2]
    clip = MemoryClip("clip.mkv", lambda _: views, 1, Signal(), "420")

    def counted(planes):
        histogram, digest = np.zeros((3, 1024), np.int64), np.zeros(4, np.int64)
        census = Census(clip, histogram, digest)
        census.add(planes)
        census.end(3)
        return histogram, digest

    histogram, digest = counted(views)
    expected = [np.bincount(plane.ravel(), minlength=1024) for plane in views]
    np.testing.assert_array_equal(histogram, expected)
    np.testing.assert_array_equal(digest, counted([plane.copy() for plane in views])[1])


def test_the_keys_of_rows_are_those_published():
    # SplitMix64 from state 0: reference output of the generator's authors (Steele, Lea and Flood,
    # "Fast splittable pseudorandom number generators", 2014), as widely used to seed others.
    assert [hex(key) for key in row_keys(9)] == [
        "0xe220a8397b1dcdaf",
        "0x6e789e6aa1b965f4",
        "0x6c45d188009454f",
    ]


def test_tallies_are_integers_and_count_every_sample(paired):
    tallies = tally(paired)
    assert all(table.dtype == np.int64 for table in tallies.tables.values())
    frames = len(paired.matches)
    luma = tallies.tables["capture_histogram"][0].sum()
    assert luma == frames * 960 * 540
    assert tallies.tables["source_histogram"][1].sum() == (
        len(np.unique(paired.matches[:, 1])) * 480 * 270
    )


def test_patch_sums_hold_the_mapped_code(paired):
    tallies = tally(paired)
    seen = tallies.tables["patch_count_capture"].min(axis=1) > 0
    code = LAYOUT.patches.code[seen]
    mean = (tallies.tables["patch_sum_capture"] / tallies.tables["patch_count_capture"])[seen]
    luma = np.rint(64 + 800 * np.clip((code[:, 0] - 64.0) / 876, 0, 1) ** 0.8)
    np.testing.assert_array_equal(mean[:, 0], luma)
    np.testing.assert_array_equal(mean[:, 1:], (code[:, 1:] + 512) // 2)
    square = tallies.tables["patch_square_capture"] / tallies.tables["patch_count_capture"]
    np.testing.assert_array_equal(square[seen], mean**2)


@given(st.lists(st.integers(1, 40), min_size=1, max_size=3))
@settings(max_examples=3, deadline=None)
def test_any_split_of_the_frames_gives_the_same_bytes(paired, chunks):
    whole = merged(paired, 10**6)
    for chunk in chunks:
        assert merged(paired, chunk) == whole


@given(st.integers(0, 2**32 - 1))
@settings(max_examples=5, deadline=None)
def test_merging_does_not_depend_on_order(paired, seed):
    parts = [run(job, CODES) for job in plan(paired, 5)]
    order = np.random.default_rng(seed).permutation(len(parts))
    assert reduce(lambda a, b: a + b, (parts[i] for i in order)) == reduce(
        lambda a, b: a + b, parts
    )


def test_threads_and_spawned_processes_give_the_same_bytes(paired):
    whole = tally(paired, workers=1)
    with ThreadPoolExecutor(3) as threads:
        assert tally(paired, workers=threads) == whole
    with ProcessPoolExecutor(1, mp_context=get_context("spawn")) as processes:
        assert tally(paired, workers=processes) == whole


def test_jobs_travel_to_workers_small(paired):
    assert max(len(pickle.dumps(job)) for job in plan(paired)) < 2_000_000


def test_progress_counts_all_frames(paired):
    seen = []
    tally(paired, progress=lambda done, total: seen.append((done, total)))
    assert seen[-1][0] == seen[-1][1] == len(paired.matches) + len(np.unique(paired.matches[:, 1]))


def test_hash_of_planes_knows_every_sample(paired):
    tallies = tally(paired)
    again = tally(paired)
    assert planes_hash(tallies, "source") == planes_hash(again, "source")
    assert planes_hash(tallies, "source") != planes_hash(tallies, "capture")
    fewer = tally(replace(paired, matches=paired.matches[:-1]))
    assert planes_hash(fewer, "capture") != planes_hash(tallies, "capture")


def test_tallies_of_two_charts_do_not_merge(paired):
    tallies = Tallies.empty(1, 3, CODES)
    with pytest.raises(ValueError, match="one chart layout"):
        tallies + Tallies.empty(2, 3, CODES)
