"""Paths that pass SDR through: clean ones without a finding, and faults that are named.

Captures are those of `charted`: 10 bits, 4:2:2, of the SDR chart of 8 or 10 bits.
"""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from charted import (
    MemoryClip,
    between_rows,
    capture_clip,
    capture_signal,
    chain,
    controls,
    eight_bits,
    evidence_of,
    pointwise,
    registered,
    rounded,
    sent,
    source_clip,
    to_codes,
    to_rgb,
)

from tonelab.chart import Layout, chart_signal, find_chart, render_planes
from tonelab.checks import examine
from tonelab.checks.run import gather_pair
from tonelab.pairing.by_chart import is_recoded
from tonelab.path.account import account_of
from tonelab.signal.description import Signal

HD8 = Layout.create_sdr("quick", 960, 540, hold=4)
HD10 = Layout.create_sdr("quick", 960, 540, bits=10, hold=4)
PAL8 = Layout.create_sdr("quick", 720, 576, hold=4)
NTSC10 = Layout.create_sdr("quick", 720, 480, bits=10, hold=4)


def nothing(planes, _=0):
    return planes


nothing.by_frame = True  # every frame with its own marks


def in_steps_of_four(planes):
    """8 bits in a capture of 10."""
    return tuple(plane.astype(np.uint16) << np.uint16(2) for plane in eight_bits(planes))


def through_rgb(weights):
    def change(codes):
        return to_codes(np.floor(np.clip(to_rgb(codes, weights), 0, 1) * 255 + 0.5) / 255, weights)

    return pointwise(change)


def recoded(read, coded):
    return pointwise(lambda codes: to_codes(to_rgb(codes, read), coded))


def bent(planes):
    """Shown as if by a gamma of 2.2 where BT.1886 has 2.4."""
    share = np.clip((planes[0].astype(float) - 64) / 876, 0, None)
    return rounded(64 + 876 * share ** (2.2 / 2.4)), *planes[1:]


def to_nominal_white(planes):
    return np.minimum(planes[0], 940), *planes[1:]


def to_nominal_range(planes):
    return np.clip(planes[0], 64, 940), *planes[1:]


def with_lines_repeated(layout):
    """Capture in which each row of the chart's 4:2:0 is shown twice."""

    def picture(index):
        y, *chroma = (plane << np.uint16(2) for plane in render_planes(layout, index))
        return y, *[plane.repeat(2, axis=0) for plane in chroma]

    signal = capture_signal(10, layout)
    return MemoryClip("capture.mov", picture, layout.frame_count, signal, "422")


def half_a_sample(planes):
    """Chroma as the mean of each sample and the next."""
    means = [p.astype(float) + np.c_[p[:, 1:], p[:, -1:]] for p in planes[1:]]
    return planes[0], *[rounded(mean / 2) for mean in means]


def altered(fault, layout):
    evidence = evidence_of(fault, layout=layout)
    return evidence, findings(evidence)


def as_rgb(layout, matrix, bits):
    """Capture as full-range R'G'B' 4:4:4, chroma interpolated linearly along rows."""

    def picture(index):
        y, *chroma = (plane.astype(float) for plane in sent(layout, index))
        following = (np.c_[plane[:, 1:], plane[:, -1:]] for plane in chroma)
        wide = [
            np.stack([plane, (plane + after) / 2], axis=-1).reshape(y.shape)
            for plane, after in zip(chroma, following, strict=True)
        ]
        rgb = np.clip(to_rgb(np.stack([y, *wide], axis=-1), matrix), 0, 1)
        return tuple(np.moveaxis(rounded(rgb * (2**bits - 1)), -1, 0))

    signal = Signal("rgb", "full", bits=bits, origins={"matrix": "declared", "range": "declared"})
    return MemoryClip("capture.mkv", picture, layout.frame_count, signal, "444", bits)


def full_range(layout):
    """The chart coded anew in full range of 8 bits (BT.2100-2 table 9), and so declared."""

    def picture(index):
        y, *chroma = (plane.astype(float) for plane in render_planes(layout, index))
        wide = (128 + (plane - 128) * 255 / 224 for plane in chroma)
        return rounded((y - 16) * 255 / 219, 255), *[rounded(plane, 255) for plane in wide]

    signal = capture_signal(8, layout).with_fields("declared", range="full")
    return MemoryClip("full.mkv", picture, layout.frame_count, signal, "420", 8)


def narrowed(clip):
    """What a faithful device sends of 8-bit full range: 10 bits of narrow range."""

    def picture(index):
        y, *chroma = (plane.astype(float) for plane in clip.picture(index))
        between = (between_rows(plane) for plane in chroma)
        return rounded(64 + 876 * y / 255), *[rounded(512 + 896 * (p - 128) / 255) for p in between]

    signal = clip.signal.with_fields("declared", range="narrow", bits=10)
    return MemoryClip("capture.mov", picture, clip.frame_count, signal, "422")


def findings(evidence):
    found = (f for result in examine(evidence)[0] for f in result.findings)
    return {f.id: f.text for f in found if f.verdict == "not transparent" and f.severity != "info"}


@pytest.mark.outside("BT.601-7 matrix and BT.2100-2 table 9 in numpy", "published")
def test_a_capture_in_rgb_shows_only_that_it_is_rgb():
    both = registered(source_clip(PAL8), as_rgb(PAL8, 601, 10), PAL8)
    few = both.matches[PAL8.hold : 5 * PAL8.hold]
    evidence = gather_pair(replace(both, matches=few))
    assert evidence.capture.primaries == "bt601-625"  # nothing says any but the source
    assert set(findings(evidence)) == {"clipping-rgb"}


@pytest.mark.outside("BT.2100-2 table 9 in numpy", "published")
def test_full_range_may_arrive_in_narrow_range():
    source = full_range(HD8)
    assert is_recoded(source, find_chart(source))
    assert not is_recoded(source_clip(HD8), find_chart(source_clip(HD8)))
    # Such a chart is known by its pictures.
    both = registered(source, narrowed(source), HD8)
    pair = replace(
        both,
        layout=None,
        matches=both.matches[HD8.hold : 3 * HD8.hold],
        usable=np.ones((HD8.height, HD8.width), bool),
        shots=np.arange(0, HD8.frame_count, HD8.hold),
    )
    assert findings(gather_pair(pair)) == {}


@pytest.mark.parametrize(
    ("layout", "fault"),
    [(HD8, in_steps_of_four), (HD10, nothing), (PAL8, nothing), (NTSC10, nothing)],
    ids=["hd 8 in 8", "hd 10", "576 8", "480 10"],
)
def test_a_clean_path_has_no_finding(layout, fault):
    evidence, found = altered(fault, layout)
    assert evidence.pass_through
    assert found == {}


@pytest.mark.outside("BT.601-7, BT.709-6 and BT.1886-0 in numpy", "published")
@pytest.mark.parametrize(
    ("layout", "fault", "named"),
    [
        (
            HD8,
            chain(recoded(709, 601), to_nominal_white),
            {
                "matrix-mixed": "decoded with the BT.709 .* again with BT.601",
                "clipping-super-white": "clipped at code 940",
            },
        ),
        (HD8, bent, {"levels-luma": "Luma is not kept"}),
        (HD10, through_rgb(709), {"depth-rgb-stage": "8-bit full-range R'G'B'"}),
        (PAL8, controls(saturation=1.05), {"saturation-changed": r"ratio is 1\.05"}),
        (NTSC10, controls(hue=2), {"hue-rotated": r"rotated by \+(2\.0|1\.99)"}),
    ],
    ids=["matrix and white", "gamma", "rgb", "saturation", "hue"],
)
def test_a_fault_is_named_with_its_figure(layout, fault, named):
    evidence, found = altered(fault, layout)
    assert evidence.pass_through
    for name, words in named.items():
        assert name in found, found
        assert re.search(words, found[name])


def account(layout, capture, pages=(1, 2, 3, -1)):
    """Say what the path did, by a few pages."""
    both = registered(source_clip(layout), capture, layout)
    shown = [page % len(layout.pages) for page in pages]
    few = both.matches[np.isin(both.matches[:, 0] // layout.hold, shown)]
    return account_of(replace(both, matches=few), chart_signal(layout))


@pytest.mark.parametrize(
    ("layout", "capture", "words"),
    [
        (HD8, capture_clip(HD8, in_steps_of_four), "nothing"),
        (HD8, with_lines_repeated(HD8), "rows of chroma repeated: share 1"),
        (
            HD8,
            capture_clip(HD8, half_a_sample),
            "chroma softened along rows by 0.000, 0.500, 0.500",
        ),
        (PAL8, capture_clip(PAL8, to_nominal_range), "Y' clipped below code 64 and above code 940"),
    ],
    ids=["8 bits", "lines", "half a sample", "clipped"],
)
def test_the_steps_of_an_sdr_path_predict_its_codes(layout, capture, words):
    found, left = account(layout, capture)
    assert found.describe().startswith(words)
    assert found.predicted > 0.99
    assert left.value < 0.05
