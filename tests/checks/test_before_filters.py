"""What pictures went through before they were scaled or filtered, found code by code.

Scalers and filters are scikit-image's and SciPy's; what came before them is arithmetic of its own.
"""

from __future__ import annotations

from dataclasses import replace

import natural
import numpy as np
import pytest
from charted import capture_signal, rounded
from faults.injury import (
    coarse_between,
    cut_to,
    denoised,
    dithered,
    local_contrast,
    plateau,
    repeated_bits,
    rounded_to,
)
from pictured import MOMENTS, colours, content_pair, findings_of, in_turn, on_luma
from scipy import ndimage
from skimage.transform import downscale_local_mean

from tonelab.checks import CHECKS
from tonelab.checks.evidence import PathEvidence
from tonelab.checks.explain import explain
from tonelab.checks.filters import before_filter
from tonelab.pixels.before_filters import codes_before_scaling
from tonelab.pixels.bursts import bursts
from tonelab.pixels.run import tally_pixels
from tonelab.results import Tallies


def evidence_of(device, scale=1.0, offset=(0.0, 0.0)):
    """Evidence of pictures that may be read once more, without tallies of flat places."""
    pair = content_pair(device, scale, offset)
    paths = tally_pixels(pair, [np.array([[frame, frame]]) for frame in MOMENTS])
    signal, none = capture_signal(), Tallies.empty_content((1024, 1024))
    evidence = PathEvidence(signal, signal, tallies=none, paths=paths, pair=pair)
    seen = colours(lambda codes: codes)
    vars(evidence).update(pass_through=True, colours=seen, explanation=explain(seen, signal))
    return evidence


def half(planes):
    return [rounded(downscale_local_mean(plane[:270], (2, 2))) for plane in planes]


def enlarged(planes):
    """Show the middle over the whole picture, by SciPy's spline through samples."""
    shown = []
    for plane in planes:
        middle = (np.array(plane.shape) - 1) / 2
        large = ndimage.affine_transform(
            plane.astype(float), [0.9, 0.9], middle - 0.9 * middle, order=3, mode="nearest"
        )
        shown.append(np.clip(rounded(large), 4, 1019))
    return shown


SCALERS = [
    (half, 0.5, (0.0, 0.0), "box-averaging"),
    (enlarged, 1 / 0.9, (-480 * 0.05 / 0.9, -270 * 0.05 / 0.9), "spline"),
]


@pytest.mark.parametrize(("scaler", "scale", "offset", "kernel"), SCALERS)
@pytest.mark.parametrize("seed", [1, 2])
def test_any_curve_before_a_scaler_is_found_code_by_code(scaler, scale, offset, kernel, seed):
    rises = np.random.default_rng(seed).choice([0, 1, 2], 1024, p=[0.3, 0.4, 0.3])
    curve = np.minimum(64 + np.cumsum(rises) * 0.9, 1000)
    pair = content_pair(in_turn(on_luma(lambda y: curve[y.astype(int)]), scaler), scale, offset)
    luma, *chroma = codes_before_scaling(pair, bursts(pair), kernel)
    often = luma.count > 150
    assert often.sum() > 200
    assert np.percentile(np.abs(luma.codes - rounded(curve))[often], 95) < 0.5
    assert luma.left < 0.4 < luma.straight
    for plane in chroma:
        assert plane.left == pytest.approx(plane.straight, rel=0.1)


@pytest.mark.parametrize(
    ("scaler", "scale", "offset"),
    [SCALERS[0][:3], pytest.param(*SCALERS[1][:3], marks=pytest.mark.long)],
)
@pytest.mark.parametrize(
    ("change", "named"),
    [
        (lambda planes: planes, set()),
        (on_luma(lambda y: plateau(y, 8)), {"steps-plateau"}),
        (on_luma(lambda y: coarse_between(y, 4)), {"steps-lost", "depth-levels"}),
        (lambda planes: [cut_to(p, 7) for p in planes], {"steps-lost", "depth-reduced-hidden"}),
        (lambda planes: [rounded_to(p, 8) for p in planes], {"depth-eight-bits-hidden"}),
        (lambda planes: repeated_bits(planes, (0, 3), 0), {"depth-bits-repeated"}),
    ],
)
def test_what_was_lost_before_a_scaler_is_named_as_if_there_were_none(
    scaler, scale, offset, change, named
):
    checks = ("steps", "depth") if named else ("steps",)
    found = set(findings_of(evidence_of(in_turn(change, scaler), scale, offset), *checks))
    assert found >= named
    assert named or not found


@pytest.mark.parametrize(
    "beside",
    [
        pytest.param(lambda y: denoised(y, 20), marks=pytest.mark.long),
        lambda y: local_contrast(y, 0.25),
        pytest.param(lambda y: ndimage.gaussian_filter(y, 0.9), marks=pytest.mark.long),
        pytest.param(
            lambda y: np.clip(y + 0.6 * (y - ndimage.gaussian_filter(y, 0.8)), 4, 1019),
            marks=pytest.mark.long,
        ),
        pytest.param(
            lambda y: 64 + (y - 64) * (1 + 0.1 * (350 - y.mean()) / 200), marks=pytest.mark.long
        ),
    ],
)
def test_steps_are_named_with_what_filters_detail_or_follows_the_scene(beside):
    def steps(*changes):
        return set(findings_of(evidence_of(in_turn(*map(on_luma, changes))), "steps"))

    assert not steps(beside)
    assert steps(lambda y: plateau(y, 24), beside) & {"steps-plateau", "steps-lost"}
    assert steps(lambda y: coarse_between(y, 8), beside) == {"steps-lost"}


def test_one_moment_is_too_little_to_find_steps_with_a_filter():
    evidence = evidence_of(on_luma(lambda y: denoised(y, 8)))
    single = replace(evidence.pair, matches=evidence.pair.matches[20:21])
    other = replace(evidence, pair=single)
    vars(other).update(pass_through=True, explanation=evidence.explanation)
    assert before_filter(other) is None
    assert before_filter(evidence) is not None


def test_black_that_stands_nowhere_flat_is_no_matter_of_a_filter():
    def dotted(planes):
        y = planes[0].copy()
        y[8:-8:16, 8:-8:16] = 64
        return y, *planes[1:]

    def shown(index):
        y, cb, cr = natural.planes(2, index)
        return dotted((np.maximum(y, 130), cb, cr))

    def found(change):
        pair = content_pair(on_luma(change), shown=shown)
        paths = tally_pixels(pair, [np.array([[frame, frame]]) for frame in MOMENTS])
        codes = paths.joint[0].copy()
        codes[65:130] = 0
        sent = np.arange(65, 130)  # codes near black that keep to their place
        codes[sent, sent] = 90
        signal, none = capture_signal(), Tallies.empty_content((1024, 1024))
        evidence = PathEvidence(
            signal,
            signal,
            tallies=none,
            paths=paths.with_tables(joint=np.stack([codes] * 3)),
            pair=pair,
        )
        vars(evidence).update(pass_through=True, explanation=explain(colours(lambda x: x), signal))
        return CHECKS["black"].function(evidence)

    (kept,) = found(lambda y: y)
    assert kept.verdict == "transparent"
    (blurred,) = found(lambda y: ndimage.gaussian_filter(y, 0.9))
    assert blurred.verdict == "cannot tell"
    assert "nowhere flat" in blurred.text


@pytest.mark.parametrize("kind", [None, "frozen", "temporal"])
@pytest.mark.parametrize("first", [True, False])
def test_dither_is_named_with_local_contrast_which_is_none(kind, first):
    moments = {}

    def noisy(planes):
        key = planes[0].tobytes()
        index = 0 if kind == "frozen" else moments.setdefault(key, len(moments))
        return dithered(planes, (str(kind), 7, 0.0), index)

    local = on_luma(lambda y: local_contrast(y, 0.25))
    steps = [local] if kind is None else [noisy, local] if first else [local, noisy]
    pair = content_pair(in_turn(*steps))
    runs = [np.arange(n, n + 5).repeat(2).reshape(-1, 2) for n in (2, 20, 36)]
    signal, none = capture_signal(), Tallies.empty_content((1024, 1024))
    evidence = PathEvidence(signal, signal, tallies=none, paths=tally_pixels(pair, runs), pair=pair)
    seen = colours(lambda codes: codes)
    vars(evidence).update(pass_through=True, colours=seen, explanation=explain(seen, signal))
    (found,) = CHECKS["dither"].function(evidence)
    said = {None: "no dither", "frozen": "rozen", "temporal": "Temporal dither"}
    assert said[kind] in found.text
