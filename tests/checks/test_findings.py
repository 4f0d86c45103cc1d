"""Faults that lie with others, in conversions, or in pictures without greys or black."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import natural
import numpy as np
import pytest
from charted import (
    MemoryClip,
    capture_signal,
    chain,
    evidence_of,
    pointwise,
    pq_signal,
    rounded,
    to_codes,
    to_rgb,
)
from evidence import NO_SAMPLES, evidence_with, explained, tables
from faults.injury import (
    boxed,
    converted,
    covered,
    crushed,
    cut_to,
    denoised,
    dithered,
    following,
    gained,
    recoded,
    repeated_bits,
    reserved,
    rounded_to,
    saturated,
    sharpened,
    stretched,
    through_rgb,
    tinted,
    turned,
)
from pictured import content_pair, content_paths, findings_of
from scipy import ndimage
from skimage.transform import downscale_local_mean, resize

from tonelab.chart import Geometry
from tonelab.checks import CHECKS, examine, explain
from tonelab.checks.depth import codes_used, steps
from tonelab.checks.evidence import PathEvidence
from tonelab.checks.flats import stages_of_flat_colours
from tonelab.checks.levels import near_levels, twice_levels
from tonelab.checks.samples import Samples
from tonelab.checks.stages import stages_of_pictures
from tonelab.pairing import Pair
from tonelab.pixels.bursts import LONG_BURST, bursts
from tonelab.pixels.co_registration import chroma_relation
from tonelab.pixels.picking import gram, products
from tonelab.pixels.resampling import KERNELS
from tonelab.pixels.rescaled import FINER, colour_sums
from tonelab.results import PairingFacts, Tallies
from tonelab.signal.quantisation import ORIGIN


def altered(evidence):
    found = (f for result in examine(evidence)[0] for f in result.findings)
    return {f.id: f for f in found if f.verdict == "not transparent"}


def levels(luma_gain, luma_offset, chroma_gain, untouched=(), paths=None):
    """A fit's levels, and chroma gains of colours in the first part of the hues."""
    hue = np.linspace(0, 2 * np.pi, 60, endpoint=False)
    chroma = 90 * np.stack([np.zeros(60), np.cos(hue), np.sin(hue)], axis=1)
    gains = np.full(60, chroma_gain)
    gains[: 40 * len(untouched)] = untouched
    explanation = explained(
        luma_gain=luma_gain, luma_offset=luma_offset, saturation=chroma_gain, before=chroma
    )
    none = np.zeros(60, np.int64)
    colours = Samples(chroma, chroma * gains[:, None], 0 * chroma, none, none, none)
    return evidence_with(
        paths, explanation=explanation, code_step=1, rounded_to=1, chroma_rounded_to=1,
        colours=colours, bits_repeated=False, ratio_by_digits=None, noise=0.0,
    )  # fmt: skip


WIDE, WIDE_CHROMA = 1023 / 876, 1023 / 896


def test_two_mix_ups_of_ranges_in_turn_are_named_by_their_product():
    gain = 1 / WIDE
    found = twice_levels(levels(gain * gain, 64 * gain * gain + 64 * gain, gain / WIDE_CHROMA))
    assert {fault.id for fault in found} == {"full-to-narrow-rgb", "full-to-narrow-ycbcr"}
    assert twice_levels(levels(gain * gain, 60.0, gain / WIDE_CHROMA)) == ()


@pytest.mark.parametrize(
    ("shown", "name"),
    [
        (levels(WIDE * 1.013, -67.0, WIDE_CHROMA), "narrow-to-full-ycbcr"),
        (levels(0.98 / WIDE, 53.0, 1 / WIDE), "full-to-narrow-rgb"),
        (levels(WIDE, -64.0, 1.02), "narrow-to-full"),
        (levels(1 / WIDE, 64 / WIDE + 12, 1 / WIDE), "full-to-narrow-rgb"),
        (levels(1.1 / WIDE, 64 / WIDE, 1 / WIDE_CHROMA), "full-to-narrow-ycbcr"),
        (levels(0.9 * WIDE, 0.9 * -64, WIDE_CHROMA), "narrow-to-full-ycbcr"),
        (levels(WIDE, -64.0, 1.03, [WIDE]), "narrow-to-full-rgb"),
        (levels(1 / WIDE, 64 / WIDE, 0.9, [1 / WIDE_CHROMA]), "full-to-narrow-ycbcr"),
        (levels(WIDE, -64.0, WIDE), None),  # is named by itself
        (levels(1.1, -3.0, WIDE_CHROMA), None),
        (levels(1.013, 0.0, 1.0), None),
    ],
)
def test_a_mix_up_of_ranges_is_named_with_another_change_of_levels(shown, name):
    found = near_levels(shown)
    assert (found and found.id) == name


@pytest.mark.parametrize("stage", ["rgb", "ycbcr"])
@pytest.mark.parametrize("first", [True, False])
def test_a_stage_with_another_saturation_is_named_by_what_was_rounded_between(stage, first):
    codes = np.full((1024, 3), 512.0)
    codes[:, 1] = np.arange(1024)
    steps = [lambda x: stretched(x, ("expanded", stage, 10)), lambda x: saturated(x, 0.87)]
    for step in steps if first else reversed(steps):
        codes = rounded(step(codes)).astype(float)
    joint = np.zeros((3, 1024, 1024), np.int64)
    joint[1:, np.arange(300, 700), codes[300:700, 1].astype(int)] = 20
    shown = WIDE, -64.0, 0.87 * (WIDE if stage == "rgb" else WIDE_CHROMA)
    assert near_levels(levels(*shown)).id == "narrow-to-full"
    counted = levels(*shown, paths=tables(joint=joint))
    assert near_levels(counted).id == f"narrow-to-full-{stage}"


def test_a_clip_of_rgb_with_head_room_is_one_clip():
    """BT.2100 leaves R'G'B' room to 109 %; a stage may end anywhere before."""
    found = altered(evidence_of(pointwise(lambda codes: boxed(codes, 1.02))))
    assert {name for name in found if name.startswith("clipping")} == {"clipping-rgb"}
    assert "to 102.0%" in found["clipping-rgb"].text


@pytest.mark.long
def test_faults_of_a_conversion_are_named_and_not_called_a_local_mapping():
    def device(codes):
        x = np.clip((codes[..., :1] - 64) / 876, 0, 1)
        return np.concatenate([64 + 876 * x**0.7, 0.8 * (codes[..., 1:] - 512) + 512], -1)

    def damage(planes):
        y = crushed(denoised(planes[0].astype(float), 20), 30)
        return covered((rounded(y), *planes[1:]), 0.2, 0)

    assert not altered(evidence_of(pointwise(device)))
    found = altered(evidence_of(chain(pointwise(device), damage)))
    assert set(found) == {"overlay-static", "black-codes-lost", "detail-noise-reduced"}


def pictures(device, moments=6, seed=4, matrix=None, gain=1.0):
    """What the tables hold of pictures without greys: a number of moments, each of its own light.

    The device is a function of codes (N, 3) and the mean luma of the moment; the explanation of
    their colours is a matrix mix-up or a gain of all planes.
    """
    generator = np.random.default_rng(seed)
    rows = []
    for moment in range(moments):
        rgb = pq_signal(10 ** generator.uniform(-4, -1.4 + 0.1 * moment, (600, 3)))
        codes = rounded(to_codes(rgb)).astype(float)
        shown = rounded(device(codes, codes[:, 0].mean()))
        rows.append(np.column_stack([np.full(600, moment), codes, shown[:, 0], np.ones(600)]))
    known = np.eye(3) if matrix is None else explain.recoded(matrix)
    return evidence_with(
        tables(samples=np.concatenate(rows).astype(np.int64)),
        colours=NO_SAMPLES,
        explanation=explained(linear=gain * known, known=known, matrices=matrix),
        pass_through=True,
        grain=1,
        leak=0.0,
    )


@pytest.mark.parametrize(("bits", "narrow"), [(8, True), (8, False), (9, False)])
def test_pictures_show_an_rgb_stage_by_luma_over_flat_chroma(bits, narrow):
    (found,) = stages_of_pictures(pictures(lambda codes, _: through_rgb(codes, (bits, narrow))))
    assert found.verdict == "not transparent"
    assert f"{bits}-bit {'narrow' if narrow else 'full'}" in found.text
    assert not stages_of_pictures(pictures(lambda codes, _: codes))


@pytest.mark.parametrize("first", [True, False])
def test_pictures_show_an_rgb_stage_with_another_matrix_and_with_a_gain(first):
    def through(codes):
        return through_rgb(codes, (8, True))

    def device(change):
        steps = (through, change) if first else (change, through)
        return lambda codes, _: steps[1](rounded(steps[0](codes)).astype(float))

    def gained(codes):
        return (codes - ORIGIN) * 0.98 + ORIGIN

    mixed = {"matrix": ("bt601", "bt709")}
    for change, known in (
        (lambda codes: recoded(codes, (709, 601)), mixed),
        (gained, {"gain": 0.98}),
    ):
        (found,) = stages_of_pictures(pictures(device(change), **known))
        assert "8-bit narrow" in found.text
        alone = pictures(lambda codes, _, change=change: change(codes), **known)
        assert not stages_of_pictures(alone)


def test_pictures_show_fewer_bits_before_another_matrix_and_before_an_rgb_stage():
    def cut(codes):
        return cut_to(codes.astype(int), 7).astype(float)

    def mixed(codes, _):
        return recoded(cut(codes), (709, 601))

    (found,) = stages_of_pictures(pictures(mixed, matrix=("bt601", "bt709")))
    assert found.id == "depth-reduced-hidden"
    assert "7 bits go through a stage of the path, cut off" in found.text
    both = stages_of_pictures(pictures(lambda codes, _: through_rgb(cut(codes), (8, True))))
    assert {f.id for f in both} == {"depth-reduced-hidden", "depth-rgb-stage"}


def test_pictures_under_another_matrix_show_the_bias_of_dither():
    """Luma less what chroma adds to it; noise is that of one colour, not of one luma code."""
    generator = np.random.default_rng(3)
    colours = np.stack([np.arange(200, 300), *generator.integers(400, 640, (2, 100))], axis=1)
    sent = np.repeat(colours, 60, axis=0)
    mixed = rounded(recoded(sent.astype(float), (709, 2020)))
    for bias in (0.0, -2.0):
        seen = dithered((mixed[:, 0],), ("temporal", 8, bias), 0)[0]
        joint = np.zeros((3, 1024, 1024), np.int64)
        np.add.at(joint[0], (sent[:, 0], seen), 1)
        samples = np.column_stack([0 * seen, sent, seen, 0 * seen + 1]).astype(np.int64)
        known = explain.recoded(("bt2020", "bt709"))
        # A path of another matrix and nothing else.
        explanation = explained(linear=known, matrices=("bt2020", "bt709"))
        evidence = evidence_with(tables(joint=joint, samples=samples), explanation=explanation)
        error = evidence.tones.capture[:, 0] - evidence.tones.source[:, 0] * known[0, 0]
        assert abs(error.mean() - bias) < 0.1
        assert 1.3 < evidence.noise < 2.3  # steps of 4 codes, dithered over one


@pytest.mark.parametrize("first", [True, False])
@pytest.mark.parametrize(
    ("step", "expected"),
    [
        (lambda x: recoded(x, (709, 601)), {"matrices": ("bt601", "bt709")}),
        (lambda x: gained(x, 0.9), {"luma_gain": 0.9, "saturation": 1.0}),
        (lambda x: tinted(x, 8), {"chroma_offset": (8.0, -4.0), "luma_gain": 1.0}),
        (lambda x: turned(x, 5), {"rotation": 5.0, "saturation": 1.0}),
        (lambda x: stretched(x, ("compressed", "ycbcr", 10)),
         {"luma_gain": 876 / 1023, "saturation": 896 / 1023}),
    ],
)  # fmt: skip
def test_another_step_is_named_on_either_side_of_a_conversion_of_primaries(first, step, expected):
    generator = np.random.default_rng(6)
    light = 10 ** generator.uniform(-3.5, -1.3, (400, 1)) * generator.uniform(0.1, 1, (400, 3))
    source = rounded(to_codes(pq_signal(light))).astype(float)
    steps = [step, lambda x: converted(x, "2020 to 709")]
    codes = source
    for one in steps if first else reversed(steps):
        codes = rounded(one(codes)).astype(float)
    none = np.zeros(len(source), np.int64)
    colours = Samples(source - ORIGIN, codes - ORIGIN, 0 * source, none, none, none)
    found = explain.explain(colours, capture_signal())
    assert found.gamut == ("bt2020", "bt709")
    assert found.affine
    for name, value in expected.items():
        if name == "matrices":
            assert found.matrices == value
        else:
            limit = 0.003 if name in {"luma_gain", "saturation"} else 0.15
            assert getattr(found, name) == pytest.approx(value, abs=limit)
    assert np.median(np.abs(found.predict(colours.source) - colours.capture)[found.used]) < 0.5


def test_codes_reserved_for_synchronisation_are_no_noise():
    width, height = natural.SIZE
    flat = np.arange(100, 900, 10)[np.arange(width) // 16].astype(np.uint16)
    grey = np.full((height // 2, width // 2), 512, np.uint16)
    still = (np.tile(flat, (height, 1)), grey, grey)
    moments = itertools.count()
    paths = content_paths(
        lambda planes: reserved(planes, 600, next(moments)), frames=(20, 30), shown=lambda _: still,
        run=4,
    )  # fmt: skip
    assert paths.lag_count[1:4].min() > 10_000
    assert paths.lag_square.sum() == 0
    assert paths.still[:, 2].sum() == 2 * paths.still[:, 3].sum() > 0  # no change between frames


def test_conversions_of_pictures_distinguish_sharpening_and_blur_from_their_own_curve():
    bent = pointwise(lambda codes: to_codes(np.clip(to_rgb(codes), 0, 1) ** 0.6, 709))

    def detail(change):
        def device(planes):
            y, *chroma = bent(planes)
            return rounded(change(y.astype(float))), *chroma

        paths = content_paths(device)
        evidence = evidence_with(paths, pass_through=False, grain=1, explanation=explained())
        return set(findings_of(evidence, "detail"))

    assert not detail(lambda y: y)
    assert detail(lambda y: sharpened(y, 0.3)) == {"detail-sharpened"}
    assert detail(lambda y: ndimage.gaussian_filter(y, 0.5)) == {"detail-blurred"}


@pytest.mark.parametrize("amount", [0.0, 0.6])
def test_scaled_pictures_face_the_source_scaled_alike(amount):
    def device(planes):
        sharp = sharpened(planes[0].astype(float), amount)
        return [rounded(downscale_local_mean(p[:270], (2, 2))) for p in (sharp, *planes[1:])]

    evidence = evidence_with(
        content_paths(device, 0.5), pass_through=True, grain=1, code_step=1,
        explanation=explained(), sites=NO_SAMPLES,
    )  # fmt: skip
    assert evidence.rescaled
    found = findings_of(evidence, "detail", "scaling", "shift")
    assert set(found) - {"detail-sharpened"} == {"scaling-filter", "shift"}
    scaling = found["scaling-filter"]  # at a half, the mean of four is bilinear too
    assert KERNELS["box-averaging"].label in (*scaling.alternatives, scaling.text)
    assert ("detail-sharpened" in found) == (amount > 0)
    if not amount:
        rows, columns = np.nonzero(evidence.paths.joint[0])
        assert np.abs(rows - columns).max() <= 1  # halves may be rounded either way


def scaled_evidence(change, rows=None):
    """Evidence of pictures that a device changed before it halved them.

    ``rows`` makes chroma of 4:2:2 out of that of 4:2:0 in place of an interpolation at its siting.
    """

    def device(planes):
        y, *chroma = pointwise(change)(planes)
        chroma = chroma if rows is None else [rows(plane[::2].astype(float)) for plane in chroma]
        return [rounded(downscale_local_mean(p[:270], (2, 2))) for p in (y, *chroma)]

    signal, none = capture_signal(), Tallies.empty_content((1024, 1024))
    facts = PairingFacts("content", (0.5, 0.5), (0.0, 0.0), 0.0, 0, 48)
    paths = content_paths(device, 0.5, (4, 20, 26, 40))
    return PathEvidence(signal, signal, tallies=none, paths=paths, pairing=facts)


def test_colours_of_scaled_pictures_show_hue_and_saturation():
    degrees, gain = np.random.default_rng(4).uniform((1.5, 0.85), (5.0, 0.93))
    evidence = scaled_evidence(lambda codes: turned(saturated(codes, gain), degrees))
    found = findings_of(evidence, "planes", "matrix", "gamut", "hue", "saturation")
    assert set(found) == {"hue-rotated", "saturation-changed"}
    hue, saturation = found["hue-rotated"], found["saturation-changed"]
    assert abs(hue.value - degrees) < min(hue.bound, 0.15)
    assert abs(saturation.value - gain) < min(saturation.bound, 0.003)


def test_scaled_pictures_with_another_matrix_show_both():
    found = findings_of(
        scaled_evidence(lambda codes: recoded(codes, (709, 601))), "matrix", "scaling"
    )
    assert set(found) == {"matrix-mixed", "scaling-filter"}
    assert "BT.709" in found["matrix-mixed"].text
    assert "BT.601" in found["matrix-mixed"].text


def test_colours_of_scaled_pictures_are_kept_where_nothing_else_was_done():
    evidence = scaled_evidence(lambda codes: codes)
    rest = evidence.colours.capture - evidence.colours.source
    assert len(rest) > 60
    assert np.sqrt(np.mean(rest**2, axis=0)).max() < 0.4
    assert not findings_of(evidence, "planes", "matrix", "gamut", "hue", "saturation", "levels")


def test_pictures_moved_by_a_fraction_are_held_against_the_source_moved_alike():
    def device(planes):
        y, cb, cr = (p.astype(float) for p in planes)
        lifted = y + 14 * np.exp(-np.maximum(y - 64, 0) / 60)
        return [
            rounded(ndimage.shift(p, (0, x), order=1, mode="nearest"))
            for p, x in ((lifted, 0.3), (cb, 0.15), (cr, 0.15))
        ]

    paths = content_paths(device, 1.0, (4, 20, 26, 40), (0.3, 0.0))
    signal = capture_signal()
    evidence = PathEvidence(
        signal, signal, tallies=Tallies.empty_content((1024, 1024)), paths=paths
    )
    assert set(findings_of(evidence, "black", "shift", "scaling", "hue")) == {
        "black-lifted", "shift-luma", "scaling-filter"
    }  # fmt: skip


@pytest.mark.parametrize(
    ("change", "said"),
    [
        (lambda codes: rounded_to(codes.astype(int), 7), "7 bits go through a stage.*rounded"),
        (lambda codes: through_rgb(codes, (8, False)), "8-bit full-range R'G'B'"),
        (lambda codes: codes, None),
    ],
)
def test_flat_colours_show_a_stage_before_a_scaler(change, said):
    found = stages_of_flat_colours(scaled_evidence(change))
    assert len(found) == (said is not None)
    assert said is None or re.search(said, found[0].text)


@pytest.mark.parametrize(
    ("rows", "named"),
    [
        (None, set()),
        (lambda plane: plane.repeat(2, axis=0), {"chroma-lines-repeated"}),
        (
            lambda plane: resize(plane, (2 * len(plane), plane.shape[1]), 1, mode="edge"),
            {"chroma-siting"},
        ),
        (
            lambda plane: ndimage.gaussian_filter1d(
                resize(plane, (2 * len(plane), plane.shape[1]), 1, mode="edge"), 0.8, axis=1
            ),
            {"chroma-siting", "chroma-softened"},
        ),
    ],
)
def test_scaled_pictures_show_how_rows_of_chroma_were_made(rows, named):
    assert set(findings_of(scaled_evidence(lambda codes: codes, rows), "chroma")) == named


@pytest.mark.parametrize(("siting", "up"), [("topleft", 0.5), ("left", 0.0)])
def test_chroma_of_scaled_pictures_stands_where_its_source_says(siting, up):
    # A ramp in light from top to bottom, of 0.8 codes each row of luma, shown at 3/2.
    signal = capture_signal().with_fields("stated", siting=siting)
    rows = 2 * np.arange(60) + 1 - up  # of chroma samples, in rows of luma
    ramp = np.rint(400 + 0.8 * rows)[:, None].repeat(90, axis=1).astype(np.uint16)
    seen = np.rint(400 + 0.8 * (np.arange(180) + 0.5) / 1.5)[:, None].repeat(135, axis=1)
    seen = seen.astype(np.uint16)
    planes = (
        (np.full((120, 180), 500, np.uint16), ramp, ramp),
        (np.full((180, 270), 500, np.uint16), seen, seen),
    )
    clips = [
        MemoryClip("clip.mkv", lambda _, picture=picture: picture, 1, signal, subsampling)
        for picture, subsampling in zip(planes, ("420", "422"), strict=True)
    ]
    grid = Geometry((1.0, 1.0), (0.0, 0.0), (180, 120))
    facts = PairingFacts("content", (1.5, 1.5), (0.0, 0.0), 0.0, 0, 1)
    none = np.zeros((0, 2), np.int64)
    relation = chroma_relation(Pair(*clips, None, grid, grid, none, facts, ()))
    every = np.ones((180, 270), bool)
    sums = colour_sums(*planes, planes[1][0], every, relation, "bilinear")
    count, shown, there = sums[:, 1], sums[:, 3] / FINER, sums[:, 6]
    assert np.abs((there - shown) / count)[count > 1000].max() < 0.1


def test_pictures_distinguish_a_gain_that_follows_their_light_from_a_fixed_curve():
    def verdicts(device):
        return {f.id: f.verdict for f in CHECKS["mapping"].function(pictures(device))}

    def followed(codes, mean):
        flat = np.full((4, 4), mean)
        y = np.concatenate([codes[:, 0], np.full(10**6, mean)])  # the rest of the picture
        planes = following((y, flat, flat), 0.03, 0)
        return np.column_stack([planes[0][: len(codes)], codes[:, 1:]])

    def bent(codes, _):
        return 64 + 876 * (np.maximum(codes - 64, 0) / 876) ** 0.9

    assert verdicts(followed) == {"mapping-scene-dependent": "not transparent"}
    assert verdicts(bent) == {"mapping": "cannot tell"}


def test_two_bursts_of_content_are_long_and_none_shares_a_frame():
    frames = np.r_[4:40, 44:90]
    pair = content_pair(list)
    runs = bursts(replace(pair, matches=np.stack([frames, frames + 3], axis=1)))
    assert sorted(map(len, runs))[-2:] == [LONG_BURST, LONG_BURST]
    together = np.concatenate(runs)[:, 0]
    assert (np.diff(together) > 0).all()
    assert all((np.diff(run, axis=0) == 1).all() for run in runs)
    repeated = replace(pair, matches=np.stack([frames, frames // 2], axis=1))
    assert max(map(len, bursts(repeated))) == 2


def greys(shown, noise=0.0, paths=None):
    """Tones of content whose darkest luma code is 160, and what becomes of them."""
    source = np.zeros((500, 3))
    source[:, 0] = np.arange(160, 660) - 64
    capture = source.copy()
    capture[:, 0] = rounded(shown(source[:, 0] + 64)) - 64.0
    count = np.full(500, 90)
    tones = Samples(source, capture, np.full((500, 3), noise**2), count, count, count)
    return evidence_with(
        paths, tones=tones, pass_through=True, grain=1, code_step=1, drift=None, cover=None,
        noise=noise, leak=0.0, explanation=explained(),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("shown", "codes"),
    [
        (lambda y: y + 20 * np.exp(-(y - 64) / 60), 4),
        (lambda y: 0.98 * y + 3, None),
        (lambda y: np.where((y > 256) & (y < 512), y // 8 * 8, y), None),
        (lambda y: np.where((y > 256) & (y < 512), y // 4 * 4, y), None),
    ],
)
def test_pictures_without_black_show_a_lift_of_their_darkest_codes(shown, codes):
    (found,) = CHECKS["black"].function(greys(shown))
    if codes is None:
        assert found.verdict == "cannot tell"
    else:
        assert found.id == "black-lifted"
        assert abs(found.value - codes) < 1


@pytest.mark.parametrize(("filtered", "verdict"), [(0.0, "not transparent"), (0.1, "cannot tell")])
def test_a_lift_is_named_through_dither_but_not_from_what_a_filter_does(filtered, verdict):
    generator = np.random.default_rng(1)
    taps = np.rint(generator.normal(0, 30, (5000, 49)))
    seen = taps[:, 24] + filtered * (taps[:, 24] - taps[:, 25]) + generator.normal(0, 1.7, 5000)
    own, around = generator.normal(0, 900, (2, 5000)).round()
    ones = np.ones((5000, 1))
    chroma = generator.normal(0, 900, (2, 5000)).round()
    seen_blocks = own + generator.normal(0, 5, 5000).round()
    blocks = np.column_stack([ones, own, *chroma, around, seen_blocks])
    paths = tables(
        luma_gram=np.stack([gram(taps, seen.round()[:, None])] * 2), samples=np.zeros((0, 6), int),
        surround_gram=products(blocks)[None],
    )  # fmt: skip
    (found,) = CHECKS["black"].function(
        greys(lambda y: y + 20 * np.exp(-(y - 64) / 60), 1.7, paths)
    )
    assert found.verdict == verdict


def counted(shown, of_chroma=lambda planes: planes):
    """What a capture's histograms tell where no pixels face the source's one by one."""
    sent = tuple(
        rounded(np.random.default_rng(seed).normal(mean, 70, 300_000)).astype(int)
        for seed, mean in ((8, 400), (9, 520), (10, 530))
    )
    seen = (rounded(shown(sent[0])).astype(int), *of_chroma(sent)[1:])
    histograms = [
        np.stack([np.bincount(codes, minlength=1024) for codes in side]) for side in (sent, seen)
    ]
    offset = np.mean([after - before for before, after in zip(sent, seen, strict=True)], axis=1)
    return evidence_with(
        source_histogram=histograms[0], capture_histogram=histograms[1], tones=NO_SAMPLES,
        code_step=1, bits_repeated=False, ratio_by_digits=None, noise=0.0, drift=None,
        chroma_noises=np.zeros(9), pass_through=True, cover=None, colours=NO_SAMPLES,
        explanation=explained(chroma_offset=tuple(offset[1:])),
    )  # fmt: skip


def test_scaled_pictures_show_a_coarse_stage_by_codes_that_never_occur():
    (found,) = CHECKS["depth"].function(counted(lambda y: y // 4 * 4 * 1.013))
    assert found.id == "depth-levels"
    assert "8.0 bits" in found.text
    assert codes_used(counted(lambda y: y)) is None


@pytest.mark.parametrize(
    ("device", "name", "says"),
    [
        (lambda planes: tuple(cut_to(plane, 8) for plane in planes), "depth-eight-bits", "cut"),
        (lambda planes: tuple(rounded_to(plane, 7) for plane in planes), "depth-reduced", "rounde"),
        (lambda planes: repeated_bits(planes, (2, 3), 0), "depth-bits-repeated", "8-bit"),
        (lambda planes: planes, None, ""),
    ],
)
def test_chroma_shows_a_depth_that_later_changes_of_luma_hide(device, name, says):
    found = CHECKS["depth"].function(counted(lambda y: y * 0.98, device))
    named = {f.id: f.text for f in found if f.verdict == "not transparent"}
    assert set(named) == ({name} if name else set())
    assert says in named.get(name, "")


@pytest.mark.parametrize(("seen", "ids"), [("in part", ["steps"]), ("all", ["steps-plateau"])])
def test_greys_that_were_not_seen_make_no_plateau(seen, ids):
    """8 bits round 4 codes to one; where pictures lack greys, no two of these join."""
    code = np.arange(80.0, 700.0)
    if seen == "in part":
        code = code[(code < 400) | (code >= 424) | (code % 4 > 0)]
    arrives = code // 4 * 4
    if seen == "all":
        arrives[(code >= 400) & (code < 424)] = 400.0
    zeros = np.zeros(len(code))
    tones = Samples(
        source=np.stack([code, zeros, zeros], axis=1),
        capture=np.stack([arrives, zeros, zeros], axis=1),
        variance=np.zeros((len(code), 3)),
        count=np.full(len(code), 100),
        cluster=np.zeros(len(code), int),
        patch=np.arange(len(code)),
    )
    evidence = evidence_with(
        bits=8, tones=tones, drift=None, cover=None, noise=0.0, grain=4.0, code_step=4,
        rounded_to=4, leak=0.0, explanation=explained(),
    )  # fmt: skip
    assert [finding.id for finding in steps(evidence)] == ids
