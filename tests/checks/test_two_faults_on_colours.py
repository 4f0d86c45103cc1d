"""Two faults on the colours of one path: what the second hides of the first is found all the same.

The colours stand for patches of the chart, each of one code; faults are those of `injury`.
"""

from __future__ import annotations

import re
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from charted import clean, layout_of, pq_signal, rounded, to_codes
from faults.injury import recording

from tonelab.chart import render_planes
from tonelab.checks import CHECKS, chroma
from tonelab.checks.coarse import CoarseStage, are_repeated, ratio_by_digits, way_of_last
from tonelab.checks.covers import find_cover
from tonelab.checks.depth import _stands_still
from tonelab.checks.evidence import PathEvidence
from tonelab.checks.explain import explain
from tonelab.checks.levels import FAULTS, named_levels, twice_levels
from tonelab.checks.samples import Samples
from tonelab.checks.stages import hidden_stages
from tonelab.checks.surroundings import find_drift
from tonelab.pairing.findings import place_findings
from tonelab.pixels.colours import sites_of
from tonelab.signal.description import Signal
from tonelab.signal.quantisation import ORIGIN

PQ = Signal("bt2020", "narrow", "pq", "bt2020")


def colours(count=1500, seed=3):
    """Codes of random colours, with some below black and above white, and what they stand for."""
    generator = np.random.default_rng(seed)
    rgb = pq_signal(10 ** generator.uniform(-4, 0, (count, 3)))
    greys = np.linspace(-0.06, 1.06, 400)[:, None].repeat(3, axis=1)
    return rounded(to_codes(np.concatenate([rgb, greys]))).astype(np.int64)


def after(codes, *faults):
    """Codes after faults in turn, by name and size; a pixel pair of one row each."""
    planes = codes[None, :, 0].repeat(2, axis=1), codes[None, :, 1], codes[None, :, 2]
    for step in recording(*zip(*faults, strict=True)).steps if faults else ():
        planes = step(planes, 0)
    y, cb, cr = planes
    return np.stack([y[0, ::2], cb[0], cr[0]], axis=1).astype(np.int64)


def evidence_of(*faults):
    source = colours()
    seen = after(source, *faults)
    zeros = np.zeros(len(source), np.int64)
    samples = Samples(
        source=source - ORIGIN, capture=seen - ORIGIN, variance=np.zeros(source.shape),
        count=zeros + 100, cluster=zeros, patch=np.arange(len(source)),
    )  # fmt: skip
    histogram = np.stack([np.bincount(plane, minlength=1024) for plane in seen.T])
    step = int(np.gcd.reduce(np.flatnonzero(histogram[0])))
    explanation = explain(samples, PQ, step)
    repeated = are_repeated(np.flatnonzero(histogram[0]))
    return SimpleNamespace(
        colours=samples, explanation=explanation, code_step=step, grain=step, rounded_to=step,
        chroma_rounded_to=step,
        bits_repeated=repeated, ratio_by_digits=None,
        last_stages=PathEvidence.last_stages.fget(
            SimpleNamespace(code_step=step, bits_repeated=repeated)
        ),
        capture_histogram=histogram, as_captured=lambda *_: samples, drift=None,
        predict=lambda rows: explanation.predict(rows.source), layout=None, paths=None,
    )  # fmt: skip


@pytest.mark.parametrize(
    ("faults", "name", "says"),
    [
        ([("bits rounded", 2), ("gain", 1)], "depth-reduced-hidden", "7 bits.*rounded"),
        ([("bits cut", 1), ("matrix 709 as 601", 1)], "depth-eight-bits-hidden", "8 bits.*cut"),
        ([("bits rounded", 1), ("bits cut", 2)], "depth-eight-bits-hidden", "8 bits.*rounded"),
        ([("bits repeated", 1), ("gain up", 1)], "depth-bits-repeated", "two highest bits"),
        ([("R'G'B' stage", 1), ("matrix 709 as 601", 1)], "depth-rgb-stage", "8-bit narrow"),
        ([("gain", 2), ("R'G'B' stage", 2)], "depth-rgb-stage", "8-bit full"),
        ([("R'G'B' stage", 0), ("bits repeated", 2)], "depth-rgb-stage", "9-bit full"),
        ([("R'G'B' stage", 1), ("saturation by hue", 2)], "depth-rgb-stage", "8-bit narrow"),
        ([("R'G'B' stage", 1), ("primaries narrowed", 1)], "depth-rgb-stage", "8-bit narrow"),
        ([("bits cut", 1), ("primaries widened", 1)], "depth-eight-bits-hidden", "8 bits.*cut"),
    ],
)
def test_a_coarse_stage_is_named_though_a_later_one_hides_its_steps(faults, name, says):
    (found,) = hidden_stages(evidence_of(*faults))
    assert found.id == name
    assert re.search(says, found.text)


@pytest.mark.parametrize(
    ("faults", "says"),
    [
        ([("bits rounded", 1), ("temporal dither", 2)], "8 bits.*rounded"),
        ([("frozen dither", 1), ("bits cut", 2)], "7 bits.*cut"),
        ([("R'G'B' stage", 2), ("temporal dither", 2)], "8-bit full"),
        ([("depth then gain", 1), ("temporal dither", 2)], "Luma alone.*8.0 bits"),
        ([("temporal dither", 2), ("gain", 1)], None),
    ],
)
def test_a_stage_is_told_from_dither_by_the_means_of_patches(faults, says):
    source = colours()
    shown = after(np.repeat(source, 64, axis=0), *faults).reshape(len(source), 64, 3)
    every = np.arange(len(source))
    samples = Samples(
        source - ORIGIN,
        shown.mean(axis=1) - ORIGIN,
        shown.var(axis=1),
        0 * every + 64,
        every,
        every,
    )
    evidence = SimpleNamespace(
        colours=samples, explanation=SimpleNamespace(used=every >= 0), layout=1
    )
    found = hidden_stages(evidence)
    assert len(found) == (says is not None)
    assert all(re.search(says, finding.text) for finding in found)


def pictures_of(*faults, filtered):
    """What samples of pictures tell, each colour 32 times; a filter of luma leaves chroma alone."""
    evidence, source = evidence_of(*faults), colours()[:500].repeat(32, axis=0)
    seen = after(source, *faults)
    seen[:, 0] += filtered * np.random.default_rng(7).integers(-5, 6, len(seen))
    # Bands of one colour each, three chroma samples wide and high.
    sides = [
        tuple(
            codes[:, n : n + 1].repeat(3 + 3 * (n == 0), axis=1).repeat(3, axis=0) for n in range(3)
        )
        for codes in (source, seen)
    ]
    table = sites_of(*sides, np.ones(sides[0][0].shape, bool), ((2, 1), (2, 1)))
    evidence.paths = SimpleNamespace(sites=table)
    evidence.sites = PathEvidence.sites.func(evidence)
    return evidence


@pytest.mark.parametrize("filtered", [False, True])
@pytest.mark.parametrize(
    ("faults", "name", "says"),
    [
        ([("bits cut", 1), ("compressed as rgb", 1)], "depth-eight-bits-hidden", "cut off"),
        ([("bits repeated", 1), ("expanded as rgb", 1)], "depth-bits-repeated", "highest bits"),
        ([("R'G'B' stage", 1)], "depth-rgb-stage", "8-bit narrow"),
        ([("R'G'B' stage", 2), ("temporal dither", 1)], "depth-rgb-stage", "8-bit full"),
        ([("bits cut", 1), ("temporal dither", 2)], "depth-eight-bits-hidden", "cut off"),
        ([("saturation", 1), ("hue", 1)], None, ""),
        ([("gain", 1), ("temporal dither", 2)], None, ""),
    ],
)
def test_pictures_tell_a_stage_by_chroma_whatever_became_of_luma(faults, name, says, filtered):
    found = hidden_stages(pictures_of(*faults, filtered=filtered))
    assert [finding.id for finding in found] == [name] * (name is not None)
    assert all(says in finding.text for finding in found)


@pytest.mark.parametrize("noise", [0.1, 0.5])
def test_greys_that_stand_still_are_told_though_dither_leaves_errors_in_their_means(noise):
    greys = np.arange(64.0, 940.0)
    greys[(greys >= 400) & (greys < 408)] = 400
    still, least = _stands_still(greys + np.random.default_rng(5).normal(0, noise, len(greys)))
    assert least < 7
    assert set(np.flatnonzero(still)) == set(range(400 - 64, 407 - 64))


def test_fewer_bits_before_an_rgb_stage_are_named_with_it():
    found = hidden_stages(evidence_of(("bits cut", 1), ("R'G'B' stage", 1)))
    assert [finding.id for finding in found] == ["depth-eight-bits-hidden", "depth-rgb-stage"]


@pytest.mark.parametrize(
    "faults",
    [[], [("gain", 1)], [("depth then gain", 1)], [("bits cut", 1)], [("matrix 709 as 601", 2)]],
)
def test_no_stage_is_invented(faults):
    assert hidden_stages(evidence_of(*faults)) == ()


def test_colours_that_are_grey_or_none_are_no_error():
    evidence = evidence_of(("bits rounded", 2), ("gain", 1))
    code = np.zeros((600, 3))
    code[:, 0] = np.arange(600)
    none = np.zeros(600, np.int64)
    greys = Samples(code, np.rint(code * 0.9), 0 * code, none, none, none)
    evidence.colours, evidence.explanation = greys, explain(greys, PQ)
    assert hidden_stages(evidence) == ()
    assert explain(greys[np.zeros(600, bool)], PQ).luma_gain == 1


def test_two_mix_ups_of_matrices_in_turn_are_told():
    found = evidence_of(("matrix 2020 as 601", 0), ("matrix 2020 as 709", 0)).explanation
    assert (found.matrices, found.again) == (("bt601", "bt2020"), ("bt709", "bt2020"))
    found = evidence_of(("matrix 2020 as 601", 0), ("matrix 601 as 709", 0)).explanation
    assert (found.matrices, found.again) == (("bt709", "bt2020"), None)


@pytest.mark.parametrize(("gain", "chroma", "name"), [
    (0.999, 1.0, None), (65472 / 65535, 65472 / 65535, "sixteen-bits-scaled"),
])  # fmt: skip
def test_codes_read_as_16_bits_are_told_from_a_gain_of_luma_by_chroma(gain, chroma, name):
    shown = SimpleNamespace(
        luma_gain=gain - 0.0007, luma_offset=64 * (gain - 1) + 0.4, saturation=chroma,
        chroma_offset=(512 * (chroma - 1),) * 2, gamut=None, matrices=None, residual=np.zeros(3),
    )  # fmt: skip
    found = named_levels(
        SimpleNamespace(
            explanation=shown,
            code_step=1,
            rounded_to=1,
            bits_repeated=False,
            ratio_by_digits=None,
        )
    )
    assert (found and found.id) == name


def test_dither_leaves_no_doubt_of_a_mean():
    dithered, cut = (
        SimpleNamespace(layout=1, noise=n, grain=9, code_step=8, stage=None) for n in (2.5, 0.1)
    )
    assert PathEvidence.rounded_to.func(dithered) == 1
    assert PathEvidence.rounded_to.func(cut) == 9


@pytest.mark.parametrize("faults", [
    [("gain up", 1), ("R'G'B' clipped", 2)], [("R'G'B' clipped", 1), ("gain", 1)],
])  # fmt: skip
def test_a_clip_of_rgb_is_told_on_either_side_of_a_change_of_levels(faults):
    found = [f.id for f in CHECKS["clipping"].function(evidence_of(*faults))]
    assert found == ["clipping-rgb"]


def test_a_limit_is_told_where_a_change_of_range_drives_codes_beyond_it():
    evidence = evidence_of(("expanded as ycbcr", 1), ("sub-black clipped", 2))
    (found, *_) = CHECKS["clipping"].function(evidence)
    assert found.id == "clipping-sub-black"
    assert found.value == pytest.approx(64, abs=1)


def test_a_rotation_of_hues_is_told_beside_other_primaries():
    evidence = evidence_of(("primaries widened", 1), ("hue", 1))
    evidence.tint, evidence.leak = evidence.explanation.chroma_offset, 0.0
    (found,) = CHECKS["hue"].function(evidence)
    assert found.id == "hue-rotated"
    assert found.value == pytest.approx(1.0, abs=0.1)


@pytest.mark.parametrize(("weight", "names"), [(0.0, []), (0.15, ["chroma-softened"])])
def test_chroma_that_was_moved_and_softened_is_called_both(weight, names):
    between = np.array([0, -0.0625, 0.5625, 0.5625, -0.0625])  # Keys 1981, half a sample
    soft = [weight, 1 - 2 * weight, weight]
    found = chroma._softness(np.convolve(between, soft, mode="same"), 0.5, 9)
    assert [finding.id for finding in found] == names


def chart_after(*faults):
    """What arrives in the middle of each patch of the chart."""
    layout = layout_of()
    patches = layout.patches
    row, column = patches.y + patches.height // 2, patches.x + patches.width // 2
    seen = np.zeros(patches.code.shape)
    for page in np.unique(patches.page):
        planes = clean(render_planes(layout, int(page) * layout.hold))
        for step in recording(*zip(*faults, strict=True)).steps:
            planes = step(planes, 0)
        on = patches.page == page
        for plane, codes in enumerate(planes):
            seen[on, plane] = codes[row[on], column[on] // (1 + (plane > 0))]
    every = np.arange(len(seen))
    return layout, Samples(patches.code - ORIGIN, seen - ORIGIN, 0 * seen, every, every, every)


def test_local_contrast_is_taken_off_before_the_colours_are_explained():
    layout, seen = chart_after(("matrix 709 as 601", 1), ("local contrast", 2))
    inside = (seen.source[:, 0] > 2) & (seen.source[:, 0] < 874)
    drift = find_drift(layout, seen, explain(seen[inside], PQ))
    capture = seen.capture - np.outer(drift.codes, [1, 0, 0])
    rows = inside & drift.within
    found = explain(replace(seen, capture=capture)[rows], PQ)
    assert found.matrices == ("bt601", "bt709")
    assert found.luma_gain == pytest.approx(1, abs=0.01)
    assert found.residual[0] < 0.6 < explain(seen[inside], PQ).residual[0] / 5
    assert drift.gain == pytest.approx(0.25, abs=max(drift.bound, 0.01))


@pytest.mark.parametrize("beside", ["gain", "primaries widened", "saturation by hue", "dynamic"])
def test_what_an_overlay_covers_is_found_and_nothing_else(beside):
    layout, seen = chart_after((beside, 2), ("overlay", 2))
    changed = chart_after((beside, 2))[1]
    cover = find_cover(layout, seen, explain(seen, PQ))
    covered = np.abs(seen.capture - changed.capture).max(axis=1) > 8
    assert (cover.patches[covered]).mean() > 0.98
    assert cover.patches[~covered].mean() < 0.08  # beside it, for what is covered in part
    assert find_cover(layout, changed, explain(changed, PQ)) is None


def test_rounding_is_not_laid_to_the_surroundings():
    layout, seen = chart_after(("bits rounded", 2))
    inside = (seen.source[:, 0] > 2) & (seen.source[:, 0] < 874)
    assert find_drift(layout, seen, explain(seen[inside], PQ)) is None


@pytest.mark.parametrize(
    ("first", "rotation", "saturation", "luma"),
    [
        (("hue", 2), -6.0, 1.0, 1.0),
        (("saturation", 2), 0.0, 0.85, 1.0),
        (("gain", 2), 0.0, 1.0, 0.9),
    ],
)
def test_picture_controls_are_told_before_a_mix_up_of_matrices(first, rotation, saturation, luma):
    found = evidence_of(first, ("matrix 2020 as 601", 1)).explanation
    assert (found.matrices, found.again) == (("bt601", "bt2020"), None)
    assert found.controls_first
    assert found.rotation == pytest.approx(rotation, abs=0.05)
    assert found.saturation == pytest.approx(saturation, abs=1e-3)
    assert found.luma_gain == pytest.approx(luma, abs=1e-3)


@pytest.mark.parametrize("size", [0, 1, 2])
@pytest.mark.parametrize("planes_first", [True, False])
def test_planes_are_told_before_and_after_a_mix_up_of_matrices(size, planes_first):
    faults = [("chroma planes", size), ("matrix 709 as 601", 2)]
    found = evidence_of(*(faults if planes_first else faults[::-1])).explanation
    assert found.planes == ("Cb inverted", "Cr inverted", "Cb and Cr exchanged")[size]
    assert (found.matrices, found.again) == (("bt601", "bt709"), None)


def in_ranges(*ids):
    """Evidence of chroma that went through range mix-ups in 10 bits, by their names."""
    faults = [next(f for f in FAULTS if f.id == name) for name in ids]
    code = np.arange(-430, 431)
    seen = code
    for fault in faults:
        seen = np.floor(seen * fault.chroma_gain + 0.5)
    joint = np.zeros((3, 1024, 1024), np.int64)
    joint[1:, code + 512, np.clip(seen + 512, 0, 1023).astype(int)] = 20
    gain, offset, saturation = 1.0, 0.0, 1.0
    for fault in faults:
        gain, offset = gain * fault.luma_gain, offset * fault.luma_gain + fault.luma_offset
        saturation *= fault.chroma_gain
    found = SimpleNamespace(
        luma_gain=gain, luma_offset=offset, saturation=saturation, gamut=None, matrices=None
    )
    return SimpleNamespace(explanation=found, paths=SimpleNamespace(joint=joint))


NARROW, FULL = "full-to-narrow", "narrow-to-full"


@pytest.mark.parametrize("ways", [(NARROW, FULL), (FULL, NARROW)])
@pytest.mark.parametrize("stages", [("rgb", "ycbcr"), ("ycbcr", "rgb")])
def test_two_opposite_mix_ups_of_ranges_are_told_by_the_digits_of_chroma(ways, stages):
    names = [f"{way}-{stage}" for way, stage in zip(ways, stages, strict=True)]
    assert [fault.id for fault in twice_levels(in_ranges(*names))] == names


def test_no_range_is_mixed_up_where_chroma_keeps_its_digits():
    assert not twice_levels(in_ranges())


@pytest.mark.parametrize(
    "last",
    [
        CoarseStage("bits", 7, "rounded"),
        CoarseStage("bits", 8, "cut off"),
        CoarseStage("repeated", 8, "rounded"),
    ],
)
@pytest.mark.parametrize(("gain", "degrees"), [(1.0, 0.0), (0.98, 0.0), (1.0, 1.0), (0.85, -6.0)])
def test_the_digits_of_coarse_codes_tell_hue_and_saturation(last, gain, degrees):
    chroma = np.random.default_rng(4).integers(-90, 120, (900, 2)).astype(float)
    ratio = gain * np.exp(1j * np.radians(degrees))
    turned = (chroma[:, 0] + 1j * chroma[:, 1]) * ratio
    seen = last.after(np.floor(np.stack([turned.real, turned.imag], axis=1) + 0.5) + 512) - 512
    told, half_width = ratio_by_digits(chroma, seen, (last,))
    assert abs(told - ratio) < 1.5 * half_width
    assert half_width < 0.006
    noise = np.random.default_rng(5).integers(-8, 9, seen.shape)
    assert ratio_by_digits(chroma, seen + noise, (last,)) is None
    assert ratio_by_digits(chroma, seen, ()) is None


@pytest.mark.parametrize("first", ["rounded", "cut off"])
@pytest.mark.parametrize("last", ["rounded", "cut off"])
def test_the_last_of_two_coarse_stages_is_told_by_the_digits(first, last):
    source = colours().astype(float)
    between = CoarseStage("bits", 9, first).after(source)
    seen = CoarseStage("bits", 7, last).after(between)
    told = way_of_last(source, seen, 8)
    # Cut to 9 bits and then to 7 is cut to 7: one stage does the same.
    alone = CoarseStage("bits", 7, last).after(source)
    assert told == (None if np.mean(alone == seen) > 0.9 else last)


@pytest.mark.parametrize(
    ("move", "told"), [((0.0, 0.0), None), ((8.0, 0.0), 8.0), ((0.0, -0.4), -0.4)]
)
@pytest.mark.parametrize(
    ("size", "scale"), [((1920, 1080), 1.06), ((960, 540), 0.5), ((1920, 1080), 1.0)]
)
def test_a_scaled_picture_off_the_centre_is_shifted(move, told, size, scale):
    source = (1920, 1080)
    offset = tuple(
        seen / 2 - scale * whole / 2 + by
        for seen, whole, by in zip(size, source, move, strict=True)
    )
    found = {f.id: f for f in place_findings(((scale, scale), offset), (source, size), 0.02, 30)}
    assert ("picture-scaled" in found) == (scale != 1.0)
    assert ("picture-shifted" in found) == (told is not None)
    if told is not None:
        assert found["picture-shifted"].value == pytest.approx(told)
